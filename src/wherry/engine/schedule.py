"""When work is due: absolute instants, so that nothing drifts. Pure.

The k-th release of an entry is due at ``start + offset + k * period``, whenever the ones before it were served.
Releases that were missed altogether (the computer slept, the loop was held up) are counted, never made up for.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from heapq import heapify, heapreplace

from wherry.timing.releases import release_offsets_ns


@dataclass(frozen=True, slots=True)
class Release:
    """One entry whose time has come. ``missed`` releases before this one went by unserved."""

    index: int
    due_ns: int
    missed: int


class Schedule:
    """Absolute releases of several periodic entries."""

    def __init__(self, periods_ns: Sequence[int], start_ns: int) -> None:
        """Entries of one period are spread evenly over it, so that they do not all ask at the same instant."""
        assert all(period > 0 for period in periods_ns), periods_ns
        self._periods_ns = tuple(periods_ns)
        offsets_ns = release_offsets_ns(self._periods_ns)
        self._heap = [(start_ns + offset_ns, index) for index, offset_ns in enumerate(offsets_ns)]
        heapify(self._heap)

    @property
    def next_due_ns(self) -> int | None:
        """The earliest instant at which something is due."""
        return self._heap[0][0] if self._heap else None

    def pop_due(self, now_ns: int) -> list[Release]:
        """What is due at ``now_ns``, in order of its instant; each entry at most once."""
        due: list[Release] = []
        heap = self._heap
        while heap and heap[0][0] <= now_ns:
            due_ns, index = heap[0]
            period_ns = self._periods_ns[index]
            missed = (now_ns - due_ns) // period_ns
            due_ns += missed * period_ns
            due.append(Release(index, due_ns, missed))
            heapreplace(heap, (due_ns + period_ns, index))
        return due
