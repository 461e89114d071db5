"""How many simulated seconds a second of one core gives: the plan that ships, without faults and with the usual."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from bench.measure import ROOT, Row, Settings

PLAN = ROOT / "examples" / "hatchery.toml"
AIM = 2000.0
CODE = """
import json, sys
from pathlib import Path
from wherry.plan import load
from wherry.rehearse.scenario import rehearse
seen = rehearse(load(sys.argv[1]).plan, hours=float(sys.argv[2]), seed=1, faults=sys.argv[3])
print(json.dumps({"cpu_s": seen.cpu_s, "requests": seen.transactions, "broken": seen.broken_count}))
"""
"""In a process of its own, so that nothing of the bench is in its way."""


def measure(plan: Path, hours: float, faults: str) -> dict[str, Any]:
    """What one rehearsal cost."""
    command = [sys.executable, "-c", CODE, str(plan), str(hours), faults]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    if done.returncode:
        raise SystemExit(f"bench: the rehearsal failed:\n{done.stderr[-2000:]}")
    figures: dict[str, Any] = json.loads(done.stdout)
    return figures


def rows(settings: Settings) -> Iterable[Row]:
    """One row for each menu; the best of three, since other work on the machine only makes it slower."""
    for faults in ("none", "usual"):
        tried = [measure(PLAN, settings.rehearse_hours, faults) for _ in range(3)]
        best = min(tried, key=lambda each: float(each["cpu_s"]))
        speed = settings.rehearse_hours * 3600 / best["cpu_s"]
        yield Row(
            f"rehearsal of the demo plan, {settings.rehearse_hours:g} h, faults {faults}",
            f"{speed:,.0f} times real time",
            f"{AIM:,.0f} times",
            AIM / speed,
            1.0,
            f"{best['cpu_s'] / best['requests'] * 1e6:.0f} us of one core per request",
        )
