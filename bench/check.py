"""A plan of 10,000 values: how long `wherry check` takes, from the command to its end."""

from __future__ import annotations

import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterable
from pathlib import Path

from bench.measure import Row, Settings
from bench.plans import long_plan

VALUES = 10_000
AIM_S = 2.0


def rows(settings: Settings) -> Iterable[Row]:
    """One row."""
    with tempfile.TemporaryDirectory() as directory:
        plan = Path(directory) / "plan.toml"
        plan.write_text(long_plan(VALUES), encoding="utf-8")
        command = [str(Path(sys.executable).with_name("wherry")), "check", str(plan)]
        times = []
        for _ in range(settings.rounds):
            begin = time.perf_counter()
            done = subprocess.run(command, capture_output=True, text=True, check=False)
            times.append(time.perf_counter() - begin)
            if done.returncode:
                raise SystemExit(
                    f"bench: the bench's own plan has findings:\n{done.stdout[-2000:]}{done.stderr[-2000:]}"
                )
    took_s = statistics.median(times)
    yield Row(
        f"check of {VALUES:,} values", f"{took_s:.2f} s", f"{AIM_S:g} s", took_s / AIM_S, 1.0, "the whole command"
    )
