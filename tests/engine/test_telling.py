"""What the receiver is told in its status registers while only a part works, in virtual time.

Judged by every write that reached the receiver, not only by what stands there at the end.
"""

from __future__ import annotations

import asyncio
import struct
from dataclasses import dataclass
from typing import Any

import pytest

from wherry.plan.model import Limits, OnLoss, Point, Span, Table, Transfer, Value
from wherry.simulate.virtual_loop import run_virtual
from wherry.values.types import UINT16

MS = 1_000_000
S = 1000 * MS
STATUS = 90


@dataclass
class Told:
    """One set of status registers as it arrived."""

    at_ns: int
    heartbeat: int
    quality: int
    age_ms: int
    sequence: int


def told(receiver: Any) -> list[Told]:
    """Every set of status registers that reached the receiver, in order."""
    found = []
    for each in receiver.writes:
        start, count = struct.unpack(">HH", each.pdu[1:5])
        if each.pdu[0] == 0x10 and start <= STATUS and start + count >= STATUS + 4:
            at = 6 + 2 * (STATUS - start)
            found.append(Told(each.at_ns, *struct.unpack(">4H", each.pdu[at : at + 8])))
    return found


def put_at(receiver: Any, address: int) -> list[tuple[int, int]]:
    """Everything that was written to one register: (instant, content)."""
    found = []
    for each in receiver.writes:
        start, count = struct.unpack(">HH", each.pdu[1:5])
        if each.pdu[0] == 0x10 and start <= address < start + count:
            at = 6 + 2 * (address - start)
            found.append((each.at_ns, struct.unpack(">H", each.pdu[at : at + 2])[0]))
    return found


def word(name: str, take: int, put: int, **more: Any) -> Value:
    return Value(name, Point(Table.HOLDING, take, UINT16), Point(Table.HOLDING, put, UINT16), **more)


def refusing(match: bytes, code: int = 2) -> Any:
    """Answers requests whose PDU begins so with an exception."""

    def answer(device: Any, seen: Any, adu: bytes | None) -> tuple[int, bytes | None] | None:
        if seen.pdu.startswith(match) and adu is not None:
            return 5 * MS, adu[:4] + b"\x00\x03" + adu[6:7] + bytes((seen.pdu[0] | 0x80, code))
        return None

    return answer


def test_good_is_not_told_with_the_last_values_when_earlier_ones_were_refused(kit: Any) -> None:
    """Two writes a cycle; the receiver refuses the first, and the status registers travel with the second."""
    values = (word("far", 0, 300), *kit.words(6, put=94))

    async def scenario() -> None:
        receiver = kit.device(answer=refusing(bytes.fromhex("10012C")))
        plant = await kit.plant(values, receiver=receiver, status=STATUS)
        await asyncio.sleep(2.95)
        await plant.engine.stop()
        assert plant.carry.delivered == 0
        assert plant.receiver.registers(94, 6) == [0] * 6
        assert len(told(receiver)) >= 15
        assert {each.quality for each in told(receiver)} == {0}
        assert {each.sequence for each in told(receiver)} == {0}
        assert {each.age_ms for each in told(receiver)} == {0xFFFF}
        assert plant.counts_are_exact()

    run_virtual(scenario)


def test_the_sequence_does_not_move_with_a_cycle_that_read_only_a_part(kit: Any) -> None:
    values = (word("lost", 700, 94), *kit.words(5, put=95))
    refused = {"on": False}

    def answer(device: Any, seen: Any, adu: bytes | None) -> tuple[int, bytes | None] | None:
        return refusing(bytes.fromhex("0302BC"))(device, seen, adu) if refused["on"] else None

    async def scenario() -> None:
        plant = await kit.plant(values, source=kit.device(answer=answer), status=STATUS)
        await asyncio.sleep(0.95)
        before = told(plant.receiver)
        assert before[-1].quality == 2
        assert before[-1].sequence == plant.carry.delivered == 5
        refused["on"] = True
        await asyncio.sleep(3)
        after = told(plant.receiver)[len(before) :]
        assert {each.sequence for each in after} == {5}
        ages = [each.age_ms for each in after]
        assert ages == sorted(ages), "nothing younger was delivered in between"
        qualities = [each.quality for each in after]
        assert qualities == sorted(qualities, reverse=True)
        assert set(qualities) == {1, 0}
        await plant.engine.stop()
        assert plant.counts_are_exact()

    run_virtual(scenario)


def test_substitutes_go_with_the_status_when_the_source_falls_silent(kit: Any) -> None:
    values = tuple(word(f"word {k}", k, 94 + k, substitute=70 + k) for k in range(6))

    async def scenario() -> None:
        limits = Limits(timeout_ns=300 * MS)
        plant = await kit.plant(values, limits=limits, status=STATUS, on_loss=OnLoss.SUBSTITUTE)
        await asyncio.sleep(1.05)
        plant.source.is_dead = True
        await asyncio.sleep(10)
        assert plant.receiver.registers(94, 6) == [70, 71, 72, 73, 74, 75]
        assert plant.receiver.registers(91, 1) == [0]
        beat = plant.receiver.registers(90, 1)
        await asyncio.sleep(0.45)
        assert plant.receiver.registers(90, 1) > beat
        plant.source.is_dead = False
        await asyncio.sleep(6)
        assert plant.receiver.registers(94, 6) == [0] * 6
        assert plant.receiver.registers(91, 1) == [2]
        await plant.engine.stop()
        assert plant.counts_are_exact()

    run_virtual(scenario)


def test_a_bad_value_stays_bad_while_the_next_cycle_is_being_read(kit: Any) -> None:
    """The source takes longer than a period, so that the receiver is also told in the middle of a cycle."""

    async def scenario() -> None:
        source = kit.device(delay_ns=450 * MS)
        source.set_registers(0, [101])
        values = [word("oxygen", 0, 100, range=(0, 100)), word("level", 1, 101)]
        plant = await kit.plant(values, source=source, max_age_ns=5 * S)
        await asyncio.sleep(20)
        await plant.engine.stop()
        assert plant.carry.delivered > 20
        assert len(told(plant.receiver)) > 60
        assert {each.quality for each in told(plant.receiver)} == {0}

    run_virtual(scenario)


def test_what_was_uncertain_is_good_again_only_by_a_delivery(kit: Any) -> None:
    """A silent source, and time-outs longer than the period: the next cycle's beginning says nothing of the values."""

    async def scenario() -> None:
        limits = Limits(timeout_ns=450 * MS)
        plant = await kit.plant(limits=limits, max_age_ns=5 * S)
        await asyncio.sleep(1.05)
        plant.source.is_dead = True
        before = len(told(plant.receiver))
        await asyncio.sleep(8)
        await plant.engine.stop()
        qualities = [each.quality for each in told(plant.receiver)[before:]]
        assert qualities == sorted(qualities, reverse=True)
        assert set(qualities) == {2, 1, 0}

    run_virtual(scenario)


@pytest.mark.parametrize("status", [STATUS, 96])
def test_a_substitute_takes_only_the_place_of_what_is_lost(kit: Any, status: int) -> None:
    """One of two reads is refused for good: the other value goes on, and is not overwritten in between."""
    values = (word("well", 0, 100, substitute=7000), word("lost", 700, 101, substitute=7001))
    answer = refusing(bytes.fromhex("0302BC"))

    async def scenario() -> None:
        source = kit.device(answer=answer)
        source.set_registers(0, [55])
        plant = await kit.plant(values, source=source, status=status, on_loss=OnLoss.SUBSTITUTE)
        await asyncio.sleep(2)
        settled_ns = plant.receiver.now_ns()
        assert plant.receiver.registers(100, 2) == [55, 7001]
        await asyncio.sleep(3)
        assert {content for at_ns, content in put_at(plant.receiver, 100) if at_ns > settled_ns} == {55}
        assert {content for at_ns, content in put_at(plant.receiver, 101) if at_ns > settled_ns} == {7001}
        await plant.engine.stop()
        assert plant.counts_are_exact()

    run_virtual(scenario)


def test_a_refused_write_does_not_bring_substitutes_over_values_that_arrive(kit: Any) -> None:
    values = (word("well", 0, 100, substitute=7000), word("refused", 1, 300, substitute=7001))

    async def scenario() -> None:
        source = kit.device()
        source.set_registers(0, [55, 56])
        receiver = kit.device(answer=refusing(bytes.fromhex("10012C")))
        plant = await kit.plant(values, source=source, receiver=receiver, on_loss=OnLoss.SUBSTITUTE)
        await asyncio.sleep(2)
        settled_ns = plant.receiver.now_ns()
        await asyncio.sleep(3)
        assert {content for at_ns, content in put_at(plant.receiver, 100) if at_ns > settled_ns} == {55}
        await plant.engine.stop()
        assert plant.counts_are_exact()

    run_virtual(scenario)


def test_what_is_too_old_to_be_put_is_replaced(kit: Any) -> None:
    """The source always takes longer than max_age: its values are read, and never fit to leave."""

    async def scenario() -> None:
        source = kit.device(delay_ns=900 * MS)
        source.set_registers(0, [55])
        values = [word("aged", 0, 100, substitute=7000)]
        plant = await kit.plant(values, source=source, max_age_ns=800 * MS, on_loss=OnLoss.SUBSTITUTE)
        await asyncio.sleep(5)
        assert {content for _, content in put_at(plant.receiver, 100)} == {7000}
        await plant.engine.stop()
        assert plant.carry.failures == {"write: older than max_age before it could be sent": plant.carry.failed}
        assert plant.counts_are_exact()

    run_virtual(scenario)


def test_nothing_is_put_while_the_sources_counter_cannot_be_read(kit: Any) -> None:
    """The counter needs a request of its own, which is refused; the values could be read."""
    alive = Point(Table.HOLDING, 700, UINT16)

    async def scenario() -> None:
        plant = await kit.plant(source=kit.device(answer=refusing(bytes.fromhex("0302BC"))), alive=alive)
        await asyncio.sleep(2.95)
        assert put_at(plant.receiver, 100) == []
        assert plant.receiver.registers(91, 1) == [0]
        await plant.engine.stop()
        assert plant.carry.failures == {"read: the controller refused it: illegal data address (02)": 15}
        assert plant.counts_are_exact()

    run_virtual(scenario)


def test_a_counter_that_stands_still_holds_values_back_although_another_read_fails(kit: Any) -> None:
    values = (word("well", 0, 100), word("refused", 700, 101))
    alive = Point(Table.HOLDING, 1, UINT16)

    async def scenario() -> None:
        plant = await kit.plant(values, source=kit.device(answer=refusing(bytes.fromhex("0302BC"))), alive=alive)
        await asyncio.sleep(3)
        assert put_at(plant.receiver, 100) == []
        await plant.engine.stop()
        assert plant.counts_are_exact()

    run_virtual(scenario)


@pytest.mark.parametrize("stop_s", [20.5, 29.5])
def test_after_the_stop_was_told_nothing_more_is_put(kit: Any, stop_s: float) -> None:
    """Twenty slow reads a cycle: the stop does not wait for them all, and what still comes in is not given on."""
    values = tuple(word(f"word {k}", 10 * k, 100 + k) for k in range(20))

    async def scenario() -> None:
        limits = Limits(read_registers=4, timeout_ns=S)
        source = kit.device(delay_ns=900 * MS)
        plant = await kit.plant(values, source=source, limits=limits, max_age_ns=60 * S, period_ns=S)
        await asyncio.sleep(stop_s)
        began_ns = plant.receiver.now_ns()
        await plant.engine.stop()
        await asyncio.sleep(0.1)
        assert plant.receiver.now_ns() - began_ns <= 11 * S
        assert plant.receiver.registers(91, 1) == [0]
        last = plant.receiver.writes[-1]
        assert last.pdu[1:5] == bytes.fromhex("005A0004")
        assert plant.source.open == []
        assert plant.receiver.open == []
        assert plant.counts_are_exact()

    run_virtual(scenario)


def test_the_age_is_that_at_the_instant_the_status_leaves(kit: Any) -> None:
    """Three transfers queue for one slow receiver; each status waits behind the others' writes."""

    def transfer(index: int) -> Transfer:
        values = (word(f"w{index}", index, 100 + index),)
        return Transfer(f"t{index}", "skid", "hall", S, 3 * S, values, status=Span(Table.HOLDING, 200 + 10 * index, 4))

    async def scenario() -> None:
        receiver = kit.device(delay_ns=70 * MS)
        plant = await kit.plant(transfers=[transfer(index) for index in range(3)], receiver=receiver)
        await asyncio.sleep(3.9)
        samples = [each.at_ns for each in plant.source.reads]
        waited = 0
        for each in receiver.writes:
            start, count = struct.unpack(">HH", each.pdu[1:5])
            if start < 200:
                continue
            age_ms = struct.unpack(">4H", each.pdu[6:14])[2]
            sampled_ns = max(at for at in samples if at < each.at_ns)
            assert count == 4
            assert age_ms == (each.at_ns - sampled_ns) // MS
            waited = max(waited, age_ms)
        assert waited > 300
        await plant.engine.stop()

    run_virtual(scenario)
