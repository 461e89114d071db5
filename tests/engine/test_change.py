"""Writing on change: what is due, what waits, and what is known of a place after a write."""

from __future__ import annotations

import asyncio
import random
import struct
from collections.abc import Sequence
from itertools import pairwise
from typing import Any

import pytest

from wherry.engine.change import ChangeRule, Changes
from wherry.plan.model import Limits, OnLoss, Point, Table, Value
from wherry.simulate.virtual_loop import run_virtual
from wherry.values.conversion import Converted
from wherry.values.quality import Quality, Reason
from wherry.values.types import UINT16

MS = 1_000_000
S = 1000 * MS
PERIOD_NS = 200 * MS


def changes(*rules: ChangeRule | None, groups: Sequence[Sequence[int]] = ()) -> Changes:
    return Changes(rules, [range(len(rules))], groups, period_ns=PERIOD_NS, max_age_ns=S)


def cycle(
    changed: Changes,
    at_ns: int,
    *numbers: int | None,
    done: bool = True,
    left: bool = True,
    losses: int = 0,
    template: int = 0,
) -> list[int]:
    """One cycle with these values; which of them were written."""
    puts = [None if number is None else number.to_bytes(2, "big") for number in numbers]
    results = [Converted(n, put, Quality.GOOD, Reason.GOOD) for n, put in zip(numbers, puts, strict=True)]
    batch = changed.select(puts, results, at_ns, losses)
    if any(each is not None for each in batch.chosen):
        batch.tell(template, is_done=done, has_left=left)
    batch.settle(at_ns)
    return [index for index, each in enumerate(batch.chosen) if each is not None]


def test_only_what_moved_by_more_than_the_deadband_is_written() -> None:
    changed = changes(ChangeRule(deadband=2), None)
    assert cycle(changed, 0, 10, 1) == [0, 1]
    written = [at for at, number in enumerate((11, 12, 13, 12, 11, 10, 9), 1) if 0 in cycle(changed, at, number, 1)]
    assert written == [3, 6]


def test_creeping_is_measured_from_what_was_written() -> None:
    changed = changes(ChangeRule(deadband=5))
    assert [number for number in range(100, 130) if cycle(changed, number, number)] == [100, 106, 112, 118, 124]


def test_the_next_write_waits_for_the_shortest_time() -> None:
    changed = changes(ChangeRule(shortest_ns=S))
    written = [at for at in range(30) if cycle(changed, at * PERIOD_NS, at)]
    assert written == [0, 5, 10, 15, 20, 25]


def test_refresh_is_never_later_than_promised() -> None:
    changed = changes(ChangeRule(refresh_ns=S))
    written = [at for at in range(0, 100, 7) if cycle(changed, at * PERIOD_NS // 7, 5)]
    assert written == [0, 35, 70]
    jittered = changes(ChangeRule(refresh_ns=S))
    rng = random.Random(1)
    instants = [k * PERIOD_NS + rng.randrange(10 * MS) for k in range(200)]
    at = [instant for instant in instants if cycle(jittered, instant, 5)]
    assert len(at) > 35
    assert all(later - sooner <= S + 10 * MS for sooner, later in pairwise(at))


def test_after_a_write_without_an_answer_the_place_is_unknown() -> None:
    changed = changes(ChangeRule(deadband=2, shortest_ns=S))
    assert cycle(changed, 0, 10) == [0]
    assert cycle(changed, S, 20, done=False) == [0]
    assert cycle(changed, S + PERIOD_NS, 10) == [], "it may have been written all the same"
    assert cycle(changed, 2 * S, 10) == [0]
    assert cycle(changed, 3 * S, 10) == []


def test_a_write_that_never_left_costs_nothing() -> None:
    changed = changes(ChangeRule(shortest_ns=10 * S))
    assert cycle(changed, 0, 10) == [0]
    assert cycle(changed, 10 * S, 20, done=False, left=False) == [0]
    assert cycle(changed, 10 * S + PERIOD_NS, 20) == [0]


def test_a_lost_connection_makes_every_place_unknown() -> None:
    changed = changes(ChangeRule(), ChangeRule(shortest_ns=S))
    assert cycle(changed, 0, 10, 20) == [0, 1]
    assert cycle(changed, 1, 10, 20) == []
    assert cycle(changed, 2, 10, 20, losses=1) == [0]
    assert cycle(changed, S, 10, 20, losses=1) == [1]


def test_a_group_is_written_whole_and_waits_whole() -> None:
    changed = changes(ChangeRule(), ChangeRule(shortest_ns=S), ChangeRule(), groups=[(0, 1)])
    assert cycle(changed, 0, 1, 1, 1) == [0, 1, 2]
    assert cycle(changed, PERIOD_NS, 2, 1, 1) == []
    assert cycle(changed, PERIOD_NS, 2, 1, 2) == [2]
    assert cycle(changed, S, 2, 1, 2) == [0, 1]
    mixed = changes(ChangeRule(shortest_ns=S), None, groups=[(0, 1)])
    assert cycle(mixed, 0, 1, 1) == [0, 1]
    assert cycle(mixed, PERIOD_NS, 1, 2) == []
    assert cycle(mixed, S, 1, 2) == [0, 1]


def test_a_place_that_holds_a_substitute_is_late_until_the_value_may_be_written_again() -> None:
    changed = changes(ChangeRule(shortest_ns=5 * S))
    batch = changed.select_by_template([[b"\x00\x00"]], 0, 0)
    batch.tell(0, is_done=True, has_left=True)
    batch.settle(0)

    def late(at_ns: int, number: int) -> int | None:
        put = number.to_bytes(2, "big")
        batch = changed.select([put], [Converted(number, put, Quality.GOOD, Reason.GOOD)], at_ns, 0)
        assert batch.chosen == [None]
        batch.settle(at_ns)
        return batch.late

    assert late(1 * S, 7) == 0
    assert late(2 * S, 0) is None  # the substitute is what the value is now
    assert late(3 * S, 7) is None  # so the place held the value of less than max_age ago
    assert late(4 * S, 7) == 0


def test_what_is_held_back_too_long_is_late() -> None:
    changed = changes(ChangeRule(shortest_ns=10 * S))
    cycle(changed, 0, 10)

    def late(at_ns: int, number: int) -> int | None:
        put = number.to_bytes(2, "big")
        batch = changed.select([put], [Converted(number, put, Quality.GOOD, Reason.GOOD)], at_ns, 0)
        batch.settle(at_ns)
        return batch.late

    assert late(5 * S, 10) is None
    assert late(6 * S, 11) is None
    assert late(6 * S + 1, 11) == 0
    assert late(7 * S, 10) is None
    assert late(10 * S, 11) is None, "it is written"


# On a plant.


def value(name: str, index: int, **more: Any) -> Value:
    place = (Point(Table.HOLDING, index, UINT16), Point(Table.HOLDING, 100 + index, UINT16))
    return Value(name, *place, is_on_change=bool(more), **more)


def written(plant: Any, address: int = 100) -> list[tuple[int, int]]:
    """Instant and content of each write that touched this register, as the receiver saw it."""
    found = []
    for each in plant.receiver.writes:
        start, count = struct.unpack(">HH", each.pdu[1:5])
        assert each.pdu[0] == 0x10
        if start <= address < start + count:
            found.append((each.at_ns, struct.unpack_from(">H", each.pdu, 6 + 2 * (address - start))[0]))
    return found


def contents(plant: Any, address: int = 100) -> list[int]:
    return [content for _, content in written(plant, address)]


@pytest.mark.parametrize("status", [None, 90, 96])
def test_a_value_that_stands_is_written_once_and_the_heartbeat_goes_on(kit: Any, status: int | None) -> None:
    async def scenario() -> None:
        source = kit.device()
        source.set_registers(0, [5, 6])
        plant = await kit.plant(
            [value("a", 0, deadband=1.0), value("b", 1, deadband=1.0)], source=source, status=status
        )
        await asyncio.sleep(5.05)
        if status is not None:
            heartbeat, quality, _, sequence = plant.receiver.registers(status, 4)
            assert (heartbeat, quality, sequence) == (26, 2, 26)
        source.set_registers(0, [5, 7])
        await asyncio.sleep(1)
        source.set_registers(0, [5, 9])
        await asyncio.sleep(1)
        assert plant.carry.delivered == plant.carry.scheduled == 36
        assert plant.receiver.registers(100, 2) == [5, 9]
        assert (contents(plant, 100), contents(plant, 101)) == ([5], [6, 9])
        await plant.engine.stop()
        assert plant.counts_are_exact()

    run_virtual(scenario)


def test_a_receiver_that_comes_back_is_given_everything_again(kit: Any) -> None:
    async def scenario() -> None:
        source, receiver = kit.device(), kit.device()
        source.set_registers(0, [5])
        plant = await kit.plant([value("a", 0, deadband=1.0)], source=source, receiver=receiver)
        await asyncio.sleep(2.05)
        receiver.kill()
        receiver.set_registers(100, [0])
        await asyncio.sleep(3)
        receiver.is_dead = False
        await asyncio.sleep(6)
        assert receiver.registers(100, 1) == [5]
        assert receiver.registers(91, 1) == [2]
        await plant.engine.stop()
        assert plant.counts_are_exact()

    run_virtual(scenario)


def test_writes_are_never_closer_than_the_shortest_time_whatever_fails(kit: Any) -> None:
    """The value moves all the time, answers get lost, the receiver goes and comes: the register is spared."""

    def losing(device: Any, seen: Any, adu: bytes | None) -> tuple[int, bytes | None] | None:
        return (0, None) if seen.is_write and seen.index % 5 == 0 else None

    def moving(device: Any, seen: Any) -> None:
        device.set_registers(0, [seen.index & 0xFFFF, seen.index & 0x8000])

    async def scenario() -> None:
        receiver = kit.device(answer=losing)
        plant = await kit.plant(
            [value("a", 0, shortest_ns=S, substitute=7), value("b", 1, refresh_ns=2 * S, substitute=8)],
            source=kit.device(before=moving),
            receiver=receiver,
            on_loss=OnLoss.SUBSTITUTE,
            receiver_limits=Limits(timeout_ns=100 * MS, reconnect_ns=100 * MS),
        )
        for _ in range(10):
            await asyncio.sleep(7)
            receiver.kill()
            await asyncio.sleep(1)
            receiver.is_dead = False
            await asyncio.sleep(3)
            plant.source.kill()
            await asyncio.sleep(2)
            plant.source.is_dead = False
        await plant.engine.stop()
        at = [instant for instant, _ in written(plant)]
        assert len(at) > 40
        assert min(later - sooner for sooner, later in pairwise(at)) >= S
        assert plant.counts_are_exact()

    run_virtual(scenario)


def test_refresh_tells_again_what_the_receiver_forgot(kit: Any) -> None:
    async def scenario() -> None:
        plant = await kit.plant([value("a", 0, refresh_ns=S)])
        plant.source.set_registers(0, [5])
        for _ in range(20):
            await asyncio.sleep(1.7)
            plant.receiver.set_registers(100, [0])
        await asyncio.sleep(1.01)
        assert plant.receiver.registers(100, 1) == [5]
        at = [instant for instant, _ in written(plant)]
        assert max(later - sooner for sooner, later in pairwise(at)) <= S
        await plant.engine.stop()

    run_virtual(scenario)


def test_a_value_held_back_longer_than_max_age_is_told(kit: Any) -> None:
    async def scenario() -> None:
        plant = await kit.plant([value("a", 0, shortest_ns=5 * S), *kit.words(1, take=1, put=101)])
        await asyncio.sleep(0.5)
        plant.source.set_registers(0, [9])
        await asyncio.sleep(1)
        assert plant.receiver.registers(91, 1) == [2]
        await asyncio.sleep(1)
        assert plant.receiver.registers(91, 1) == [1]
        assert plant.carry.quality_reason == "a: last usable value; written again when `shortest` has passed"
        await asyncio.sleep(3)
        assert (plant.receiver.registers(91, 1), plant.receiver.registers(100, 1)) == ([2], [9])
        await plant.engine.stop()

    run_virtual(scenario)


def test_substitutes_too_are_written_once(kit: Any) -> None:
    async def scenario() -> None:
        plant = await kit.plant([value("a", 0, refresh_ns=100 * S, substitute=7)], on_loss=OnLoss.SUBSTITUTE)
        plant.source.set_registers(0, [5])
        await asyncio.sleep(2.05)
        plant.source.kill()
        await asyncio.sleep(10)
        assert plant.receiver.registers(100, 1) == [7]
        plant.source.is_dead = False
        await asyncio.sleep(10)
        assert contents(plant) == [5, 7, 5]
        await plant.engine.stop()
        assert plant.counts_are_exact()

    run_virtual(scenario)


def test_a_bad_value_is_left_alone_and_written_again_only_if_it_differs(kit: Any) -> None:
    async def scenario() -> None:
        plant = await kit.plant([value("a", 0, refresh_ns=100 * S, range=(0, 100)), *kit.words(1, take=1, put=101)])
        for number in (5, 200, 5, 200, 6):
            plant.source.set_registers(0, [number])
            await asyncio.sleep(1)
        assert contents(plant) == [5, 6]
        assert len(contents(plant, 101)) == 25
        await plant.engine.stop()

    run_virtual(scenario)
