"""No single reading stops a value: it is held back, read once more, and stopped only if that reading says so too."""

from __future__ import annotations

import asyncio
import itertools
import struct
from collections.abc import Container
from typing import Any

import pytest

from wherry.engine.events import EventKind
from wherry.engine.verification import DOUBTED
from wherry.plan.model import OnLoss, Point, Table, Value
from wherry.simulate.virtual_loop import run_virtual
from wherry.values.types import UINT16

MS = 1_000_000
S = 1000 * MS
FALSE = 12345


def word(index: int = 0, **more: Any) -> Value:
    places = [Point(Table.HOLDING, start + index, UINT16) for start in (0, 100)]
    return Value(f"word {index}", places[0], places[1], **{"verify_ns": S, **more})


class Falsifier:
    """A receiver whose readings of the place are false at the given turns; the place itself holds what was put."""

    def __init__(self, kit: Any, turns: Container[int], numbers: Any = None) -> None:
        self.turns = turns
        self.numbers = numbers or itertools.repeat(FALSE)
        self.readings = 0
        self.log: list[str] = []
        """In their order: "true" and "false" readings, and "write" for what puts the place."""
        self.log_ns: list[int] = []
        self.device = kit.device(answer=self._answer)

    def _answer(self, device: Any, seen: Any, adu: bytes) -> tuple[int, bytes] | None:
        start, count = struct.unpack(">HH", seen.pdu[1:5])
        if not start <= 100 < start + count:
            return None
        kind = "write"
        false: tuple[int, bytes] | None = None
        if not seen.is_write:
            self.readings += 1
            kind = "true"
            if self.readings in self.turns:
                kind = "false"
                at = len(adu) - 2 * (count - (100 - start))
                false = (5 * MS, adu[:at] + struct.pack(">H", next(self.numbers)) + adu[at + 2 :])
        self.log.append(kind)
        self.log_ns.append(seen.at_ns)
        return false

    def followers_of(self, kind: str) -> set[str]:
        return {after for before, after in itertools.pairwise(self.log) if before == kind}


def told(plant: Any) -> list[str]:
    return [each.message for each in plant.events if each.kind is EventKind.WRITE_OUTCOME]


async def plant_of(kit: Any, *values: Value, **more: Any) -> Any:
    source = kit.device()
    source.set_registers(0, [70, 71, 72])
    return await kit.plant(values, source=source, **more)


def test_one_false_reading_holds_the_value_back_for_one_cycle_and_no_longer(kit: Any) -> None:
    async def run() -> None:
        receiver = Falsifier(kit, {20})
        plant = await plant_of(kit, word(), word(1, verify_ns=None), receiver=receiver.device)
        worst: list[tuple[str, str]] = []
        while plant.engine.now_ns() < 10 * S:
            await asyncio.sleep(0.05)
            if worst[-1:] != [(plant.carry.quality.name, plant.carry.quality_reason)]:
                worst.append((plant.carry.quality.name, plant.carry.quality_reason))
        assert worst[-2:] == [("UNCERTAIN", f"word 0: {DOUBTED}"), ("GOOD", "")]
        assert receiver.log.count("false") == 1
        assert receiver.followers_of("false") == {"true"}, "nothing is put before it was read once more"
        assert receiver.followers_of("true") == {"write"}
        (watch,) = plant.carry.receiving.watches
        assert (watch.state, watch.doubts, watch.is_stopped) == ("verified", 1, False)
        assert told(plant) == ["word 0 of water: read as 12345 in place of 70 once, and not any more: it goes on"]
        await plant.engine.stop()
        assert plant.counts_are_exact()

    run_virtual(run)


def test_false_readings_that_come_again_are_counted_and_told_once(kit: Any) -> None:
    async def run() -> None:
        receiver = Falsifier(kit, range(10, 100_000, 3))
        plant = await plant_of(kit, word(), receiver=receiver.device)
        await asyncio.sleep(60)
        (watch,) = plant.carry.receiving.watches
        assert not watch.is_stopped
        assert receiver.log.count("false") - watch.doubts in (0, 1)
        assert watch.doubts > 90
        assert watch.summary()["doubted"] == watch.doubts
        assert receiver.followers_of("false") == {"true"}
        assert len(told(plant)) == 1
        await plant.engine.stop()
        assert plant.counts_are_exact()

    run_virtual(run)


def test_two_readings_in_a_row_stop_it_also_when_they_differ(kit: Any) -> None:
    async def run() -> None:
        receiver = Falsifier(kit, {20, 21}, iter([555, 777]))
        plant = await plant_of(kit, word(), receiver=receiver.device)
        await asyncio.sleep(10)
        assert told(plant) == ["word 0 of water: overwritten by somebody else: it holds 777 in place of 70"]
        # The second reading is the last request for the place, and came a period after the first.
        assert receiver.log[-2:] == ["false", "false"]
        assert receiver.log_ns[-1] - receiver.log_ns[-2] <= 210 * MS
        assert plant.carry.quality.name == "BAD"
        await plant.engine.stop()
        assert plant.counts_are_exact()

    run_virtual(run)


@pytest.mark.parametrize("silent_s", [0, 5])
def test_a_doubt_outlasts_the_loss_of_the_connection(kit: Any, silent_s: float) -> None:
    async def run() -> None:
        receiver = Falsifier(kit, ())
        plant = await plant_of(kit, word(), receiver=receiver.device)
        await asyncio.sleep(10.05)
        receiver.device.set_registers(100, [999])
        (watch,) = plant.carry.receiving.watches
        for _ in range(300):
            await asyncio.sleep(0.001)
            if watch.is_doubted:
                break
        assert watch.is_doubted
        receiver.device.kill()
        await asyncio.sleep(silent_s)
        receiver.device.is_dead = False
        await asyncio.sleep(10)
        assert receiver.device.registers(100, 1) == [999]
        assert told(plant) == ["word 0 of water: overwritten by somebody else: it holds 999 in place of 70"]
        await plant.engine.stop()
        assert plant.counts_are_exact()

    run_virtual(run)


def test_a_group_is_held_back_whole(kit: Any) -> None:
    async def run() -> None:
        receiver = Falsifier(kit, {20})
        plant = await plant_of(
            kit, word(group="g"), word(1, group="g", verify_ns=None), word(2, verify_ns=None), receiver=receiver.device
        )
        await asyncio.sleep(10)
        at_ns = receiver.log_ns[receiver.log.index("false")]
        held_back = [each for each in receiver.device.writes if at_ns < each.at_ns < at_ns + 150 * MS]
        assert [each.pdu[1:5] for each in held_back] == [b"\x00\x66\x00\x01", b"\x00\x5a\x00\x04"]
        assert plant.carry.quality.name == "GOOD"
        await plant.engine.stop()

    run_virtual(run)


def test_a_substitute_waits_for_the_second_reading_too(kit: Any) -> None:
    """With the source lost a cycle that failed is followed by the substitutes, and a reading of their own, at once."""

    async def run() -> None:
        receiver = Falsifier(kit, {61, 62})
        plant = await plant_of(kit, word(substitute=9), receiver=receiver.device, on_loss=OnLoss.SUBSTITUTE)
        await asyncio.sleep(5)
        plant.source.kill()
        await asyncio.sleep(10)
        (first, second) = [at_ns for kind, at_ns in zip(receiver.log, receiver.log_ns, strict=True) if kind == "false"]
        assert second - first < 100 * MS, "the two false readings are those of one cycle"
        (watch,) = plant.carry.receiving.watches
        assert not watch.is_stopped, told(plant)
        between = receiver.log[receiver.log.index("false") : receiver.log.index("false") + 3]
        assert between == ["false", "false", "true"]
        assert receiver.device.registers(100, 1) == [9]
        await plant.engine.stop()
        assert plant.counts_are_exact()

    run_virtual(run)
