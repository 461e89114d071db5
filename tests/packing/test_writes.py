"""Writes: adjacent declared places only, in the declared order, nothing torn; judged by trying every way to cut."""

from __future__ import annotations

from collections.abc import Callable

from hypothesis import given, settings
from hypothesis import strategies as st

from wherry.packing.units import Unit, write_units
from wherry.packing.writes import PackedWrite, pack_writes
from wherry.plan.model import Limits, Span, Table, Transfer


def pack(transfer: Transfer, limits: Limits | None = None) -> tuple[PackedWrite, ...]:
    limits = limits or Limits()
    units, _ = write_units(transfer, limits)
    return pack_writes(units, limits)


def texts(packs: tuple[PackedWrite, ...]) -> list[str]:
    return [f"{each.span}{' mask' if each.is_mask else ''}" for each in packs]


def test_places_that_follow_one_another_go_together(transfer: Callable[..., Transfer]) -> None:
    made = transfer(
        "water", [("holding 0", "holding 100"), ("holding 9", "holding 101 float32"), ("holding 3", "holding 103")]
    )
    assert texts(pack(made)) == ["holding 100..103"]


def test_a_gap_is_never_written(transfer: Callable[..., Transfer]) -> None:
    made = transfer("water", [("holding 0", "holding 100"), ("holding 1", "holding 102")])
    assert texts(pack(made)) == ["holding 100", "holding 102"]


def test_the_declared_order_is_kept(transfer: Callable[..., Transfer]) -> None:
    # The trigger word at 50 is declared between the two: neither may pass it.
    made = transfer("water", [("holding 0", "holding 100"), ("holding 1", "holding 50"), ("holding 2", "holding 101")])
    assert texts(pack(made)) == ["holding 100", "holding 50", "holding 101"]


def test_overlapping_places_are_never_joined(transfer: Callable[..., Transfer]) -> None:
    made = transfer(
        "water", [("holding 0", "holding 100 float32"), ("holding 2", "holding 101"), ("holding 3", "holding 101")]
    )
    assert texts(pack(made)) == ["holding 100..101", "holding 101", "holding 101"]


def test_limits_cut_between_values(transfer: Callable[..., Transfer]) -> None:
    made = transfer("water", [(f"holding {2 * at}", f"holding {2 * at} float32") for at in range(4)])
    assert texts(pack(made, Limits(write_registers=5))) == ["holding 0..3", "holding 4..7"]
    assert texts(pack(made, Limits(write_registers=1))) == [
        "holding 0..1",
        "holding 2..3",
        "holding 4..5",
        "holding 6..7",
    ]


def test_bits_have_their_own_limit(transfer: Callable[..., Transfer]) -> None:
    made = transfer("water", [(f"coil {at}", f"coil {at}") for at in range(5)])
    assert texts(pack(made, Limits(write_bits=3, write_registers=1))) == ["coil 0..2", "coil 3..4"]


def test_bits_of_one_register_go_in_one_mask_write(transfer: Callable[..., Transfer]) -> None:
    made = transfer(
        "water",
        [("coil 0", "holding 5.0"), ("holding 1", "holding 6"), ("coil 1", "holding 5.3"), ("coil 2", "holding 7.1")],
    )
    packs = pack(made)
    assert texts(packs) == ["holding 6", "holding 5 mask", "holding 7 mask"]
    assert packs[1].units[0].values == (0, 2)


def test_a_group_goes_in_one_request_where_its_last_value_is_declared(transfer: Callable[..., Transfer]) -> None:
    made = transfer(
        "water", [("holding 0", "holding 11", "flow"), ("holding 9", "holding 50"), ("holding 1", "holding 10", "flow")]
    )
    packs = pack(made)
    assert texts(packs) == ["holding 50", "holding 10..11"]
    assert packs[1].units[0].values == (0, 2)


def test_a_group_is_not_cut_by_the_limit(transfer: Callable[..., Transfer]) -> None:
    made = transfer(
        "water", [("holding 0", "holding 10"), ("holding 1", "holding 11", "flow"), ("holding 2", "holding 12", "flow")]
    )
    assert texts(pack(made, Limits(write_registers=2))) == ["holding 10", "holding 11..12"]


def test_groups_that_cannot_be_kept_are_reported_and_packed_singly(transfer: Callable[..., Transfer]) -> None:
    cases = [
        ([("holding 0", "holding 10", "g"), ("holding 1", "holding 12", "g")], "do not follow one another"),
        ([("holding 0", "holding 10", "g"), ("coil 1", "coil 11", "g")], "two tables"),
        ([("holding 0", "holding 10", "g"), ("coil 1", "holding 11.0", "g")], "single bits"),
        ([("coil 0", "holding 10.0", "g"), ("holding 1", "holding 11", "g")], "single bits"),
        ([("coil 0", "holding 10.0", "g"), ("coil 1", "holding 11.0", "g")], "single bits"),
        ([("holding 0", "holding 10 float32", "g"), ("holding 2", "holding 12 float32", "g")], "one write takes 3"),
        ([("holding 0", "holding 10", "g"), ("holding 1", "holding 10", "g")], "do not follow one another"),
    ]
    for values, reason in cases:
        made = transfer("water", values)
        units, problems = write_units(made, Limits(write_registers=3))
        assert [each.values for each in units] == [(0,), (1,)], values
        assert len(problems) == 1, values
        assert reason in problems[0].reason
        assert problems[0].value == 1


def test_a_group_of_bits_of_one_register_is_kept(transfer: Callable[..., Transfer]) -> None:
    made = transfer("water", [("coil 0", "holding 10.0", "g"), ("coil 1", "holding 10.9", "g")])
    units, problems = write_units(made, Limits())
    assert problems == ()
    assert units == (Unit(Span(Table.HOLDING, 10, 1), (0, 1), is_mask=True),)


# The judge: every way to cut the list into neighbouring pieces.


def fewest_requests(units: list[Unit], count_max: int) -> int:
    def may_go_together(piece: list[Unit]) -> bool:
        if len(piece) == 1:
            return True
        places = [address for unit in piece for address in range(unit.span.start, unit.span.stop)]
        in_a_row = places == list(range(places[0], places[0] + len(places)))
        return in_a_row and len(places) <= count_max and not any(unit.is_mask for unit in piece)

    best = [0]
    for last in range(len(units)):
        best.append(min(best[first] + 1 for first in range(last + 1) if may_go_together(units[first : last + 1])))
    return best[-1]


@settings(max_examples=150, deadline=None)
@given(
    st.lists(st.tuples(st.integers(0, 2), st.integers(1, 3), st.booleans()), min_size=1, max_size=10), st.integers(1, 6)
)
def test_no_permitted_cut_has_fewer_requests(row: list[tuple[int, int, bool]], count_max: int) -> None:
    units: list[Unit] = []
    at = 10
    for index, (skip, count, is_mask) in enumerate(row):
        at += (0, 0, 1)[skip]
        units.append(Unit(Span(Table.HOLDING, at, 1 if is_mask else count), (index,), is_mask))
        at += units[-1].span.count
    packs = pack_writes(units, Limits(write_registers=count_max))
    assert [unit for each in packs for unit in each.units] == units
    assert len(packs) == fewest_requests(units, count_max)
