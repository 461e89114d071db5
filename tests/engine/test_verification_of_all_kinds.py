"""Read-backs of bits, texts, values that are written on change, and requests that are parted."""

from __future__ import annotations

import asyncio
import struct
from typing import Any

import pytest

from wherry.engine.events import EventKind
from wherry.plan.model import OnLoss, Point, Table, Value
from wherry.simulate.virtual_loop import run_virtual
from wherry.values.types import BOOL, UINT16, ValueType, string

S = 1_000_000_000


def word(index: int, **more: Any) -> Value:
    more = {"verify_ns": S, **more}
    place = [Point(Table.HOLDING, start + index, UINT16) for start in (0, 100)]
    return Value(f"word {index}", place[0], place[1], **more)


def told(plant: Any) -> list[str]:
    return [each.message for each in plant.events if each.kind is EventKind.WRITE_OUTCOME]


def states(plant: Any) -> list[str]:
    return [str(each.state) for each in plant.carry.receiving.watches]


async def plant_of(kit: Any, *values: Value, content: tuple[int, ...] = (70, 71, 72, 73), **more: Any) -> Any:
    source = kit.device()
    source.set_registers(0, content)
    return await kit.plant(values, source=source, **more)


@pytest.mark.parametrize("bit", [0, 3, 15])
def test_bits_of_a_register(kit: Any, bit: int) -> None:
    async def run() -> None:
        points = [Point(Table.HOLDING, start, BOOL, bit=bit) for start in (0, 100)]
        plant = await plant_of(kit, Value("pump", points[0], points[1], verify_ns=S), content=(1 << bit,))
        await asyncio.sleep(3)
        assert plant.receiver.registers(100, 1) == [1 << bit]
        assert states(plant) == ["verified"]
        plant.source.set_registers(0, [0xFFFF ^ 1 << bit])
        await asyncio.sleep(3)
        assert states(plant) == ["verified"]
        # Somebody else changes another bit of the register, which is his; and then ours.
        plant.receiver.set_registers(100, [0x0A0A & ~(1 << bit)])
        await asyncio.sleep(3)
        assert told(plant) == []
        plant.receiver.set_registers(100, [1 << bit])
        await asyncio.sleep(3)
        assert states(plant) == ["reverted"]
        assert plant.receiver.registers(100, 1) == [1 << bit]
        await plant.engine.stop()

    run_virtual(run)


def test_coils(kit: Any) -> None:
    async def run() -> None:
        values = [
            Value(f"pump {index}", Point(Table.COIL, index, BOOL), Point(Table.COIL, 100 + index, BOOL), verify_ns=S)
            for index in range(10)
        ]
        source = kit.device()
        source.store.write_bits(Table.COIL, 0, 10, b"\x55\x03")
        plant = await kit.plant(values, source=source)
        await asyncio.sleep(3)
        assert states(plant) == ["verified"] * 10
        assert {each.pdu for each in plant.receiver.reads} == {b"\x01\x00\x64\x00\x0a"}
        await plant.engine.stop()

    run_virtual(run)


def test_a_value_that_is_written_on_change_is_watched_while_it_stands_still(kit: Any) -> None:
    async def run() -> None:
        plant = await plant_of(kit, word(0, is_on_change=True, deadband=0.0))
        await asyncio.sleep(30.05)
        assert states(plant) == ["verified"]
        plant.receiver.set_registers(100, [12345])
        await asyncio.sleep(0.4)
        assert told(plant) == ["word 0 of water: overwritten by somebody else: it holds 12345 in place of 70"]
        plant.source.set_registers(0, [99])
        await asyncio.sleep(10)
        assert plant.receiver.registers(100, 1) == [12345]
        await plant.engine.stop()
        assert plant.counts_are_exact()

    run_virtual(run)


def test_a_value_that_was_not_put_for_long_begins_anew(kit: Any) -> None:
    async def run() -> None:
        plant = await plant_of(kit, word(0, range=(0, 100)), word(1))
        await asyncio.sleep(5)
        plant.source.set_registers(0, [500])
        await asyncio.sleep(5)
        # Left alone by us, the receiver's program took it over.
        plant.receiver.set_registers(100, [33])
        plant.source.set_registers(0, [50])
        await asyncio.sleep(5)
        assert plant.receiver.registers(100, 1) == [50]
        assert told(plant) == []
        assert states(plant) == ["verified", "verified"]
        await plant.engine.stop()

    run_virtual(run)


def test_requests_that_are_parted_have_outcomes_of_their_own(kit: Any) -> None:
    """The value in the middle is Bad, so the others go in two requests; one of them is refused from then on."""

    def answer(device: Any, seen: Any, adu: bytes) -> tuple[int, bytes] | None:
        is_third = seen.is_write and struct.unpack_from(">H", seen.pdu, 1)[0] == 102
        return (0, adu[:4] + b"\x00\x03" + adu[6:7] + b"\x90\x02") if is_third else None

    async def run() -> None:
        receiver = kit.device(answer=answer)
        plant = await plant_of(kit, word(0), word(1, range=(0, 100)), word(2), receiver=receiver, status=None)
        await asyncio.sleep(3)
        assert states(plant) == ["verified"] * 3
        plant.source.set_registers(0, [80, 500, 72])
        await asyncio.sleep(3)
        plant.source.set_registers(0, [90, 500, 72])
        await asyncio.sleep(3)
        assert receiver.registers(100, 3) == [90, 71, 72]
        assert states(plant)[0] == "verified"
        assert plant.carry.receiving.watches[2].counts["refused"] > 5
        assert not any("word 0" in each for each in told(plant))
        await plant.engine.stop()
        assert plant.counts_are_exact()

    run_virtual(run)


def test_a_text_that_is_not_taken_is_no_second_writer(kit: Any) -> None:
    async def run() -> None:
        kind: ValueType = string(4)
        points = [Point(Table.HOLDING, start, kind) for start in (0, 100)]
        texts = {each: list(struct.unpack(">2H", each.encode())) for each in ("feed", "rest")}
        plant = await plant_of(kit, Value("phase", points[0], points[1], verify_ns=S), content=tuple(texts["feed"]))
        await asyncio.sleep(3)
        assert states(plant) == ["verified"]
        # From now on its program ignores what is written.
        plant.receiver.before = lambda device, seen: asyncio.get_running_loop().call_soon(
            device.set_registers, 100, texts["feed"]
        )
        plant.source.set_registers(0, texts["rest"])
        await asyncio.sleep(5)
        assert told(plant) == ["phase of water: accepted and ignored: it still holds feed in place of rest"]
        await plant.engine.stop()

    run_virtual(run)


def test_back_at_what_was_put_before_is_reverted(kit: Any) -> None:
    async def run() -> None:
        plant = await plant_of(kit, word(0))
        await asyncio.sleep(5)
        plant.source.set_registers(0, [80])
        await asyncio.sleep(5.05)
        plant.receiver.set_registers(100, [70])
        await asyncio.sleep(1)
        assert told(plant) == ["word 0 of water: reverted to 70, which it held before"]
        await plant.engine.stop()

    run_virtual(run)


def test_a_group_is_stopped_whole(kit: Any) -> None:
    async def run() -> None:
        plant = await plant_of(kit, word(0, group="g"), word(1, group="g", verify_ns=None), word(2))
        await asyncio.sleep(5.05)
        plant.receiver.set_registers(100, [999])
        await asyncio.sleep(1)
        plant.source.set_registers(0, [1, 2, 3])
        await asyncio.sleep(1)
        assert plant.receiver.registers(100, 3) == [999, 71, 3]
        assert plant.receiver.registers(91, 1) == [0]
        await plant.engine.stop()
        assert plant.counts_are_exact()

    run_virtual(run)


def test_what_cannot_be_read_back_is_told_once(kit: Any) -> None:
    def answer(device: Any, seen: Any, adu: bytes) -> tuple[int, bytes] | None:
        return None if seen.is_write else (0, adu[:4] + b"\x00\x03" + adu[6:7] + b"\x83\x02")

    async def run() -> None:
        plant = await plant_of(kit, word(0), receiver=kit.device(answer=answer))
        await asyncio.sleep(5)
        assert told(plant) == ["word 0 of water: accepted, but its place cannot be read (exception 02)"]
        assert plant.carry.quality.name == "GOOD"
        await plant.engine.stop()

    run_virtual(run)


def test_neighbours_are_read_back_together_and_nothing_undeclared_is_read_over(kit: Any) -> None:
    async def run() -> None:
        plant = await plant_of(kit, word(0), word(1), word(2, verify_ns=None), word(3))
        await asyncio.sleep(3)
        assert {each.pdu for each in plant.receiver.reads} == {b"\x03\x00\x64\x00\x02", b"\x03\x00\x67\x00\x01"}
        assert len(plant.receiver.reads) <= 2 * plant.carry.scheduled
        assert states(plant) == ["verified"] * 3
        await plant.engine.stop()

    run_virtual(run)


def test_without_verify_nothing_is_read_from_the_receiver(kit: Any) -> None:
    async def run() -> None:
        plant = await plant_of(kit, word(0, verify_ns=None))
        await asyncio.sleep(3)
        assert plant.carry.receiving is None
        assert plant.receiver.reads == []
        await plant.engine.stop()

    run_virtual(run)


@pytest.mark.parametrize("delay_ms", [300, 900])
def test_substitutes_that_take_longer_than_a_period_are_ours(kit: Any, delay_ms: int) -> None:
    def answer(device: Any, seen: Any, adu: bytes) -> tuple[int, bytes] | None:
        return (delay_ms * 1_000_000, adu) if seen.is_write else None

    async def run() -> None:
        receiver = kit.device(answer=answer)
        plant = await plant_of(
            kit,
            word(0, substitute=9),
            word(1, substitute=9),
            receiver=receiver,
            on_loss=OnLoss.SUBSTITUTE,
            max_age_ns=5 * S,
            status=None,
        )
        await asyncio.sleep(12)
        for number in range(5):
            plant.source.is_dead = True
            await asyncio.sleep(12)
            assert receiver.registers(100, 2) == [9, 9]
            assert states(plant) == ["verified"] * 2
            plant.source.is_dead = False
            plant.source.set_registers(0, [80 + number, 90 + number])
            await asyncio.sleep(12)
            assert receiver.registers(100, 2) == [80 + number, 90 + number]
            assert states(plant) == ["verified"] * 2
        assert told(plant) == []
        await plant.engine.stop()
        assert plant.counts_are_exact()

    run_virtual(run)
