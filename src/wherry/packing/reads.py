"""Which few requests read many points: the cheapest choice there is, not a good guess.

Each point must lie whole in one request. A request holds at most ``count_max`` items and covers nothing but declared
points and spans that are declared readable. Points may overlap or be equal; they then share what is read.

Why a row of neighbours is enough: leave out every point that lies inside another one, as it comes for free. The rest,
sorted, has rising starts and rising ends. If a request covers the first and the third of three such points, it covers
the second too. So some best choice cuts the sorted row into neighbouring pieces, and with

    best(j) = min over i of  best(i - 1) + fixed + per_item * (stop(j) - start(i)),   stop(j) - start(i) <= count_max

the term in ``i`` does not depend on ``j`` and the permitted ``i`` form a window that only moves on: a queue of
candidates with rising cost gives each minimum in constant time. Sorting is the dearest part: n log n.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import deque
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from wherry.packing.cost import Cost
from wherry.plan.model import Span


@dataclass(frozen=True, slots=True)
class PackedRead:
    """One request: what it reads, and the positions of the items (as given) that are cut out of it."""

    span: Span
    items: tuple[int, ...]


def pack_reads(
    items: Sequence[Span], count_max: int, cost: Cost, readable: Iterable[Span] = ()
) -> tuple[PackedRead, ...]:
    """The cheapest requests for ``items``, all of one table, sorted by address.

    Among equally cheap choices the one with fewer requests is taken. ``readable`` are spans of the same table that may
    be read although no item lies there. An item of more than ``count_max`` is never split: it gets a request of its
    own, which is then longer than the device permits. Whoever judges the plan must refuse it.
    """
    union = join((*items, *readable))
    return pack_in_runs(items, count_max, cost, [span.start for span in union])


def pack_in_runs(
    items: Sequence[Span], count_max: int, cost: Cost, run_starts: Sequence[int]
) -> tuple[PackedRead, ...]:
    """The same, where the union of all that may be read is known already: ``run_starts`` are the starts of its runs.

    The union covers every item. Many packings of one table can share it.
    """
    assert count_max > 0, "a request holds at least one item"
    order = sorted(range(len(items)), key=lambda index: (items[index].start, -items[index].count))
    own = [index for index in order if items[index].count > count_max]
    packs = [PackedRead(items[index], (index,)) for index in own]
    order = [index for index in order if items[index].count <= count_max]
    if not order:
        return tuple(packs)
    outer, members = _leave_out_inner(items, order)
    assert len({each.table for each in items}) == 1, "one table at a time"
    starts = [items[index].start for index in outer]
    stops = [items[index].stop for index in outer]
    runs = [bisect_right(run_starts, start) for start in starts]
    for first, last in _cut(starts, stops, runs, count_max, cost):
        span = Span(items[outer[first]].table, starts[first], stops[last] - starts[first])
        packs.append(PackedRead(span, tuple(index for at in range(first, last + 1) for index in members[at])))
    packs.sort(key=lambda pack: (pack.span.start, pack.span.count))
    return tuple(packs)


def _leave_out_inner(items: Sequence[Span], order: Sequence[int]) -> tuple[list[int], list[list[int]]]:
    """The items that lie in no other one, and for each of them all items that come with it (itself among them)."""
    outer: list[int] = []
    members: list[list[int]] = []
    for index in order:
        if outer and items[index].stop <= items[outer[-1]].stop:
            members[-1].append(index)
        else:
            outer.append(index)
            members.append([index])
    return outer, members


def _cut(
    starts: Sequence[int], stops: Sequence[int], runs: Sequence[int], count_max: int, cost: Cost
) -> list[tuple[int, int]]:
    """First and last item of each request, in order. Starts and stops rise; a request stays inside one run."""
    best: list[tuple[int, int]] = [(0, 0)]  # cost and number of requests for the items before this one
    first_of: list[int] = []
    window: deque[tuple[tuple[int, int], int]] = deque()  # what a request that begins at this item adds to, rising
    for last, stop in enumerate(stops):
        cost_before, requests_before = best[last]
        offer = (cost_before - cost.per_item_ns * starts[last], requests_before)
        while window and window[-1][0] > offer:
            window.pop()
        window.append((offer, last))
        while stop - starts[window[0][1]] > count_max or runs[window[0][1]] != runs[last]:
            window.popleft()
        (base, requests), first = window[0]
        best.append((base + cost.fixed_ns + cost.per_item_ns * stop, requests + 1))
        first_of.append(first)
    cuts: list[tuple[int, int]] = []
    last = len(stops) - 1
    while last >= 0:
        cuts.append((first_of[last], last))
        last = first_of[last] - 1
    cuts.reverse()
    return cuts


def join(spans: Iterable[Span]) -> list[Span]:
    """The union of spans of one table: sorted, overlapping and touching ones joined."""
    joined: list[Span] = []
    for span in sorted(spans):
        if joined and joined[-1].table is span.table and span.start <= joined[-1].stop:
            if span.stop > joined[-1].stop:
                joined[-1] = Span(span.table, joined[-1].start, span.stop - joined[-1].start)
        else:
            joined.append(span)
    return joined


def is_covered(span: Span, union: Sequence[Span]) -> bool:
    """Whether a span lies whole inside one member of a union made by ``join``."""
    at = bisect_right(union, (span.table, span.start), key=lambda each: (each.table, each.start)) - 1
    return at >= 0 and union[at].table is span.table and span.stop <= union[at].stop
