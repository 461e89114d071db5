"""What became of a write, told by reading back: five kinds of device, five different reports."""

from __future__ import annotations

import asyncio
import random
import struct
from collections.abc import Callable
from typing import Any

import pytest

from wherry.engine.events import EventKind
from wherry.plan.model import OnLoss, Point, Table, Value
from wherry.simulate.virtual_loop import run_virtual
from wherry.values.types import UINT16

MS = 1_000_000
S = 1000 * MS
PLACE = Point(Table.HOLDING, 100, UINT16)


def verified(settle_s: float = 1, **more: Any) -> Value:
    return Value("set point", Point(Table.HOLDING, 0, UINT16), PLACE, verify_ns=round(settle_s * S), **more)


def put_in(seen: Any) -> int | None:
    """What a write puts into the place, if it does."""
    start, count = struct.unpack(">HH", seen.pdu[1:5])
    if seen.pdu[0] == 0x10 and start <= 100 < start + count:
        return int(struct.unpack_from(">H", seen.pdu, 6 + 2 * (100 - start))[0])
    return None


def applying(kit: Any, apply: Callable[[Any, int, int], None]) -> Any:
    """A receiver whose program decides what becomes of a write: ``apply(device, number, at_ns)``."""

    def before(device: Any, seen: Any) -> None:
        number = put_in(seen)
        if number is not None:
            # The store is written by the answer; the program has its own mind right after it.
            asyncio.get_running_loop().call_soon(apply, device, number, seen.at_ns)

    device = kit.device(before=before)
    device.set_registers(100, [40])
    return device


def later(seconds: float, device: Any, number: int) -> None:
    asyncio.get_running_loop().call_later(seconds, device.set_registers, 100, [number])


def outcomes(plant: Any) -> list[str]:
    return [each.message for each in plant.events if each.kind is EventKind.WRITE_OUTCOME]


async def plant_of(kit: Any, receiver: Any, value: Value | None = None, number: int = 70, **more: Any) -> Any:
    source = kit.device()
    source.set_registers(0, [number])
    return await kit.plant([value or verified()], source=source, receiver=receiver, **more)


def test_a_write_that_takes_effect_is_verified_and_told_in_the_figures_only(kit: Any) -> None:
    async def run() -> None:
        plant = await plant_of(kit, applying(kit, lambda device, number, at_ns: None))
        await asyncio.sleep(3)
        (watch,) = plant.carry.receiving.watches
        assert watch.state == "verified"
        assert watch.counts["verified"] >= 10
        assert outcomes(plant) == []
        assert plant.carry.quality.name == "GOOD"
        # One reading for each cycle, and none more.
        assert len(plant.receiver.reads) <= plant.carry.scheduled
        await plant.engine.stop()
        assert plant.counts_are_exact()

    run_virtual(run)


def test_ignored(kit: Any) -> None:
    async def run() -> None:
        plant = await plant_of(kit, applying(kit, lambda device, number, at_ns: device.set_registers(100, [40])))
        await asyncio.sleep(3)
        assert outcomes(plant) == ["set point of water: accepted and ignored: it still holds 40 in place of 70"]
        assert plant.carry.receiving.watches[0].state == "accepted"
        assert plant.carry.delivered > 10
        await plant.engine.stop()

    run_virtual(run)


def test_clamped(kit: Any) -> None:
    async def run() -> None:
        plant = await plant_of(kit, applying(kit, lambda device, number, at_ns: device.set_registers(100, [60])))
        await asyncio.sleep(3)
        assert outcomes(plant) == ["set point of water: accepted, but it holds 60 in place of 70"]
        await plant.engine.stop()

    run_virtual(run)


def test_a_bound_that_is_met_later_is_no_second_writer(kit: Any) -> None:
    async def run() -> None:
        clamp = lambda device, number, at_ns: device.set_registers(100, [min(number, 60)])  # noqa: E731
        plant = await plant_of(kit, applying(kit, clamp), number=50)
        await asyncio.sleep(3)
        plant.source.set_registers(0, [70])
        await asyncio.sleep(3)
        plant.source.set_registers(0, [55])
        await asyncio.sleep(3)
        assert outcomes(plant) == [
            "set point of water: accepted, but it holds 60 in place of 70",
            "set point of water: verified",
        ]
        assert plant.carry.quality.name == "GOOD"
        await plant.engine.stop()

    run_virtual(run)


def test_applied_after_five_seconds(kit: Any) -> None:
    async def run() -> None:
        applied: list[int] = []

        def apply(device: Any, number: int, at_ns: int) -> None:
            if not applied:
                applied.append(at_ns)
            device.set_registers(100, [number if at_ns - applied[0] >= 5 * S else 40])

        plant = await plant_of(kit, applying(kit, apply))
        await asyncio.sleep(8)
        first, second = outcomes(plant)
        assert first == "set point of water: accepted and ignored: it still holds 40 in place of 70"
        assert second.startswith("set point of water: verified, 5.")
        assert second.endswith(" s after the write")
        await plant.engine.stop()

    run_virtual(run)


def test_within_the_settle_time_nothing_is_said(kit: Any) -> None:
    async def run() -> None:
        # The program takes over what was put half a second later; until then the old content shows.
        def apply(device: Any, number: int, at_ns: int) -> None:
            if at_ns < S:
                device.set_registers(100, [40])
                later(0.5, device, number)

        plant = await plant_of(kit, applying(kit, apply), verified(2))
        await asyncio.sleep(5)
        assert outcomes(plant) == []
        assert plant.carry.receiving.watches[0].state == "verified"
        await plant.engine.stop()

    run_virtual(run)


def test_reverted_after_a_minute(kit: Any) -> None:
    async def run() -> None:
        receiver = applying(kit, lambda device, number, at_ns: None)
        plant = await plant_of(kit, receiver)
        later(60.05, receiver, 40)
        await asyncio.sleep(60.5)
        assert outcomes(plant) == ["set point of water: reverted to 40, which it held before"]
        writes = len([each for each in receiver.writes if put_in(each) is not None])
        assert plant.carry.quality.name == "BAD"
        assert "reverted to 40" in plant.carry.quality_reason
        await asyncio.sleep(30)
        # Nothing is put there any more, and the receiver's status says so.
        assert len([each for each in receiver.writes if put_in(each) is not None]) == writes
        assert receiver.registers(100, 1) == [40]
        assert receiver.registers(91, 1) == [0]
        await plant.engine.stop()
        assert plant.counts_are_exact()

    run_virtual(run)


@pytest.mark.parametrize("on_loss", list(OnLoss))
@pytest.mark.parametrize("moves", [False, True])
def test_a_second_writer_is_found_within_two_readings_and_not_fought(kit: Any, on_loss: OnLoss, moves: bool) -> None:
    async def run() -> None:
        receiver = applying(kit, lambda device, number, at_ns: None)
        plant = await plant_of(kit, receiver, verified(0.1, substitute=9), on_loss=on_loss)

        def move(number: int = 70) -> None:
            plant.source.set_registers(0, [number])
            asyncio.get_running_loop().call_later(0.2, move, number + 1)

        if moves:
            move()
        at_ns: list[int] = []

        def other() -> None:
            receiver.set_registers(100, [12345])
            at_ns.append(receiver.now_ns())

        asyncio.get_running_loop().call_later(30.05, other)
        await asyncio.sleep(31)
        (told,) = [each for each in plant.events if each.kind is EventKind.WRITE_OUTCOME]
        assert "overwritten by somebody else: it holds 12345 in place of" in told.message
        assert told.details["became"] == "overwritten"
        assert told.at_ns - at_ns[0] <= 2 * 200 * MS
        await asyncio.sleep(60)
        assert receiver.registers(100, 1) == [12345]
        assert plant.carry.quality.name == "BAD"
        assert "nothing is put there until the next start" in plant.carry.quality_reason
        await plant.engine.stop()
        assert plant.counts_are_exact()

    run_virtual(run)


def test_the_others_of_the_transfer_go_on(kit: Any) -> None:
    async def run() -> None:
        receiver = applying(kit, lambda device, number, at_ns: None)
        source = kit.device()
        source.set_registers(0, [70, 5])
        plant = await kit.plant([verified(), *kit.words(1, take=1, put=101)], source=source, receiver=receiver)
        later(10.05, receiver, 999)
        await asyncio.sleep(12)
        source.set_registers(0, [71, 6])
        await asyncio.sleep(1)
        assert receiver.registers(100, 2) == [999, 6]
        assert receiver.registers(91, 1) == [0]
        await plant.engine.stop()
        assert plant.counts_are_exact()

    run_virtual(run)


def test_a_refusal_is_told(kit: Any) -> None:
    async def run() -> None:
        def answer(device: Any, seen: Any, adu: bytes) -> tuple[int, bytes] | None:
            return (0, adu[:4] + b"\x00\x03" + adu[6:7] + b"\x90\x03") if put_in(seen) is not None else None

        plant = await plant_of(kit, kit.device(answer=answer))
        await asyncio.sleep(2)
        assert outcomes(plant) == ["set point of water: refused (exception 03)"]
        assert plant.carry.receiving.watches[0].counts["refused"] == plant.carry.failed > 5
        await plant.engine.stop()

    run_virtual(run)


def test_a_reading_that_is_lost_is_no_verdict_and_a_restarted_device_no_second_writer(kit: Any) -> None:
    async def run() -> None:
        receiver = applying(kit, lambda device, number, at_ns: None)
        receiver.answer = lambda device, seen, adu: (0, None) if not seen.is_write and seen.index % 7 == 3 else None
        plant = await plant_of(kit, receiver, max_age_ns=5 * S)
        await asyncio.sleep(30)
        # It restarts, and has forgotten everything.
        receiver.kill()
        await asyncio.sleep(5)
        receiver.set_registers(100, [0])
        receiver.is_dead = False
        await asyncio.sleep(10)
        assert outcomes(plant) == []
        assert receiver.registers(100, 1) == [70]
        await plant.engine.stop()
        assert plant.counts_are_exact()

    run_virtual(run)


def test_another_point_shows_it(kit: Any) -> None:
    async def run() -> None:
        feedback = Point(Table.HOLDING, 50, UINT16)
        receiver = applying(kit, lambda device, number, at_ns: device.set_registers(50, [number - 1]))
        plant = await plant_of(kit, receiver, verified(verify_at=feedback, tolerance=1))
        await asyncio.sleep(3)
        assert plant.carry.receiving.watches[0].state == "verified"
        assert {each.pdu for each in receiver.reads} == {b"\x03\x00\x32\x00\x01"}
        await plant.engine.stop()

    run_virtual(run)


def test_verify_and_step_together(kit: Any) -> None:
    async def run() -> None:
        receiver = applying(kit, lambda device, number, at_ns: None)
        plant = await plant_of(kit, receiver, verified(step=10))
        await asyncio.sleep(5)
        assert receiver.registers(100, 1) == [70]
        assert plant.carry.receiving.watches[0].state == "verified"
        assert plant.carry.quality.name == "GOOD"
        later(0.05, receiver, 12345)
        await asyncio.sleep(5)
        assert receiver.registers(100, 1) == [12345]
        await plant.engine.stop()
        assert plant.counts_are_exact()

    run_virtual(run)


@pytest.mark.parametrize("seed", range(6))
def test_lost_answers_are_no_second_writer(kit: Any, seed: int) -> None:
    rng = random.Random(seed)

    def answer(device: Any, seen: Any, adu: bytes) -> tuple[int, bytes | None] | None:
        # A tenth of the answers is lost, and another tenth comes after its time.
        chance = rng.random()
        return (0, None) if chance < 0.1 else (1200 * MS, adu) if chance < 0.2 else None

    async def run() -> None:
        receiver = kit.device(answer=answer)
        plant = await plant_of(kit, receiver, verified(0.2), max_age_ns=20 * S)
        for number in range(120):
            plant.source.set_registers(0, [number * 7 % 100])
            await asyncio.sleep(1)
        assert not plant.carry.receiving.watches[0].is_stopped, outcomes(plant)
        await plant.engine.stop()
        assert plant.counts_are_exact()

    run_virtual(run)


def test_a_new_set_point_may_take_its_settle_time_on_any_way(kit: Any) -> None:
    async def run() -> None:
        # On its way from 50 to 70 the place overshoots to 73, and shows 0 for a moment.
        def apply(device: Any, number: int, at_ns: int) -> None:
            if number == 70 and at_ns < 8 * S:
                device.set_registers(100, [73 if at_ns % (2 * S) < S else 0])

        plant = await plant_of(kit, applying(kit, apply), verified(5), number=50)
        await asyncio.sleep(5)
        plant.source.set_registers(0, [70])
        await asyncio.sleep(10)
        assert outcomes(plant) == []
        assert plant.carry.receiving.watches[0].state == "verified"
        await plant.engine.stop()

    run_virtual(run)


@pytest.mark.parametrize("code", [4, 0x0B])
def test_a_write_that_was_refused_and_carried_out_is_no_second_writer(kit: Any, code: int) -> None:
    async def run() -> None:
        def answer(device: Any, seen: Any, adu: bytes) -> tuple[int, bytes] | None:
            is_liar = put_in(seen) is not None and seen.index % 5 == 0
            return (0, adu[:4] + b"\x00\x03" + adu[6:7] + bytes((0x90, code))) if is_liar else None

        plant = await plant_of(kit, kit.device(answer=answer), verified(0.1))
        for number in range(60):
            plant.source.set_registers(0, [number])
            await asyncio.sleep(0.5)
        assert not plant.carry.receiving.watches[0].is_stopped, outcomes(plant)
        await plant.engine.stop()
        assert plant.counts_are_exact()

    run_virtual(run)
