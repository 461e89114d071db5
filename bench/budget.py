"""A plan of 5,000 values and several periods: how long `wherry budget` takes, from the command to its end."""

from __future__ import annotations

import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterable
from pathlib import Path

from bench.measure import Row, Settings
from bench.plans import several_periods_plan

VALUES = 5_000
AIM_S = 2.0


def rows(settings: Settings) -> Iterable[Row]:
    """One row."""
    with tempfile.TemporaryDirectory() as directory:
        plan = Path(directory) / "plan.toml"
        plan.write_text(several_periods_plan(VALUES), encoding="utf-8")
        command = [str(Path(sys.executable).with_name("wherry")), "budget", str(plan)]
        times = []
        for _ in range(settings.rounds):
            begin = time.perf_counter()
            done = subprocess.run(command, capture_output=True, text=True, check=False)
            times.append(time.perf_counter() - begin)
            if done.returncode:
                raise SystemExit(
                    f"bench: the bench's own plan does not fit:\n{done.stdout[-2000:]}{done.stderr[-2000:]}"
                )
    took_s = statistics.median(times)
    yield Row(
        f"budget of {VALUES:,} values", f"{took_s:.2f} s", f"{AIM_S:g} s", took_s / AIM_S, 1.0, "the whole command"
    )
