"""Reads are packed at the least cost there is; judged by a search that knows nothing of how the packing works."""

from __future__ import annotations

from collections.abc import Sequence

from hypothesis import given, settings
from hypothesis import strategies as st

from wherry.packing.cost import Cost, cost_of
from wherry.packing.reads import PackedRead, is_covered, join, pack_reads
from wherry.plan.model import Controller, Limits, ResponseTime, Span, Table


def registers(start: int, count: int = 1) -> Span:
    return Span(Table.HOLDING, start, count)


def spans_of(packs: Sequence[PackedRead]) -> list[tuple[int, int]]:
    return [(pack.span.start, pack.span.count) for pack in packs]


DEAR = Cost(1000, 1)
CHEAP = Cost(3, 1)


def test_neighbours_are_read_together() -> None:
    packs = pack_reads([registers(0, 2), registers(2), registers(3, 4)], 125, DEAR)
    assert spans_of(packs) == [(0, 7)]
    assert packs[0].items == (0, 1, 2)


def test_an_undeclared_gap_is_never_read() -> None:
    assert spans_of(pack_reads([registers(0), registers(2)], 125, DEAR)) == [(0, 1), (2, 1)]


def test_a_gap_declared_readable_is_read_when_it_pays() -> None:
    readable = [registers(0, 100)]
    assert spans_of(pack_reads([registers(0), registers(4)], 125, CHEAP, readable)) == [(0, 5)]
    assert spans_of(pack_reads([registers(0), registers(5)], 125, CHEAP, readable)) == [(0, 1), (5, 1)]
    assert spans_of(pack_reads([registers(0), registers(50)], 125, DEAR, readable)) == [(0, 51)]


def test_a_value_is_not_split_at_the_limit() -> None:
    packs = pack_reads([registers(0, 2), registers(2, 2), registers(4, 2)], 5, DEAR)
    assert sorted(span.count for span in (pack.span for pack in packs)) == [2, 4]


def test_equal_and_overlapping_items_share_one_request() -> None:
    packs = pack_reads([registers(7), registers(7), registers(6, 3), registers(8, 2)], 125, DEAR)
    assert spans_of(packs) == [(6, 4)]
    assert sorted(packs[0].items) == [0, 1, 2, 3]


def test_an_item_wider_than_the_limit_stays_whole() -> None:
    packs = pack_reads([registers(0, 9), registers(9), registers(3)], 4, DEAR)
    assert spans_of(packs) == [(0, 9), (3, 1), (9, 1)]


def test_nothing_to_read() -> None:
    assert pack_reads([], 125, DEAR) == ()


def test_equal_cost_takes_fewer_requests() -> None:
    # One gap register costs as much as a second request.
    assert spans_of(pack_reads([registers(0), registers(4)], 125, CHEAP, [registers(0, 5)])) == [(0, 5)]


def test_cost_comes_from_the_controller() -> None:
    slow = Controller(
        "skid", "10.20.0.11", response=ResponseTime(5_000_000, 32_000, True), limits=Limits(gap_ns=1_000_000)
    )
    assert cost_of(slow, Table.HOLDING).of(10) == 6_000_000 + 320_000
    assert cost_of(slow, Table.COIL).of(10) == 6_000_000 + 20_000
    rated = Controller("skid", "10.20.0.11", limits=Limits(requests_per_s=10))
    assert cost_of(rated, Table.HOLDING).fixed_ns == 100_000_000


def test_join_and_is_covered() -> None:
    union = join([registers(5, 2), registers(0, 3), registers(2, 2), registers(7)])
    assert union == [registers(0, 4), registers(5, 3)]
    assert is_covered(registers(1, 3), union)
    assert not is_covered(registers(3, 2), union)
    assert not is_covered(registers(4), union)
    assert not is_covered(Span(Table.COIL, 1, 1), union)


# The judge: over a map of a few addresses, try every set of requests that could matter.


def least_cost(items: Sequence[Span], count_max: int, cost: Cost, allowed: set[int]) -> tuple[int, int]:
    """Least (cost, requests) by trying, for the first item not yet read, every request that holds it."""
    wanted = sorted({(item.start, item.stop) for item in items})

    def search(left: list[tuple[int, int]], best: tuple[int, int], spent: tuple[int, int]) -> tuple[int, int]:
        if spent >= best:
            return best
        if not left:
            return spent
        first, last = left[0]
        for start in range(first + 1):
            for stop in range(last, start + count_max + 1):
                if all(address in allowed for address in range(start, stop)):
                    rest = [(a, b) for a, b in left if not (start <= a and b <= stop)]
                    more = (spent[0] + cost.fixed_ns + cost.per_item_ns * (stop - start), spent[1] + 1)
                    best = search(rest, best, more)
        return best

    return search(wanted, (1 << 60, 0), (0, 0))


@st.composite
def small_maps(draw: st.DrawFn) -> tuple[list[Span], int, Cost, list[Span]]:
    count_max = draw(st.integers(1, 8))
    item = st.tuples(st.integers(0, 11), st.integers(1, min(4, count_max))).map(lambda pair: registers(*pair))
    items = draw(st.lists(item, min_size=1, max_size=6))
    readable = draw(
        st.lists(st.tuples(st.integers(0, 13), st.integers(1, 6)).map(lambda pair: registers(*pair)), max_size=2)
    )
    cost = Cost(draw(st.integers(0, 6)), draw(st.integers(0, 3)))
    return items, count_max, cost, readable


@settings(max_examples=150, deadline=None)
@given(small_maps())
def test_no_choice_of_requests_is_cheaper(case: tuple[list[Span], int, Cost, list[Span]]) -> None:
    items, count_max, cost, readable = case
    packs = pack_reads(items, count_max, cost, readable)
    allowed = {address for span in (*items, *readable) for address in range(span.start, span.stop)}
    for pack in packs:
        assert pack.span.count <= count_max
        assert allowed.issuperset(range(pack.span.start, pack.span.stop))
        for index in pack.items:
            assert pack.span.start <= items[index].start
            assert items[index].stop <= pack.span.stop
    assert sorted(index for pack in packs for index in pack.items) == list(range(len(items)))
    assert list(packs) == sorted(packs, key=lambda pack: pack.span)
    assert (sum(cost.of(pack.span.count) for pack in packs), len(packs)) == least_cost(items, count_max, cost, allowed)


def test_ten_thousand_points() -> None:
    items = [registers(6 * index, 1 + index % 3) for index in range(10_000)]
    packs = pack_reads(items, 125, Cost(5_000_000, 20_000), [registers(0, 60_000)])
    assert sum(len(pack.items) for pack in packs) == 10_000
    assert all(pack.span.count <= 125 for pack in packs)
    # 20 or 21 points fit in 125 registers: no choice has fewer requests, and a request is the dearest part.
    assert 10_000 / 21 <= len(packs) <= 10_000 / 20
