"""Which of six ways a device treats addresses at which nothing is.

Whoever sees a refused single read ``b`` and a good one ``g`` near it can ask for both together. A device that refuses
when *any* address is missing refuses ``g..b`` and ``b..g``; one that refuses only when *all* are missing gives both;
one that lets reads begin only at certain addresses gives ``g..b`` and refuses ``b..g``. Values that cannot be split
give themselves away by a pair that is given while each of its halves is refused. Where nothing is refused, blocks are
cut short and held against themselves and against single reads: what comes from another place has been shifted.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from wherry.survey.asking import Procedure
from wherry.survey.items import Holes, Items, runs_of
from wherry.survey.quantity import WIDTHS, Foothold, good_beginning

NEAR = 12
"""How far from a refused address a good one is looked for."""
EXPLORED_MAX = 64
"""Single reads to find a refused address between two good ones."""
TRIED_MAX = 6
"""Refused addresses that are tried before it is left undecided."""
WINDOW = 16
"""Words before a place that must differ from it."""


def classify(items: Items, foothold: Foothold, count_good: int, hints: Sequence[int] = ()) -> Procedure[Holes | None]:
    """The behaviour; None when no address was met at which nothing is (and nothing reads as zero). ``hints`` are
    addresses that were found to be refused, near others that were not."""
    whole = yield from is_whole(items, foothold.start)
    if whole:
        return Holes.UNSPLITTABLE
    tried: set[int] = set()
    undecided: Holes | None = None
    for stage in (_hinted(hints), _near(items, foothold, count_good), _suspected(items), _anywhere(items, count_good)):
        for bad in (yield from stage):
            if bad in tried or len(tried) >= TRIED_MAX:
                continue
            tried.add(bad)
            verdict, is_sure = yield from _judge(items, bad, count_good)
            if is_sure:
                return verdict
            undecided = undecided or verdict
        if len(tried) > 1:
            break
    if tried:
        between = yield from _between(items, count_good)
        if between is not None:
            verdict, is_sure = yield from _judge(items, between, count_good)
            undecided = verdict if is_sure else undecided
        return undecided or Holes.ANY
    shifted = yield from is_shifted(items)
    if shifted:
        return Holes.SHIFT
    seen = {at for start, count in items.given() for at in range(start, start + count)}
    is_zero = not items.table.is_bits and bool(seen - items.not_zero())
    return Holes.ZERO_FILL if is_zero else None


def is_whole(items: Items, address: int) -> Procedure[bool]:
    """Whether a value of several registers begins at ``address`` that cannot be read in parts."""
    if items.table.is_bits or not items.low <= address < items.high or (yield from items.gives(address, 1)):
        return False
    for width in WIDTHS[1:]:
        if (yield from items.gives(address, width)):
            for part in range(address + 1, address + width):
                if (yield from items.gives(part, 1)):
                    return False
            return True
    return False


def _hinted(hints: Sequence[int]) -> Procedure[list[int]]:
    """What somebody else has found."""
    yield from ()
    return list(hints)[:TRIED_MAX]


def _near(items: Items, foothold: Foothold, count_good: int) -> Procedure[list[int]]:
    """Refused single addresses right behind the first place that gave data, and where a longer read was refused."""
    start, found = foothold.start, []
    near = [start + 1, start + 2, start + 3] if foothold.count == 1 else []
    if items.was_refused(start, count_good + 1):
        near.insert(0, start + count_good)
    for address in near:
        if items.low <= address < items.high and not (yield from items.gives(address, 1)):
            found.append(address)  # noqa: PERF401 - no comprehension may wait for an answer
    return found


def _suspected(items: Items) -> Procedure[list[int]]:
    """Refused ones among the middles of runs of zeros in what was read already."""
    found: list[int] = []
    for address in _suspects(items):
        if len(found) < 2 and not (yield from items.gives(address, 1)):
            found.append(address)
    return found


def _anywhere(items: Items, count_good: int) -> Procedure[list[int]]:
    """Refused ones anywhere, by blocks."""
    found: list[int] = []
    at = items.low
    while at < items.high and len(found) < TRIED_MAX // 2:
        count = min(max(1, count_good), items.high - at)
        gives = yield from items.gives(at, count)
        if not gives:
            at += yield from good_beginning(items, at, count)
            count = min(count, items.high - at)
        for address in _zeros_inside(items, at, count) if gives else (at, at + count - 1):
            if len(found) < TRIED_MAX and address not in found and not (yield from items.gives(address, 1)):
                found.append(address)
        at += count
    return found


def _between(items: Items, count_good: int) -> Procedure[int | None]:
    """A refused address between two good ones that can be read together, if that is, looked for one by one."""
    looks = 0
    for good in sorted(start for start, count in items.given() if count == 1):
        bad: int | None = None
        for at in range(good + 1, min(good + count_good, items.high)):
            looks += (at, 1) not in items.known
            if looks > EXPLORED_MAX:
                return None
            gives = yield from items.gives(at, 1)
            if gives and bad is not None:
                return bad
            if gives:
                break
            bad = at
    return None


def _suspects(items: Items) -> list[int]:
    """The middles of runs of zeros in what was read already, the longest first."""
    middles: dict[int, int] = {}
    for start, count in items.given():
        for low, high in _zero_runs(items, start, count):
            middles[(low + high) // 2] = high - low
    return sorted(middles, key=lambda at: -middles[at])[:TRIED_MAX]


def _zero_runs(items: Items, start: int, count: int) -> list[tuple[int, int]]:
    words = items.words(start, count)
    return runs_of(start + at for at, word in enumerate(words) if not word)


def _zeros_inside(items: Items, start: int, count: int) -> Iterator[int]:
    """Addresses of a block that are worth a single read."""
    runs = sorted(_zero_runs(items, start, count), key=lambda run: run[0] - run[1])
    for low, high in runs[:2]:
        yield from dict.fromkeys(((low + high) // 2, low))


def _judge(items: Items, bad: int, count_good: int) -> Procedure[tuple[Holes, bool]]:
    """What a refused address tells, and whether that is sure."""
    left = yield from _near_good(items, bad, -1, count_good)
    right = yield from _near_good(items, bad, +1, count_good)
    from_left = None if left is None else (yield from items.gives(left, bad - left + 1))
    from_right = None if right is None else (yield from items.gives(bad, right - bad + 1))
    if from_left and from_right:
        return Holes.ALL, True
    # A value that cannot be split may lie around it, or be all that there is near it.
    for width in WIDTHS[1:]:
        for address in range(bad - width + 1, bad + 1):
            gives = address >= items.low and (yield from items.gives(address, width))
            if gives and (yield from is_whole(items, address)):
                return Holes.UNSPLITTABLE, True
    if from_left and from_right is False:
        return Holes.START_ONLY, True
    if from_left is False and from_right is not True:
        return Holes.ANY, from_right is False
    if from_left is False:
        return Holes.ANY, False
    if from_right:
        return Holes.ALL, True
    return (Holes.ALL, False) if from_left else (Holes.ANY, False)


def _near_good(items: Items, bad: int, side: int, count_good: int) -> Procedure[int | None]:
    """The nearest address on one side that gives data by itself, near enough to be read together with ``bad``."""
    reach = min(NEAR, count_good - 1)
    for distance in range(1, reach + 1):
        if (yield from items.gives(bad + side * distance, 1)):
            return bad + side * distance
    known = [start for start, count in items.given() if count == 1 and 0 < side * (start - bad) < count_good]
    return min(known, key=lambda each: abs(each - bad), default=None)


# Shifting.
#
# A device that leaves out what is missing has to fill up the end of its reply, and does so with zeros. So a block that
# is cut right behind its last word that is not zero must end with that word again, whatever the words are, unless
# something before it is missing: then it is the end that is filled up. Nothing else about the words is needed; that
# single reads are held against one place of each block as well finds devices that fill up with something else.


def is_shifted(items: Items) -> Procedure[bool]:
    """Whether any block gives what stands elsewhere."""
    if items.table.is_bits:
        return False
    for start, count in sorted(each for each in items.given() if each[1] > 1):
        places = telling_places(items.words(start, count))
        last = max((at for at, word in enumerate(items.words(start, count)) if word), default=None)
        if last is not None and last < count - 1 and (yield from is_filled_up(items, start, count, last)):
            return True
        if places and (yield from differs_at(items, start, count, places[-1])):
            return True
    return False


def is_filled_up(items: Items, start: int, count: int, at: int) -> Procedure[bool | None]:
    """Whether a block that is cut behind place ``at``, where it is not zero, ends with zero; None while that moves."""
    cut = yield from items.read(start, at + 1)
    if not cut.is_data:
        return None
    if items.words(start, at + 1)[at]:
        return False
    # It may have become zero in between: once more, both.
    block = yield from items.read(start, count, anew=True)
    again = yield from items.read(start, at + 1, anew=True)
    if not (block.is_data and again.is_data) or not items.words(start, count)[at]:
        return None
    return not items.words(start, at + 1)[at]


def telling_places(block: Sequence[int]) -> list[int]:
    """Where a block holds something that is not zero and did not stand in the words before it: if those were moved up,
    a single read would show it."""
    return [at for at, word in enumerate(block) if word and word not in block[max(0, at - WINDOW) : at]]


def differs_at(items: Items, start: int, count: int, at: int) -> Procedure[bool | None]:
    """Whether place ``at`` of a block gives something else than its own address alone; None while it moves."""
    block = items.words(start, count)[at]
    single = yield from items.read(start + at, 1)
    if not single.is_data:
        return None
    if items.words(start + at, 1)[0] == block:
        return False
    # It may have moved in between: both once more, and each must be what it was.
    before = items.words(start + at, 1)[0]
    again = yield from items.read(start, count, anew=True)
    once_more = yield from items.read(start + at, 1, anew=True)
    if not (again.is_data and once_more.is_data):
        return None
    if items.words(start, count)[at] != block or items.words(start + at, 1)[0] != before:
        return None
    return True
