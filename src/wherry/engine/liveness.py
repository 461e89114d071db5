"""Whether the source's program is running, told by a counter of its own that must keep moving.

A connection that answers proves only that the communication part of a controller lives; its program may have stopped.
So a value counts only while the declared ``alive`` point changes. Before the first change nothing is known, and nothing
is given on. After a gap of more than ``max_age`` between two readings it is so again: a counter that has moved in
between proves that the program ran some time, not that it runs.
"""

from __future__ import annotations

from typing import Final

from wherry.values.quality import Reason

WAITING: Final = "waiting for the source's own counter to move"
STANDS_STILL: Final = "the source's own counter stands still"
NOT_READ: Final = "the source's own counter was not read"


class Liveness:
    """Judges one ``alive`` point. ``max_age_ns`` is how long it may stand still."""

    __slots__ = ("_changed_ns", "_judged_ns", "_last", "_max_age_ns", "_moved")

    def __init__(self, max_age_ns: int) -> None:
        self._max_age_ns = max_age_ns
        self._last: bytes | None = None
        self._changed_ns = 0
        self._judged_ns = 0
        self._moved = False

    def judge(self, data: bytes, sample_ns: int) -> str:
        """Take the point's registers as read at ``sample_ns``; returns why nothing may be given on, or "".

        A reading older than the newest one tells nothing new: what the newest told holds for it.
        """
        gap_ns = sample_ns - self._judged_ns
        if gap_ns < 0:
            return self._verdict()
        self._judged_ns = sample_ns
        if self._last is None or gap_ns > self._max_age_ns:
            self._last = data
            self._changed_ns = sample_ns
            self._moved = False
        elif data != self._last:
            self._last = data
            self._changed_ns = sample_ns
            self._moved = True
        return self._verdict()

    def _verdict(self) -> str:
        if self._judged_ns - self._changed_ns > self._max_age_ns:
            self._moved = False
            return STANDS_STILL
        return "" if self._moved else WAITING


def reason_of_standstill(why_not: str) -> Reason:
    """What the values are when nothing may be given on for this reason."""
    if why_not == WAITING:
        return Reason.BAD_WAITING_FOR_INITIAL_DATA
    return Reason.BAD_OUT_OF_SERVICE if why_not == STANDS_STILL else Reason.BAD_NO_COMMUNICATION
