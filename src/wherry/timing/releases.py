"""When what is due each period is due first. The engine's schedule and the budget both take it from here."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from wherry.clock import NS_PER_MS


def release_offsets_ns(periods_ns: Sequence[int]) -> list[int]:
    """The first release of each entry, counted from the start.

    Entries of one period are spread evenly over it, so that they do not all ask at the same instant. Of those that are
    due at one instant the one that comes first here is served first.
    """
    same, placed = Counter(periods_ns), Counter[int]()
    offsets_ns: list[int] = []
    for period_ns in periods_ns:
        offset_ns = period_ns * placed[period_ns] // same[period_ns]
        placed[period_ns] += 1
        # Whole milliseconds where that is possible: what falls together is then served by one timer.
        if period_ns >= NS_PER_MS:
            offset_ns -= offset_ns % NS_PER_MS
        offsets_ns.append(offset_ns)
    return offsets_ns
