"""A sweep of 300 scattered points on a device that takes 5 ms: against the least possible, requests x 5 ms."""

from __future__ import annotations

import statistics
from collections.abc import Iterable

from bench.measure import LoadServer, Row, Settings, contender, run_child

POINTS = 300
DELAY_MS = 5.0
AIM = 1.05


def rows(settings: Settings) -> Iterable[Row]:
    """One row."""
    with LoadServer("--delay-us", f"{DELAY_MS * 1000:.0f}") as source, LoadServer() as destination:
        figures = run_child(
            contender("wherry_sweep", source.port, destination.port, POINTS, DELAY_MS, 2 * settings.rounds)
        )
    least_ms = figures["requests"] * DELAY_MS
    took_ms = statistics.median(figures["took_ns"]) / 1e6
    yield Row(
        f"sweep of {POINTS} scattered points",
        f"{took_ms:.1f} ms",
        f"{figures['requests']} requests x {DELAY_MS:g} ms = {least_ms:.0f} ms",
        took_ms / least_ms,
        AIM,
        f"median of {len(figures['took_ns'])} sweeps",
    )
