"""The requests of whole plans: sharing between transfers, the alive point, the status registers, and totality."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wherry.packing.layout import ALIVE, STATUS, Cut, Sweep, layout
from wherry.plan.model import Limits, Plan, Point, Span, Table, Transfer

MakePlan = Callable[..., Plan]
MakeTransfer = Callable[..., Transfer]


def reads(sweep: Sweep) -> list[str]:
    return [str(each.span) for each in sweep.reads]


def test_transfers_of_one_source_and_period_are_read_once(plan: MakePlan, transfer: MakeTransfer) -> None:
    water = transfer("water", [("holding 0", "holding 100"), ("input 3", "holding 101")])
    block = transfer("block", [("holding 0..9", "holding 0..9")])
    slow = transfer("slow", [("holding 0", "holding 200")], period_ns=1_000_000_000)
    first, second = layout(plan(water, block, slow))
    assert (first.source, first.period_ns) == ("skid", 200_000_000)
    assert reads(first) == ["holding 0..9", "input 3"]
    assert [each.reads for each in first.transfers] == [(0, 1), (0,)]
    assert first.reads[0].cuts == (Cut(0, 0, 0, 1), Cut(1, 0, 0, 10))
    assert reads(second) == ["holding 0"]
    assert second.transfers[0].transfer is slow


def test_points_of_other_sweeps_may_be_read_over(plan: MakePlan, transfer: MakeTransfer) -> None:
    fast = transfer("fast", [("holding 0", "holding 100"), ("holding 2", "holding 101")])
    slow = transfer("slow", [("holding 1", "holding 200")], period_ns=1_000_000_000)
    assert reads(layout(plan(fast, slow))[0]) == ["holding 0..2"]
    assert reads(layout(plan(fast))[0]) == ["holding 0", "holding 2"]


def test_the_alive_point_is_read_with_the_sweep(
    plan: MakePlan, transfer: MakeTransfer, point: Callable[[str], Point]
) -> None:
    water = transfer("water", [("holding 0", "holding 100")], alive=point("holding 1"))
    (sweep,) = layout(plan(water))
    assert sweep.reads[0].cuts == (Cut(0, 0, 0, 1), Cut(0, ALIVE, 1, 1))


def test_bits_of_one_register_are_read_once(plan: MakePlan, transfer: MakeTransfer) -> None:
    water = transfer("water", [("holding 12.3", "coil 5"), ("holding 12.4", "coil 6")])
    (sweep,) = layout(plan(water))
    assert reads(sweep) == ["holding 12"]
    assert sweep.reads[0].cuts == (Cut(0, 0, 0, 1), Cut(0, 1, 0, 1))
    assert [str(each.span) for each in sweep.transfers[0].writes] == ["coil 5..6"]


@pytest.mark.parametrize(
    ("start", "limit", "is_merged", "cuts"),
    [
        (101, 123, True, (Cut(0, 0, 0, 1), Cut(0, STATUS, 1, 4))),
        (96, 123, True, (Cut(0, STATUS, 0, 4), Cut(0, 0, 4, 1))),
        (102, 123, False, (Cut(0, 0, 0, 1),)),
        (101, 4, False, (Cut(0, 0, 0, 1),)),
    ],
)
def test_status_registers_ride_along_where_they_fit(
    plan: MakePlan, transfer: MakeTransfer, start: int, limit: int, is_merged: bool, cuts: tuple[Cut, ...]
) -> None:
    water = transfer("water", [("holding 0", "holding 100")], status=Span(Table.HOLDING, start, 4))
    (sweep,) = layout(plan(water, limits=Limits(write_registers=limit)))
    (made,) = sweep.transfers
    assert made.status_in == (0 if is_merged else None)
    assert made.writes[-1].cuts == cuts
    assert made.status_alone is not None
    assert made.status_alone.span == Span(Table.HOLDING, start, 4)
    assert made.status_alone.cuts == (Cut(0, STATUS, 0, 4),)


def test_status_never_rides_on_an_earlier_write(plan: MakePlan, transfer: MakeTransfer) -> None:
    water = transfer(
        "water", [("holding 0", "holding 100"), ("holding 1", "coil 7")], status=Span(Table.HOLDING, 101, 4)
    )
    made = layout(plan(water))[0].transfers[0]
    assert made.status_in is None
    assert [str(each.span) for each in made.writes] == ["holding 100", "coil 7"]


def test_without_status_there_is_no_status_request(plan: MakePlan, transfer: MakeTransfer) -> None:
    made = layout(plan(transfer("water", [("holding 0", "holding 100")])))[0].transfers[0]
    assert made.status_alone is None


def test_a_group_is_read_whole(plan: MakePlan, transfer: MakeTransfer) -> None:
    values = [("holding 0", "holding 100", ""), *((f"holding {at}", f"holding {100 + at}", "g") for at in (1, 2, 3))]
    (sweep,) = layout(plan(transfer("water", values), limits=Limits(read_registers=3)))
    assert reads(sweep) == ["holding 0", "holding 1..3"]


def test_a_group_over_a_gap_needs_the_gap_to_be_readable(plan: MakePlan, transfer: MakeTransfer) -> None:
    made = transfer("water", [("holding 0", "holding 100", "g"), ("holding 9", "holding 101", "g")])
    assert reads(layout(plan(made))[0]) == ["holding 0", "holding 9"]
    # Together although two requests would be cheaper: that is what a group is for.
    (sweep,) = layout(plan(made, readable=(Span(Table.HOLDING, 0, 20),), fixed_ns=0))
    assert reads(sweep) == ["holding 0..9"]


def test_nothing_to_do(plan: MakePlan, transfer: MakeTransfer) -> None:
    assert layout(plan()) == ()
    (sweep,) = layout(plan(transfer("water", [])))
    assert sweep.reads == ()
    assert sweep.transfers[0].writes == ()


WORDS = st.sampled_from(["holding", "input"])
PLACE = st.builds(
    lambda word, at, kind: f"{word} {at}{kind}", WORDS, st.integers(0, 20), st.sampled_from(["", " float32", ".3"])
)
PUT = st.builds(lambda at, kind: f"holding {at}{kind}", st.integers(0, 20), st.sampled_from(["", " float32", ".3"]))
VALUES = st.lists(st.tuples(PLACE, PUT, st.sampled_from(["", "", "g", "h"])), max_size=8)


@settings(max_examples=100, deadline=None)
@given(made=st.lists(VALUES, min_size=1, max_size=3), count_max=st.integers(1, 9))
def test_every_value_is_read_and_written_once_and_whole(
    plan: MakePlan, transfer: MakeTransfer, made: list[Any], count_max: int
) -> None:
    transfers = [transfer(f"transfer {at}", values) for at, values in enumerate(made)]
    whole = plan(*transfers, limits=Limits(read_registers=count_max, write_registers=count_max))
    sweeps = layout(whole)
    assert sweeps == layout(whole)
    (sweep,) = sweeps
    for index, each in enumerate(sweep.transfers):
        values = each.transfer.values
        got = sorted(
            (cut.value, sweep.reads[at].span.start + cut.offset, cut.count)
            for at in each.reads
            for cut in sweep.reads[at].cuts
            if cut.transfer == index
        )
        assert got == [(at, value.take.address, value.take.count) for at, value in enumerate(values)]
        put = [
            (cut.value, request.span.start + cut.offset, cut.count) for request in each.writes for cut in request.cuts
        ]
        assert sorted(put) == [(at, value.put.address, value.put.count) for at, value in enumerate(values)]
        for request in each.writes:
            written = {at for cut in request.cuts for at in range(cut.offset, cut.offset + cut.count)}
            assert written == set(range(request.span.count)), "an undeclared register would be written"
            assert request.span.count <= max(count_max, 2)
