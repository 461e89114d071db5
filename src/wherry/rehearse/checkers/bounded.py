"""Nothing grows without end: what waits at a connection, what is recorded, what is kept in memory."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, ClassVar, Final

from wherry.rehearse.checkers.base import Checker, Report, S, Told, World

GROWTH_MAX: Final = 1.25
OBJECTS_FREE: Final = 4000
"""Growth that is nothing to speak of (ours): histograms and counters that fill up."""
EVENTS_PER_S_MAX: Final = 20
EVENTS_FREE: Final = 500


class Bounded(Checker):
    """Weighs the engine at set instants as a black box: how many objects hang on it, all in all."""

    NAME: ClassVar[str] = "bounded"

    def __init__(self, world: World, report: Report) -> None:
        super().__init__(world, report)
        self._first: int | None = None
        self._events = 0
        self._is_told = False

    def recorded(self, event: Told) -> None:
        self._events += 1
        if self._events > EVENTS_FREE + EVENTS_PER_S_MAX * event.at_ns / S and not self._is_told:
            self._is_told = True
            self.wrong("record", f"{self._events} events were recorded in {event.at_ns / S:.0f} s")

    def measured(self, footprint: int, at_ns: int) -> None:
        if self._first is None:
            self._first = footprint
        elif footprint > self._first * GROWTH_MAX + OBJECTS_FREE:
            self.wrong("memory", f"the engine has grown from {self._first:,} objects to {footprint:,}")

    def finished(self, summary: Mapping[str, Any], at_ns: int) -> None:
        for name, counts in summary["transfers"].items():
            if len(counts["failures"]) > 100:
                self.wrong(name, f"it keeps {len(counts['failures'])} kinds of failure")
