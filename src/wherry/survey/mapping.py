"""The map of one table: what can be read and what cannot, exactly, with few requests, for each way of treating holes.

Where any missing address makes a read fail, a refused block is halved down to its longest good beginning; what follows
is looked at one by one until something is there again. So k holes of one register among n cost about
``n / quantity + k * (log2(quantity) + 3)`` reads. A hole of w registers costs w: no read can tell two missing addresses
apart. In a very wide hole only every sixteenth address is tried (``SPARSE``), and the map says what was not looked at.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence

from wherry.survey.asking import Procedure
from wherry.survey.holes import is_filled_up, is_whole
from wherry.survey.items import Holes, Items, State, SurpriseError, runs_of
from wherry.survey.quantity import WIDTHS, good_beginning

WIDE = 256
"""Missing addresses in a row after which only some are tried."""
SPARSE = 16
SPOTS_MAX = 8
ZEROS_MAX = 60
"""Looks at zeros on a device that has refused nothing so far."""


def map_any(items: Items, limit: int | None) -> Procedure[int | None]:
    """A read is refused when anything of it is missing. ``limit``: the quantity, None while it is not known; the limit
    as it was found on the way is returned. SurpriseError when the device behaves otherwise."""
    at, missing = items.low, 0
    while at < items.high:
        count = min(limit or items.most, items.high - at)
        if missing > 1:
            # Inside a hole single reads tell more; only behind its first address the whole rest may be there again.
            count = 1
        if (yield from items.gives(at, count)):
            items.mark(at, at + count, State.READABLE)
            if missing > 1 and not items.table.is_bits and (yield from is_whole(items, at - 2)):
                raise SurpriseError(Holes.UNSPLITTABLE, f"{at - 2} and {at - 1} can only be read together")
            at, missing = at + count, 0
            continue
        good = yield from good_beginning(items, at, count)
        items.mark(at, at + good, State.READABLE)
        missing = 0 if good else missing
        at += good
        if (yield from items.gives(at, 1)):
            # All of it can be read, but not so much at once.
            limit = good
            continue
        if not missing and (yield from is_whole(items, at)):
            raise SurpriseError(Holes.UNSPLITTABLE, f"a value that cannot be split begins at {at}")
        items.mark(at, at + 1, State.ABSENT)
        at, missing = at + 1, missing + 1
        if missing >= WIDE:
            at = yield from _skip(items, at)
            missing = 1 if items.state.get(at - 1) is State.ABSENT else 0
    return limit


def spot_check(items: Items) -> Procedure[None]:
    """Single reads beside the holes and at some other places of a map that was made of blocks: each must give data.
    SurpriseError when one does not, because values cannot be split."""
    if items.table.is_bits:
        return
    runs = items.spans(State.READABLE)
    beside = [at for run in runs[:SPOTS_MAX] for at in (run.start, run.last)]
    every = [at for run in runs for at in range(run.start, run.stop)]
    for at in dict.fromkeys([*beside, *every[:: max(1, len(every) // SPOTS_MAX)]]):
        if not (yield from items.gives(at, 1)):
            raise SurpriseError(Holes.UNSPLITTABLE, f"{at} is refused alone, and given together with others")


def _skip(items: Items, at: int) -> Procedure[int]:
    """Go on through a very wide hole in steps; where it ends, or the end of the range."""
    while at < items.high:
        probe = min(at + SPARSE - 1, items.high - 1)
        if not (yield from items.gives(probe, 1)):
            items.mark(probe, probe + 1, State.ABSENT)
            at = probe + 1
            continue
        low, high = at - 1, probe
        # The longest readable end that reaches up to the probe.
        while high - low > 1:
            middle = (low + high) // 2
            if (yield from items.gives(middle, probe - middle + 1)):
                high = middle
            else:
                low = middle
        items.mark(at, high, State.UNKNOWN)
        items.mark(max(at, high - 1), high, State.ABSENT)
        return high
    return items.high


def map_all(items: Items, limit: int) -> Procedure[None]:
    """A read is refused only when all of it is missing; holes read as zero."""
    zeros: list[tuple[int, int]] = []
    for start in range(items.low, items.high, limit):
        stop = min(start + limit, items.high)
        if not (yield from items.gives(start, stop - start)):
            items.mark(start, stop, State.ABSENT)
            continue
        items.mark(start, stop, State.READABLE)
        words = items.words(start, stop - start)
        zeros += runs_of(start + at for at, word in enumerate(words) if not word)
    if items.table.is_bits:
        zeros = [run for run in zeros if run[1] - run[0] >= SPARSE]
    for start, stop in zeros:
        items.mark(start, stop, State.ZERO)
    queue = deque(zeros)
    while queue:
        start, stop = queue.popleft()
        if not (yield from items.gives(start, stop - start)):
            items.mark(start, stop, State.ABSENT)
        elif stop - start == 1:
            items.mark(start, stop, State.READABLE)
        else:
            middle = (start + stop) // 2
            queue += [(start, middle), (middle, stop)]


def map_starts(items: Items, limit: int) -> Procedure[None]:
    """A read may begin only at certain addresses: each is tried, and what comes with them is covered."""
    for at in range(items.low, items.high):
        if (yield from items.gives(at, 1)):
            items.starts.add(at)
    ordered = sorted(items.starts)
    for at in range(items.low, items.high):
        items.mark(at, at + 1, State.ABSENT)
    for at, following in zip(ordered, [*ordered[1:], items.high], strict=True):
        reach = min(at + limit, items.high)
        # Once from each start, as far as the next one lies, and as far as it goes from the last.
        stop = min(following, reach)
        if (yield from items.gives(at, stop - at)):
            items.mark(at, stop, State.COVERED)
    for at in items.not_zero() | items.starts:
        if items.low <= at < items.high:
            items.mark(at, at + 1, State.READABLE)


def map_wholes(items: Items) -> Procedure[None]:
    """Values of several registers cannot be read in parts: what begins at each address is found by its width."""
    at = items.low
    while at < items.high:
        width = 0
        for each in WIDTHS:
            if (yield from items.gives(at, each)):
                width = each
                break
        if width > 1:
            items.wholes[at] = width
        items.mark(at, at + max(1, width), State.READABLE if width else State.ABSENT)
        at += max(1, width)


def map_zero_fill(items: Items, limit: int) -> Procedure[None]:
    """Nothing is refused: what reads as zero may or may not be there. SurpriseError when something is refused."""
    for start in range(items.low, items.high, limit):
        stop = min(start + limit, items.high)
        if not (yield from items.gives(start, stop - start)):
            raise SurpriseError(None, f"{start} to {stop - 1} was refused")
        items.mark(start, stop, State.READABLE)
    seen = items.not_zero()
    zeros = runs_of(at for at in range(items.low, items.high) if at not in seen)
    if items.table.is_bits:
        return
    yield from _look_at_zeros(items, zeros)
    for start, stop in zeros:
        items.mark(start, stop, State.ZERO)


def _look_at_zeros(items: Items, zeros: Sequence[tuple[int, int]]) -> Procedure[None]:
    """Whether the device refuses nothing indeed where it reads as zero: runs whole, then in halves, wide ones first."""
    queue = deque(sorted(zeros, key=lambda run: run[0] - run[1]))
    looks = 0
    while queue and looks < ZEROS_MAX:
        start, stop = queue.popleft()
        count = min(stop - start, items.most)
        looks += 1
        answer = yield from items.read(start, count, may_fail=True)
        if not answer.is_data and (count == 1 or not (yield from items.gives(start, 1))):
            raise SurpriseError(None, f"{start} to {start + count - 1} was refused")
        if stop - start > 1:
            middle = (start + stop) // 2
            queue += [(start, middle), (middle, stop)]


def map_shift(items: Items, limit: int) -> Procedure[None]:
    """Holes are left out and what is behind them moves up. Blocks that are cut short show where the first one is, and
    single reads where it ends."""
    at = items.low
    while at < items.high:
        at = yield from _shift_block(items, at, min(limit, items.high - at))


def _shift_block(items: Items, start: int, count: int) -> Procedure[int]:
    """Map from ``start`` on as far as one block shows; returns where to go on."""
    if not (yield from items.gives(start, count)):
        raise SurpriseError(None, f"{start} to {start + count - 1} was refused")
    block = items.words(start, count)
    places = [at for at, word in enumerate(block) if word]
    if not places:
        items.mark(start, start + count, State.ZERO)
        return start + count
    # Up to the last place behind which a cut block still ends as it should, nothing is missing.
    agree, differ = -1, count
    if places[-1] == count - 1:
        agree = count - 1
    while between := [at for at in places if agree < at < differ]:
        at = between[-1] if differ == count and agree < 0 else between[len(between) // 2]
        is_filled = yield from is_filled_up(items, start, count, at)
        if is_filled is None:
            places.remove(at)
        elif is_filled:
            differ = at
        else:
            agree = at
    items.mark(start, start + agree + 1, State.READABLE)
    if agree + 1 >= count:
        return start + count
    return (yield from _hole(items, start + agree + 1, count - agree - 1))


def _hole(items: Items, start: int, count: int) -> Procedure[int]:
    """From ``start`` on something may be missing: find what is there again, and which of the zeros before it exist."""
    count = min(items.high - start, max(count, 2))
    at = start
    while at < items.high and at - start < count:
        yield from items.read(at, 1)
        if items.words(at, 1)[0]:
            break
        at += 1
    if at >= items.high or at - start >= count:
        items.mark(start, at, State.ZERO)
        return at
    # ``at`` holds something. Read from each zero on up to it: as many zeros come first as exist.
    exist_behind = 0
    for zero in range(at - 1, start - 1, -1):
        answer = yield from items.read(zero, at - zero + 1)
        words = items.words(zero, at - zero + 1) if answer.is_data else ()
        leading = next((index for index, word in enumerate(words) if word), len(words))
        items.mark(zero, zero + 1, State.READABLE if leading > exist_behind else State.ABSENT)
        exist_behind = leading
    items.mark(at, at + 1, State.READABLE)
    return at + 1 if at == start else at
