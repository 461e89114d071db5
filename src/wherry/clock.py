"""The one place where real time enters, apart from the event loop's own.

The engine takes its instants from the event loop's clock, so that it runs the same on a virtual one. Wall
time is only for records and papers.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta

NS_PER_S = 1_000_000_000
NS_PER_MS = 1_000_000


class LoopClock:
    """The time of an event loop in whole nanoseconds, and timers on it.

    A loop that keeps its own nanoseconds (a virtual one: attributes ``clock``, a function that gives them, and
    ``call_at_ns``) is believed exactly. Other loops keep the system's monotonic clock, some of them rounded to a
    millisecond; for them that clock is read itself, and no timer is set closer than their rounding, or a timer that
    fires early would be set again and again without rest.

    ``call_at(at_ns, callback)`` calls back at an instant. On a rounding loop it may come a little early: look at the
    clock again.
    """

    __slots__ = ("_loop", "call_at", "now_ns")

    now_ns: Callable[[], int]
    call_at: Callable[[int, Callable[[], object]], asyncio.TimerHandle]

    def __init__(self, loop: asyncio.AbstractEventLoop) -> None:
        self._loop = loop
        self.now_ns = getattr(loop, "clock", time.monotonic_ns)
        self.call_at = getattr(loop, "call_at_ns", self._call_at)

    def _call_at(self, at_ns: int, callback: Callable[[], object]) -> asyncio.TimerHandle:
        least_ns = self.now_ns() + NS_PER_MS
        return self._loop.call_at(max(at_ns, least_ns) / NS_PER_S, callback)


def wall_time_text() -> str:
    """Now in UTC, RFC 3339 with milliseconds."""
    return datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def time_of_day_text(in_ns: int) -> str:
    """The local time of day after so long, as on a clock on the wall: ``14:05``."""
    return (datetime.now(UTC) + timedelta(microseconds=in_ns // 1000)).astimezone().strftime("%H:%M")


def today() -> date:
    """The present day, in UTC."""
    return datetime.now(UTC).date()


def elapsed_ns() -> int:
    """A clock that only goes forward, for measuring how long something of ours takes while people wait."""
    return time.monotonic_ns()


def date_in_days(days: float) -> str:
    """The date so many days from now, in UTC (RFC 3339)."""
    return (today() + timedelta(days=int(days))).isoformat()


def cpu_ns() -> int:
    """CPU time of this process."""
    return time.process_time_ns()
