"""A first place that can be read, and how much can be read at once."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from wherry.survey.asking import Procedure
from wherry.survey.items import Holes, Items, State

WIDTHS = (1, 2, 4)
"""Registers of a single value (16, 32 and 64 bits)."""
SOME = 16
WIDE_MAX = 64
"""Addresses at each of which wider values are looked for in a table that seems to be empty."""
ROOM = 32
"""Items that should lie behind a foothold."""
MORE_MAX = 400
"""Places that are looked at for a better one when the first is too near the end."""


@dataclass(frozen=True, slots=True)
class Foothold:
    """A place that can be read, in as few items as it gives."""

    start: int
    count: int


@dataclass(frozen=True, slots=True)
class Limit:
    """The most items in one read. ``is_proved``: one more was refused although all of it can be read in smaller pieces,
    or the standard allows no more. Else ``count`` is only known to be possible. ``refusal``: how more was refused."""

    count: int
    is_proved: bool
    refusal: str = ""


def find_foothold(items: Items) -> Procedure[Foothold | None]:
    """The first place that gives data and has room behind it to try more; else the first of all, None when there is
    none."""
    first: Foothold | None = None
    looks = 0
    for start, count in _candidates(items):
        if first is not None:
            looks += 1
            if looks > MORE_MAX or start >= first.start:
                continue
        if not (yield from items.gives(start, count)):
            continue
        found = yield from _smallest(items, start, count)
        if found.start + ROOM <= items.high:
            return found
        first = first or found
    return first


def _candidates(items: Items) -> Iterator[tuple[int, int]]:
    low, high, most = items.low, items.high, items.most
    for width in WIDTHS:
        yield low, width
    for start in range(low, high, most):
        yield start, min(most, high - start)
    for start in range(low, high, SOME):
        yield start, min(SOME, high - start)
    # Single addresses from coarse to fine, so that a budget that ends early has seen something of everything.
    for step in (SOME, SOME // 4, 1):
        for start in range(low, high, step):
            yield start, 1
    # Values that cannot be split, should there be nothing else.
    for width in WIDTHS[1:]:
        for start in (*range(low, min(low + WIDE_MAX, high)), *range(low + WIDE_MAX, high, SOME)):
            yield start, width


def _smallest(items: Items, start: int, count: int) -> Procedure[Foothold]:
    words = items.words(start, count)
    at = next((at for at, word in enumerate(words) if word), 0)
    for address in dict.fromkeys((start, start + at, start + at - 1)):
        for width in WIDTHS:
            if address < start or width >= count:
                continue
            gives = yield from items.gives(address, width)
            if gives:
                return Foothold(address, width)
    return Foothold(start, count)


def first_limit(items: Items, foothold: Foothold) -> Procedure[int]:
    """By halving: a count that gives data from the foothold on, while one more does not. Whether that is the limit or a
    hole is not known yet."""
    start = foothold.start
    most = min(items.most, items.high - start)
    good, bad = foothold.count, most + 1
    ask = most
    while bad - good > 1:
        answer = yield from items.read(start, ask, may_fail=True)
        if answer.is_data:
            good = ask
        else:
            bad = ask
        ask = (good + bad) // 2
    return good


def good_beginning(items: Items, start: int, count: int) -> Procedure[int]:
    """How many items from ``start`` on can be read, of ``count`` that cannot."""
    good, bad = 0, count
    if count > 1 and not (yield from items.gives(start, 1)):
        return 0
    good = min(1, count - 1)
    while bad - good > 1:
        middle = (good + bad) // 2
        if (yield from items.gives(start, middle)):
            good = middle
        else:
            bad = middle
    return good


def proved_here(items: Items, start: int, good: int) -> Procedure[bool]:
    """Whether it is the limit that stops a read at ``good`` items from ``start`` on, and not a hole."""
    if good >= items.most or start + good >= items.high:
        return False
    more = items.known.get((start, good + 1))
    if more is None or more.is_data:
        return False
    single = yield from items.read(start + good, 1)
    return single.is_data or single.refusal != more.refusal


def last_limit(items: Items, holes: Holes | None) -> Procedure[Limit]:
    """The limit, now that the map is known: in the longest run, cut only where it may be cut."""
    run, counts = longest_read(items, holes)
    if not counts:
        given = [count for _, count in items.given()]
        return Limit(max(given, default=0), False)
    low, high = -1, len(counts)
    while high - low > 1:
        middle = (low + high) // 2 if low >= 0 or high < len(counts) else high - 1
        answer = yield from items.read(run, counts[middle], may_fail=True)
        if answer.is_data:
            low = middle
        else:
            high = middle
    given = [count for _, count in items.given()]
    best = max(given, default=0)
    if high == len(counts):
        return Limit(best, best >= items.most)
    bad = counts[high]
    refusal = items.known[run, bad].refusal
    if holes is Holes.UNSPLITTABLE:
        # Between two cuts of values that cannot be split the limit may be anything; another run may tell.
        for count in range(best + 1, bad):
            at = _run_with(items, count)
            if at is None:
                continue
            answer = yield from items.read(at, count, may_fail=True)
            if not answer.is_data:
                bad, refusal = count, answer.refusal
                break
            best = count
    return Limit(best, best + 1 == bad, refusal)


def _run_with(items: Items, count: int) -> int | None:
    """Where so many items can be read without splitting a value."""
    for span in items.spans(State.READABLE):
        for start in range(span.start, span.stop):
            if not any(at < start < at + items.wholes.get(at, 1) for at in range(start - 3, start)):
                most = min(count, span.stop - start)
                if most == count and count in _cuts(items, start, most):
                    return start
    return None


def longest_read(items: Items, holes: Holes | None) -> tuple[int, Sequence[int]]:
    """Where the longest read could begin, and the counts that it could have."""
    if holes is Holes.START_ONLY:
        start = min(items.starts, default=items.low)
        return start, range(1, min(items.most, items.high - start) + 1) if items.starts else ()
    states = (State.READABLE,) if holes in (Holes.ANY, Holes.UNSPLITTABLE) else (State.READABLE, State.ZERO)
    spans = items.spans(*states)
    if not spans:
        return items.low, ()
    if holes in (Holes.ANY, Holes.UNSPLITTABLE, None):
        longest = max(spans, key=lambda each: each.count)
        if holes is not Holes.UNSPLITTABLE:
            return longest.start, range(1, min(items.most, longest.count) + 1)
        return longest.start, _cuts(items, longest.start, min(items.most, longest.count))
    # Holes may be read over here, as long as the read begins at something.
    start = spans[0].start
    return start, range(1, min(items.most, items.high - start) + 1)


def _cuts(items: Items, start: int, most: int) -> list[int]:
    """The counts from ``start`` on at which no value is split."""
    cuts, at = [], start
    while at - start < most:
        at += items.wholes.get(at, 1)
        if at - start <= most:
            cuts.append(at - start)
    return cuts
