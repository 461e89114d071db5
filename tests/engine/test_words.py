"""Bits in registers: with function 16 hex nothing of others is lost; without it, what is lost is noticed and told."""

from __future__ import annotations

import asyncio
import os
import random
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import pytest

from wherry.engine.events import EventKind
from wherry.engine.job import NO_MASK_WRITE, NotSent
from wherry.engine.status import summary
from wherry.engine.words import Merged
from wherry.plan.model import BitWrites, Limits, Point, Span, Table, Transfer, Value
from wherry.simulate.virtual_loop import run_virtual
from wherry.values.types import BOOL

MS = 1_000_000
S = 1000 * MS
WORD = 5
OWNED = {"bit_writes": BitWrites.READ_CHANGE_WRITE, "owned": (Span(Table.HOLDING, WORD, 1),)}
NEIGHBOURS = 0x0100
WRITES = int(os.environ.get("WHERRY_BIT_WRITES", "4000"))


def bit(name: str, take: int, put: int, word: int = WORD) -> Value:
    return Value(name, Point(Table.COIL, take), Point(Table.HOLDING, word, BOOL, bit=put))


@dataclass
class Toggling:
    """The device: its own program toggles a neighbour of our bit ten times a second, not quite evenly."""

    rng: random.Random
    next_ns: int = 60 * MS
    toggles: int = 0
    lost_at: list[int] = field(default_factory=list)
    """At which of our writes an update of the program was overwritten."""
    writes: int = 0

    def __call__(self, device: Any, seen: Any) -> None:
        while seen.at_ns >= self.next_ns:
            self.toggles += 1
            self.next_ns += 100 * MS + self.rng.randrange(-20 * MS, 20 * MS)
            device.set_registers(WORD, [device.registers(WORD, 1)[0] ^ NEIGHBOURS])
        if seen.is_write and seen.pdu[1:3] == WORD.to_bytes(2, "big"):
            self.writes += 1
            if seen.pdu[0] != 0x16:
                overwritten = device.registers(WORD, 1)[0] ^ int.from_bytes(seen.pdu[-2:], "big")
                if overwritten & NEIGHBOURS:
                    self.lost_at.append(self.writes)


def blinking(device: Any, seen: Any) -> None:
    """The source's bit is another one at each look."""
    device.store.write_bits(Table.COIL, 0, 1, bytes([seen.index & 1]))


async def _plant(kit: Any, before: Any, *, listeners: Sequence[Any] = (), **receiver_is: Any) -> Any:
    return await kit.plant(
        [bit("pump 1", 0, 0)],
        source=kit.device(before=blinking),
        receiver=kit.device(before=before),
        receiver_is=receiver_is,
        listeners=listeners,
        status=None,
    )


@pytest.mark.slow
def test_with_function_16_hex_no_update_is_lost(kit: Any) -> None:
    async def main() -> Toggling:
        toggling = Toggling(random.Random(1))
        plant = await _plant(kit, toggling)
        seen_wrong = 0
        while toggling.writes < WRITES:
            await asyncio.sleep(2)
            seen_wrong += bool(plant.receiver.registers(WORD, 1)[0] & NEIGHBOURS) != toggling.toggles % 2
            plant.source.seen.clear()
            plant.receiver.seen.clear()
        assert seen_wrong == 0
        assert plant.carry.delivered >= WRITES - 1
        return toggling

    toggling = run_virtual(main)
    assert toggling.lost_at == []
    assert toggling.toggles > WRITES


@pytest.mark.slow
def test_without_it_lost_updates_are_noticed_and_told(kit: Any) -> None:
    """Somebody says after each report that the word is ours again (it is not), so that it goes on."""

    async def main() -> tuple[Toggling, list[int], int]:
        toggling = Toggling(random.Random(2))
        reported: list[int] = []

        def trust(event: Any) -> None:
            if event.kind is EventKind.FOREIGN_BITS:
                reported.append(toggling.writes)
                plant.engine.lines["hall"].words[WORD].trust_again()

        plant = await _plant(kit, toggling, listeners=[trust], **OWNED)
        while toggling.writes < WRITES:
            await asyncio.sleep(2)
            plant.source.seen.clear()
            plant.receiver.seen.clear()
        told = summary(plant.engine, plant.engine.now_ns())["controllers"]["hall"]["foreign_bit_changes"]
        await plant.engine.stop()
        assert plant.counts_are_exact()
        return toggling, reported, told

    toggling, reported, told = run_virtual(main)
    assert len(toggling.lost_at) > WRITES // 50, "updates are lost: that is what this way does"
    assert told == len(reported) > len(toggling.lost_at)
    waits = sorted(min((at - lost for at in reported if at >= lost), default=WRITES) for lost in toggling.lost_at)
    assert waits[len(waits) // 2] <= 5, "half of the losses are told within a few writes"
    assert waits[-1] <= 100, "and each of them soon, although two toggles between two looks undo each other"


def test_after_the_first_sight_of_another_writer_the_word_is_left_alone(kit: Any) -> None:
    async def main() -> tuple[Any, Toggling, int, int]:
        toggling = Toggling(random.Random(3))
        plant = await _plant(kit, toggling, **OWNED)
        for _ in range(600):
            if any(each.kind is EventKind.FOREIGN_BITS for each in plant.events):
                break
            await asyncio.sleep(0.1)
        writes, lost = toggling.writes, len(toggling.lost_at)
        await asyncio.sleep(60)
        await plant.engine.stop()
        return plant, toggling, writes, lost

    plant, toggling, writes, lost = run_virtual(main)
    assert (toggling.writes, len(toggling.lost_at)) == (writes, lost)
    assert lost <= 3
    (event,) = [each for each in plant.events if each.kind is EventKind.FOREIGN_BITS]
    assert event.details["bits"] == f"{NEIGHBOURS:04x}"
    assert event.details["address"] == WORD
    assert plant.carry.failures[f"write: {NotSent.FOREIGN.value}"] > 290
    assert plant.carry.quality.name == "BAD"
    assert plant.counts_are_exact()


def test_a_word_of_our_own_is_written_right_and_only_when_it_changes(kit: Any) -> None:
    async def main() -> tuple[Any, list[int]]:
        held: list[int] = []

        def note(device: Any, seen: Any) -> None:
            if not seen.is_write:
                held.append(device.registers(WORD, 1)[0])

        plant = await kit.plant([bit("pump 1", 0, 0)], receiver=kit.device(before=note), receiver_is=OWNED, status=None)
        plant.receiver.set_registers(WORD, [0xA5A4])
        await asyncio.sleep(1.05)
        plant.source.store.write_bits(Table.COIL, 0, 1, b"\1")
        await asyncio.sleep(1)
        await plant.engine.stop()
        return plant, held

    plant, held = run_virtual(main)
    assert [each.pdu.hex() for each in plant.receiver.writes] == ["100005000102a5a5"]
    assert set(held) == {0xA5A4, 0xA5A5}
    assert plant.carry.failed == 0
    assert plant.carry.delivered >= 10


@pytest.mark.parametrize("in_flight", [1, 4])
def test_bits_of_several_transfers_go_together_and_nothing_of_ours_comes_between(kit: Any, in_flight: int) -> None:
    values = [[bit(f"bit {number}", number, number)] for number in range(3)]
    others = [Value("word", Point(Table.HOLDING, 0), Point(Table.HOLDING, 6))]
    every_ns = (200 * MS, 300 * MS, 700 * MS, 100 * MS)
    transfers = [
        Transfer(f"t{index}", "skid", "hall", every_ns[index], 3 * S, tuple(each))
        for index, each in enumerate([*values, others])
    ]

    async def main() -> Any:
        rng = random.Random(4)

        def change(device: Any, seen: Any) -> None:
            device.store.write_bits(Table.COIL, 0, 3, bytes([rng.randrange(8)]))

        plant = await kit.plant(
            transfers=transfers,
            source=kit.device(before=change),
            receiver_is=OWNED,
            receiver_limits=Limits(in_flight=in_flight),
        )
        await asyncio.sleep(60)
        plant.source.before = None
        await asyncio.sleep(3)
        await plant.engine.stop()
        return plant

    plant = run_virtual(main)
    on_word = [each for each in plant.receiver.seen if each.pdu[1:3] == WORD.to_bytes(2, "big")]
    kinds = "".join("w" if each.is_write else "r" for each in on_word)
    assert kinds.count("w") > 100
    assert "ww" not in kinds
    assert kinds.replace("rwr", "").replace("r", "") == "", "read, write, read back, one exchange after the other"
    assert plant.receiver.registers(WORD, 1)[0] == plant.source.store.read_bits(Table.COIL, 0, 3)[0]
    assert all(carry.failed == 0 for carry in plant.engine.carries)
    assert plant.counts_are_exact()


def test_a_device_that_ignores_writes_is_no_second_writer(kit: Any) -> None:
    async def main() -> Any:
        def forget(device: Any, seen: Any, adu: bytes | None) -> None:
            device.set_registers(WORD, [0xFF00])

        plant = await kit.plant(
            [bit("pump 1", 0, 0)],
            source=kit.device(before=lambda device, _: device.store.write_bits(Table.COIL, 0, 1, b"\1")),
            receiver=kit.device(answer=forget),
            receiver_is=OWNED,
            status=None,
        )
        plant.receiver.set_registers(WORD, [0xFF00])
        await asyncio.sleep(10)
        await plant.engine.stop()
        return plant

    plant = run_virtual(main)
    assert plant.carry.failures["write: read back otherwise than written, or not at all"] > 40
    assert not [each for each in plant.events if each.kind is EventKind.FOREIGN_BITS]


def test_after_a_lost_connection_the_word_may_hold_anything(kit: Any) -> None:
    async def main() -> Any:
        plant = await _plant(kit, None, **OWNED)
        await asyncio.sleep(3)
        for transport in list(plant.receiver.open):
            transport.abort()
        plant.receiver.set_registers(WORD, [0x7700])
        await asyncio.sleep(5)
        await plant.engine.stop()
        return plant

    plant = run_virtual(main)
    assert not [each for each in plant.events if each.kind is EventKind.FOREIGN_BITS]
    assert plant.receiver.registers(WORD, 1)[0] & 0xFFFE == 0x7700
    assert plant.carry.delivered > 30


class Late:
    """A receiver that loses one write of the word, and carries it out later, or never."""

    def __init__(self, kit: Any, after_s: float | None) -> None:
        self.after_s = after_s
        self.is_next = False
        self.lost: list[int] = []
        self.on_applied: list[Any] = []
        self.device = kit.device(ignores=self._ignores)

    def _ignores(self, device: Any, seen: Any) -> bool:
        if not (self.is_next and seen.is_write and seen.pdu[1:3] == WORD.to_bytes(2, "big")):
            return False
        self.is_next = False
        self.lost.append(int.from_bytes(seen.pdu[-2:], "big"))
        if self.after_s is not None:
            asyncio.get_running_loop().call_later(self.after_s, self._apply)
        return True

    def _apply(self) -> None:
        self.device.set_registers(WORD, [self.lost[-1]])


async def _late(kit: Any, after_s: float | None) -> tuple[Any, Late]:
    """Our bit is set by a write that gets lost, is set by the next one, and then taken back, all before ``after_s``."""
    late = Late(kit, after_s)
    late.device.set_registers(WORD, [0xA500])
    values = [bit("pump 1", 0, 0), bit("pump 2", 1, 1)]
    plant = await kit.plant(values, receiver=late.device, receiver_is=OWNED, status=None)
    await asyncio.sleep(3)
    late.is_next = True
    plant.source.store.write_bits(Table.COIL, 0, 1, b"\1")
    await asyncio.sleep(2)
    assert late.lost == [0xA501]
    assert late.device.registers(WORD, 1) == [0xA501]
    plant.source.store.write_bits(Table.COIL, 0, 1, b"\0")
    await asyncio.sleep(1)
    assert late.device.registers(WORD, 1) == [0xA500]
    return plant, late


def _foreign(plant: Any) -> list[str]:
    return [each.details["bits"] for each in plant.events if each.kind is EventKind.FOREIGN_BITS]


@pytest.mark.parametrize("after_s", [3.5, 5, 30, 58])
def test_a_write_without_an_answer_that_takes_effect_late_is_no_second_writer(kit: Any, after_s: float) -> None:
    async def main() -> None:
        plant, late = await _late(kit, after_s)
        await asyncio.sleep(60)
        assert _foreign(plant) == []
        assert late.device.registers(WORD, 1) == [0xA500], "what it took back is set anew"
        assert plant.carry.quality.name == "GOOD"
        assert set(plant.carry.failures) == {"write: no reply in time"}
        await plant.engine.stop()
        assert plant.counts_are_exact()

    run_virtual(main)


def test_a_late_write_that_is_met_by_the_reading_back_is_no_second_writer(kit: Any) -> None:
    async def main() -> None:
        plant, late = await _late(kit, None)

        def between(device: Any, seen: Any, adu: bytes | None) -> None:
            if seen.is_write:
                device.answer = None
                late._apply()

        # The other bit is set, and the late write comes between that write and its reading back.
        late.device.answer = between
        plant.source.store.write_bits(Table.COIL, 1, 1, b"\1")
        await asyncio.sleep(2)
        assert late.device.answer is None
        assert _foreign(plant) == []
        assert late.device.registers(WORD, 1) == [0xA502]
        assert plant.carry.quality.name == "GOOD"
        await plant.engine.stop()

    run_virtual(main)


@pytest.mark.parametrize(("word", "wait_s", "bits"), [(0xA503, 1, "0003"), (0x2501, 1, "8001"), (0xA501, 65, "0001")])
def test_only_what_such_a_write_has_put_and_only_for_a_minute_is_taken_for_it(
    kit: Any, word: int, wait_s: float, bits: str
) -> None:
    async def main() -> None:
        plant, late = await _late(kit, None)
        await asyncio.sleep(wait_s)
        late.device.set_registers(WORD, [word])
        await asyncio.sleep(2)
        assert _foreign(plant) == [bits]
        assert late.device.registers(WORD, 1) == [word], "nothing is set there any more"
        await plant.engine.stop()

    run_virtual(main)


def test_a_device_without_function_16_hex_is_answered_with_the_way_out(kit: Any) -> None:
    async def main() -> Any:
        def refuse(device: Any, seen: Any, adu: bytes | None) -> tuple[int, bytes | None] | None:
            if seen.pdu[0] != 0x16 or adu is None:
                return None
            return 5 * MS, adu[:4] + b"\0\3" + adu[6:7] + b"\x96\1"

        plant = await kit.plant([bit("pump 1", 0, 0)], receiver=kit.device(answer=refuse))
        await asyncio.sleep(3)
        await plant.engine.stop()
        return plant

    plant = run_virtual(main)
    assert plant.carry.failures[f"write: {NO_MASK_WRITE}"] >= 10
    assert "bit_writes" in plant.carry.quality_reason


def test_the_guard_lets_no_word_pass_that_is_not_owned(kit: Any) -> None:
    async def main() -> Any:
        plant = await kit.plant([bit("pump 1", 0, 0, word=7)], source=kit.device(before=blinking), receiver_is=OWNED)
        await asyncio.sleep(3)
        await plant.engine.stop()
        return plant

    plant = run_virtual(main)
    assert plant.carry.failures[f"write: {NotSent.GUARD.value}"] > 5
    assert not [each for each in plant.receiver.writes if each.pdu[2] == 7]


def test_the_last_of_several_masks_counts() -> None:
    merged = Merged([(0xFFFE, 0x0001), (0xFFFC, 0x0002), (0xFF7F, 0x0000)])
    assert (merged.changed, merged.ones) == (0x0083, 0x0002)
    assert merged.applied(0xFFFF) == 0xFF7E
    assert merged.applied(0x0000) == 0x0002
