"""Whether the source's program is running, told by a counter of its own that must keep moving.

A connection that answers proves only that the communication part of a controller lives; its program may have stopped.
So a value counts only while the declared ``alive`` point changes. Before the first change nothing is known, and nothing
is given on.
"""

from __future__ import annotations

from typing import Final

WAITING: Final = "waiting for the source's own counter to move"
STANDS_STILL: Final = "the source's own counter stands still"


class Liveness:
    """Judges one ``alive`` point. ``max_age_ns`` is how long it may stand still."""

    __slots__ = ("_changed_ns", "_last", "_max_age_ns", "_moved")

    def __init__(self, max_age_ns: int) -> None:
        self._max_age_ns = max_age_ns
        self._last: bytes | None = None
        self._changed_ns = 0
        self._moved = False

    def judge(self, data: bytes, sample_ns: int) -> str:
        """Take the point's registers as read at ``sample_ns``; returns why nothing may be given on, or ""."""
        if self._last is None:
            self._last = data
            self._changed_ns = sample_ns
        elif data != self._last:
            self._last = data
            self._changed_ns = sample_ns
            self._moved = True
            return ""
        if sample_ns - self._changed_ns > self._max_age_ns:
            self._moved = False
            return STANDS_STILL
        return "" if self._moved else WAITING
