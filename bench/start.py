"""How quickly the program is there: `wherry --help` against an interpreter that does nothing."""

from __future__ import annotations

import statistics
import subprocess
import sys
import time
from collections.abc import Iterable, Sequence
from pathlib import Path

from bench.measure import Row, Settings, median_ratio

AIM = 6.0


def time_ms(command: Sequence[str]) -> float:
    """Wall time of one command."""
    begin = time.perf_counter()
    subprocess.run(command, capture_output=True, check=True)
    return 1000 * (time.perf_counter() - begin)


def rows(settings: Settings) -> Iterable[Row]:
    """One row; the two commands take turns."""
    ours: list[float] = []
    nothing: list[float] = []
    for _ in range(settings.starts):
        nothing.append(time_ms([sys.executable, "-c", "pass"]))
        ours.append(time_ms([str(Path(sys.executable).with_name("wherry")), "--help"]))
    yield Row(
        "start of `wherry --help`",
        f"{statistics.median(ours):.0f} ms",
        f"`python -c pass` {statistics.median(nothing):.0f} ms",
        median_ratio(ours, nothing),
        AIM,
    )
