"""Exchange blocks: the fewest requests that there can be, and nothing in the way."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import permutations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wherry.budget.exchange_block import best_order, changed, first_fit_decreasing, propose, requests_of
from wherry.checks.check import check
from wherry.errors import LocalError
from wherry.findings import Level
from wherry.packing.layout import Sweep, layout
from wherry.plan import load, loads
from wherry.plan.loading import Loaded
from wherry.plan.model import Plan

Scattered = Callable[..., str]


def least(plan: Plan, sweep: Sweep, controller: str, *, with_signs: bool = True) -> int:
    """A bound that no layout can be below: the registers that must travel, by how many fit into a request."""
    limits = plan.controller(controller).limits
    bound = 0
    if sweep.source == controller:
        values = [value for each in sweep.transfers for value in each.transfer.values]
        in_words = sum(value.take.count for value in values if value.take.bit is None)
        flags = sum(value.take.bit is not None for value in values)
        registers = in_words + -(-flags // 16) + with_signs
        bound += -(-registers // limits.read_registers)
    for each in sweep.transfers:
        if each.transfer.destination == controller:
            values = list(each.transfer.values)
            words = sum(value.put.count for value in values if not value.put.table.is_bits) + 4 * with_signs
            coils = sum(value.put.count for value in values if value.put.table.is_bits)
            bound += -(-words // limits.write_registers) + -(-coils // limits.write_bits)
    return bound


def asked(sweep: Sweep, controller: str) -> int:
    """Requests of one cycle at a controller."""
    count = len(sweep.reads) if sweep.source == controller else 0
    for each in sweep.transfers:
        if each.transfer.destination == controller:
            count += len(each.writes) + (each.status_alone is not None and each.status_in is None)
    return count


def errors(loaded: Loaded) -> list[str]:
    return [each.message for each in check(loaded) if each.level is Level.ERROR]


@pytest.mark.parametrize("limits", ["", "limits = { read = 60, write = 60 }", "limits = { read = 32, write = 28 }"])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_scattered_plan_of_300_values_needs_the_fewest_requests(scattered: Scattered, seed: int, limits: str) -> None:
    loaded = loads(scattered(300, seed, limits=limits), "plan.toml")
    assert errors(loaded) == []
    proposal = propose(loaded.plan, {"hall": None, "skid": None})
    new = changed(loaded.plan, proposal)
    for before, after in zip(layout(loaded.plan), layout(new), strict=True):
        for controller in ("hall", "skid"):
            assert asked(after, controller) == least(new, after, controller)
            assert asked(before, controller) > asked(after, controller)


def exhaustive(widths: Sequence[int], capacity: int) -> int:
    return min(requests_of(order, capacity) for order in permutations(widths))


@pytest.mark.slow
@given(st.lists(st.sampled_from([1, 2, 4]), min_size=1, max_size=7), st.integers(4, 9))
@settings(max_examples=300, deadline=None)
def test_no_order_needs_fewer_requests(widths: list[int], capacity: int) -> None:
    order = best_order(widths, capacity)
    assert sorted(order) == list(range(len(widths)))
    assert requests_of([widths[at] for at in order], capacity) == exhaustive(widths, capacity)


@given(st.lists(st.sampled_from([1, 2, 4]), min_size=1, max_size=300), st.integers(4, 125))
@settings(max_examples=200, deadline=None)
def test_widths_that_divide_one_another_fill_requests_as_well_as_can_be(widths: list[int], capacity: int) -> None:
    # What is left over of a request once only wider items are left cannot be used by any of them.
    bound = max(
        -(-sum(each for each in widths if each >= least) // (capacity - capacity % least)) for least in (1, 2, 4)
    )
    bins = first_fit_decreasing(widths, capacity)
    assert sorted(at for each in bins for at in each) == list(range(len(widths)))
    assert len(bins) == bound
    assert all(sum(widths[at] for at in each) <= capacity for each in bins)


def test_values_keep_their_type_and_order_and_stand_side_by_side(scattered: Scattered) -> None:
    loaded = loads(scattered(30, 5), "plan.toml")
    new = changed(loaded.plan, propose(loaded.plan, {"hall": 1000}))
    places: set[int] = set()
    for old, transfer in zip(loaded.plan.transfers, new.transfers, strict=True):
        by_name = {value.name: value for value in old.values}
        for value in transfer.values:
            was = by_name[value.name]
            assert (was.take.type, was.put.type, was.take.order) == (value.take.type, value.put.type, value.take.order)
            point = value.take if transfer.source == "hall" else value.put
            if not point.table.is_bits and point.bit is None:
                taken = set(range(point.address, point.address + point.count))
                assert not taken & places
                places |= taken
        signs = [transfer.alive.address] if transfer.source == "hall" and transfer.alive else []
        if transfer.destination == "hall" and transfer.status is not None:
            signs += range(transfer.status.start, transfer.status.stop)
        assert signs
        assert not set(signs) & places
        places |= set(signs)
    assert min(places) == 1000
    # Single bits share a few registers between the others.
    assert len(places) <= max(places) - 1000 + 1 <= len(places) + 2


def test_what_does_not_move_stays_as_it_is() -> None:
    loaded = load("examples/hatchery.toml")
    new = changed(loaded.plan, propose(loaded.plan, {"skid": None}))
    for old, transfer in zip(loaded.plan.transfers, new.transfers, strict=True):
        assert [value.put for value in old.values] == [value.put for value in transfer.values]
        assert old.status == transfer.status
    assert new.transfers[1] == loaded.plan.transfers[1]
    signals = {each.at.span for each in new.controller("skid").simulation.signals}
    # Moved with the values, and still whole: 20 s of oxygen, the copied registers and all.
    assert not signals & {each.at.span for each in loaded.plan.controller("skid").simulation.signals}


GROUPED = """
[controller.hall]
connect = "tcp://10.20.0.1"
readable = ["input 0..40"]
[controller.skid]
connect = "tcp://10.20.0.2"
[transfer.up]
from = "hall"
to = "skid"
every = "1 s"
guard = "input 90"
values = [
  { name = "level", take = "input 4", put = "holding 1", group = "tank" },
  { name = "flow", take = "input 30 float32", put = "holding 2 float32", group = "tank" },
  { name = "word", take = "input 50", put = "holding 10" },
  { name = "bit of it", take = "input 50.3", put = "coil 4" },
]
copy = { take = "input 48..51", put = "holding 20..23" }
"""


def test_groups_and_what_overlaps_stay_together() -> None:
    loaded = loads(GROUPED, "plan.toml")
    assert errors(loaded) == []
    new = changed(loaded.plan, propose(loaded.plan, {"hall": 200}))
    (transfer,) = new.transfers
    level, flow, word, bit, copy = (value.take for value in transfer.values)
    assert flow.address == level.address + 1
    assert word.address == bit.address == copy.address + 2
    assert bit.bit == 3
    assert transfer.careful is not None
    assert transfer.careful.guard is not None
    assert transfer.careful.guard.address >= 200


def test_a_block_in_the_way_of_something_else_is_refused(scattered: Scattered) -> None:
    text = scattered(30, 1, limits='owned = ["holding 500"]')
    plan = loads(text, "plan.toml").plan
    with pytest.raises(LocalError, match=r"holding 500 is used for something else.*such as --exchange-block hall:600"):
        propose(plan, {"hall": 480})
    with pytest.raises(LocalError, match=r"does not fit up to holding 65535: .*none is left"):
        propose(plan, {"hall": 65530})


def test_a_controller_without_transfers_has_no_block(scattered: Scattered) -> None:
    plan = loads(scattered(3, 1) + '[controller.alone]\nconnect = "tcp://10.20.0.9"\n', "plan.toml").plan
    with pytest.raises(LocalError, match="nothing to move"):
        propose(plan, {"alone": None})


def passing_on(take: str, more: str = "") -> Plan:
    parts = [f'[controller.{name}]\nconnect = "tcp://10.20.0.{at}"\n' for at, name in enumerate(("a", "b", "c"), 1)]
    parts.append(
        '[transfer.first]\nfrom = "a"\nto = "b"\nevery = "1 s"\nstatus = "holding 90"\n'
        'values = [{ name = "level", take = "holding 0", put = "holding 100 float32" }]\n'
        '[transfer.second]\nfrom = "b"\nto = "c"\nevery = "1 s"\n'
        f'values = [{{ name = "level", take = "{take}", put = "holding 100" }}]\n'
    )
    return loads("".join(parts) + more, "plan.toml").plan


@pytest.mark.parametrize(
    "take", ["holding 101", "holding 100 float32", "holding 99..104", "holding 90", "holding 93.2"]
)
def test_what_is_passed_on_is_not_moved_apart(take: str) -> None:
    plan = passing_on(take)
    with pytest.raises(LocalError, match=r"first puts something into .* of b that second takes from there again"):
        propose(plan, {"b": None})
    # Where it comes from and where it ends it can be moved.
    assert len(propose(plan, {"a": None, "c": None}).blocks) == 2


@pytest.mark.parametrize("take", ["holding 102", "holding 99", "input 100", "holding 94"])
def test_what_only_stands_near_it_is_moved(take: str) -> None:
    assert propose(passing_on(take), {"b": None}).blocks


def test_two_names_of_one_device_have_one_block_at_a_time() -> None:
    more = (
        '[controller.again]\nconnect = "tcp://10.20.0.2"\n[transfer.third]\nfrom = "a"\nto = "again"\nevery = "1 s"\n'
        'values = [{ name = "level", take = "holding 0", put = "holding 300" }]\n'
    )
    plan = passing_on("holding 102", more)
    with pytest.raises(LocalError, match="again is the same device as another controller with a block"):
        propose(plan, {"b": None, "again": None})
    (block,) = propose(plan, {"again": None}).blocks
    assert block.parts[0].span.start == 400
