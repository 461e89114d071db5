"""What the engine promises on healthy links, in virtual time, judged by what the devices saw."""

from __future__ import annotations

import asyncio
import struct
from itertools import pairwise
from typing import Any

import pytest

from wherry.plan.model import Limits, OnLoss, Point, Scale, Span, Table, Transfer, Value
from wherry.simulate.virtual_loop import run_virtual
from wherry.values.types import BOOL, FLOAT32, INT16, UINT16, raw

MS = 1_000_000
S = 1000 * MS


def counting(device: Any, seen: Any) -> None:
    """Before each request the source's ten words become a new set that no other request sees."""
    if not seen.is_write:
        device.set_registers(0, [(1000 * seen.index + offset) & 0xFFFF for offset in range(10)])


def test_every_set_delivered_is_one_that_the_source_held_and_counts_are_exact(kit: Any) -> None:
    async def scenario() -> None:
        plant = await kit.plant(source=kit.device(before=counting))
        await asyncio.sleep(19.95)
        await plant.engine.stop()
        sets = [struct.unpack(">10H", each.pdu[6:]) for each in plant.receiver.writes if each.pdu[1:3] == b"\0\x64"]
        held = [tuple((1000 * each.index + offset) & 0xFFFF for offset in range(10)) for each in plant.source.reads]
        assert sets == held
        assert plant.carry.delivered == len(sets) == 100
        assert plant.carry.skipped == plant.carry.failed == 0
        assert plant.counts_are_exact()

    run_virtual(scenario)


def test_periods_do_not_drift(kit: Any) -> None:
    async def scenario() -> None:
        plant = await kit.plant(period_ns=70 * MS, max_age_ns=S)
        await asyncio.sleep(70)
        await plant.engine.stop()
        instants = [each.at_ns for each in plant.source.reads]
        assert instants == [instants[0] + k * 70 * MS for k in range(len(instants))]

    run_virtual(scenario)


def test_the_status_registers_tell_of_health(kit: Any) -> None:
    async def scenario() -> None:
        plant = await kit.plant()
        await asyncio.sleep(1.05)
        heartbeat, quality, age_ms, sequence = plant.receiver.registers(90, 4)
        assert (heartbeat, quality, sequence) == (6, 2, 6)
        assert age_ms == 10
        await plant.engine.stop()
        assert plant.receiver.registers(90, 4)[1] == 0

    run_virtual(scenario)


def test_status_registers_beside_the_values_go_in_one_request(kit: Any) -> None:
    async def scenario() -> None:
        plant = await kit.plant(kit.words(6, put=94), status=90)
        await asyncio.sleep(1.05)
        assert {(each.pdu[1:5]) for each in plant.receiver.writes} == {bytes.fromhex("005A000A")}
        assert plant.receiver.registers(90, 4)[1] == 2
        assert plant.receiver.registers(90, 4)[3] == plant.carry.delivered
        await plant.engine.stop()

    run_virtual(scenario)


def test_not_armed_not_one_write_leaves(kit: Any) -> None:
    async def scenario() -> None:
        plant = await kit.plant(armed=False)
        await asyncio.sleep(29.95)
        assert plant.carry.results[3].value == 0
        await plant.engine.stop()
        assert plant.receiver.seen == []
        assert plant.carry.skipped_unarmed == plant.carry.scheduled == 150
        assert plant.counts_are_exact()

    run_virtual(scenario)


def test_values_are_converted_and_a_bad_one_leaves_its_place_alone(kit: Any) -> None:
    values = (
        Value("left", Point(Table.HOLDING, 0, UINT16), Point(Table.HOLDING, 100, UINT16)),
        Value(
            "oxygen",
            Point(Table.HOLDING, 1, FLOAT32),
            Point(Table.HOLDING, 101, INT16),
            scale=Scale(0, 20, 0, 2000),
            range=(0, 20),
        ),
        Value("right", Point(Table.HOLDING, 3, UINT16), Point(Table.HOLDING, 102, UINT16)),
    )

    async def scenario() -> None:
        source = kit.device()
        source.set_registers(0, [7, *struct.unpack(">2H", struct.pack(">f", 8.25)), 9])
        plant = await kit.plant(values, source=source)
        await asyncio.sleep(0.1)
        assert plant.receiver.registers(100, 3) == [7, 825, 9]
        assert plant.receiver.registers(91, 1) == [2]
        source.set_registers(0, [8, *struct.unpack(">2H", struct.pack(">f", 20.5)), 10])
        await asyncio.sleep(0.2)
        assert plant.receiver.registers(100, 3) == [8, 825, 10]
        assert plant.receiver.registers(91, 1) == [0]
        assert plant.events[-1].message == "water is Bad: oxygen: out of range"
        source.set_registers(0, [8, *struct.unpack(">2H", struct.pack(">f", 2.5)), 10])
        await asyncio.sleep(0.2)
        assert plant.receiver.registers(100, 3) == [8, 250, 10]
        assert plant.receiver.registers(91, 1) == [2]
        await plant.engine.stop()
        assert plant.counts_are_exact()

    run_virtual(scenario)


def test_a_group_is_put_whole_or_not_at_all(kit: Any) -> None:
    def value(name: str, index: int, group: str) -> Value:
        place = Point(Table.HOLDING, index, UINT16), Point(Table.HOLDING, 100 + index, UINT16)
        return Value(name, *place, range=(0, 100), group=group)

    async def scenario() -> None:
        source = kit.device()
        source.set_registers(0, [1, 2, 3])
        plant = await kit.plant([value("a", 0, "pair"), value("b", 1, "pair"), value("c", 2, "")], source=source)
        await asyncio.sleep(0.1)
        source.set_registers(0, [11, 999, 13])
        await asyncio.sleep(0.2)
        assert plant.receiver.registers(100, 3) == [1, 2, 13]
        await plant.engine.stop()

    run_virtual(scenario)


def test_a_substitute_stands_in_for_a_bad_value(kit: Any) -> None:
    values = [
        Value(
            "oxygen",
            Point(Table.HOLDING, 0, UINT16),
            Point(Table.HOLDING, 100, UINT16),
            scale=Scale(0, 10, 0, 100),
            range=(0, 10),
            substitute=4,
        )
    ]

    async def scenario() -> None:
        source = kit.device()
        source.set_registers(0, [7])
        plant = await kit.plant(values, source=source, on_loss=OnLoss.SUBSTITUTE)
        await asyncio.sleep(0.1)
        assert plant.receiver.registers(100, 1) == [70]
        source.set_registers(0, [11])
        await asyncio.sleep(0.2)
        assert plant.receiver.registers(100, 1) == [40]
        assert plant.receiver.registers(91, 1) == [0]
        await plant.engine.stop()

    run_virtual(scenario)


def test_bits_go_from_words_to_coils_and_into_words_without_touching_their_neighbours(kit: Any) -> None:
    values = (
        Value("pump", Point(Table.HOLDING, 12, BOOL, bit=3), Point(Table.COIL, 5)),
        Value("valve", Point(Table.COIL, 2), Point(Table.HOLDING, 200, BOOL, bit=1)),
        Value("fan", Point(Table.HOLDING, 12, BOOL, bit=0), Point(Table.HOLDING, 200, BOOL, bit=14)),
        Value("coils", Point(Table.COIL, 16, raw(11)), Point(Table.COIL, 6, raw(11))),
    )

    async def scenario() -> None:
        source, receiver = kit.device(), kit.device()
        source.set_registers(12, [0b1001])
        source.store.write_bits(Table.COIL, 2, 1, b"\x01")
        source.store.write_bits(Table.COIL, 16, 11, bytes.fromhex("A505"))
        receiver.set_registers(200, [0b1000_0000_0000_0100])
        plant = await kit.plant(values, source=source, receiver=receiver)
        await asyncio.sleep(0.1)
        assert receiver.registers(200, 1) == [0b1100_0000_0000_0110]
        assert receiver.store.read_bits(Table.COIL, 5, 12) == (1 | 0x05A5 << 1).to_bytes(2, "little")
        source.set_registers(12, [0])
        source.store.write_bits(Table.COIL, 2, 1, b"\x00")
        await asyncio.sleep(0.2)
        assert receiver.registers(200, 1) == [0b1000_0000_0000_0100]
        assert receiver.store.read_bits(Table.COIL, 5, 12) == (0x05A5 << 1).to_bytes(2, "little")
        await plant.engine.stop()
        assert {each.pdu[0] for each in receiver.writes} == {0x0F, 0x10, 0x16}

    run_virtual(scenario)


def test_single_writes_where_the_plan_asks_for_them(kit: Any) -> None:
    values = (
        Value("word", Point(Table.HOLDING, 0, UINT16), Point(Table.HOLDING, 100, UINT16)),
        Value("coil", Point(Table.COIL, 0), Point(Table.COIL, 100)),
    )

    async def scenario() -> None:
        source = kit.device()
        source.set_registers(0, [77])
        source.store.write_bits(Table.COIL, 0, 1, b"\x01")
        plant = await kit.plant(values, source=source, write_single=True, status=None)
        await asyncio.sleep(0.1)
        await plant.engine.stop()
        assert [each.pdu for each in plant.receiver.writes] == [
            bytes.fromhex("060064004D"),
            bytes.fromhex("050064FF00"),
        ]

    run_virtual(scenario)


def test_transfers_of_one_source_and_period_share_their_reads(kit: Any) -> None:
    def transfer(name: str, put: int) -> Transfer:
        return Transfer(name, "skid", "hall", 200 * MS, S, kit.words(4, put=put))

    async def scenario() -> None:
        plant = await kit.plant(transfers=[transfer("one", 100), transfer("two", 300)])
        await asyncio.sleep(1.9)
        await plant.engine.stop()
        assert len(plant.source.reads) == 10
        assert [carry.delivered for carry in plant.engine.carries] == [10, 10]
        assert plant.counts_are_exact()

    run_virtual(scenario)


@pytest.mark.parametrize("in_flight", [1, 2, 4])
def test_never_more_in_flight_than_the_limit_nor_more_connections(kit: Any, in_flight: int) -> None:
    values = tuple(
        Value(f"word {index}", Point(Table.HOLDING, 10 * index, UINT16), Point(Table.HOLDING, 10 * index, UINT16))
        for index in range(12)
    )

    async def scenario() -> None:
        limits = Limits(in_flight=in_flight, read_registers=4, write_registers=4)
        plant = await kit.plant(values, limits=limits, receiver_limits=limits, status=500)
        await asyncio.sleep(3)
        await plant.engine.stop()
        assert plant.source.waiting_max == in_flight
        assert plant.receiver.waiting_max <= in_flight
        assert plant.source.open_max == plant.receiver.open_max == 1
        assert plant.carry.failed == 0
        assert plant.counts_are_exact()

    run_virtual(scenario)


def test_gap_and_rate_are_kept(kit: Any) -> None:
    values = tuple(
        Value(f"word {index}", Point(Table.HOLDING, 10 * index, UINT16), Point(Table.HOLDING, 100 + index, UINT16))
        for index in range(5)
    )

    async def scenario() -> None:
        limits = Limits(gap_ns=7 * MS, requests_per_s=50, read_registers=4)
        plant = await kit.plant(values, limits=limits, period_ns=200 * MS)
        await asyncio.sleep(3)
        await plant.engine.stop()
        instants = [each.at_ns for each in plant.source.reads]
        apart = [later - earlier for earlier, later in pairwise(instants)]
        assert min(apart) == 20 * MS
        assert len(instants) > 50

    run_virtual(scenario)


def test_an_overrun_skips_and_nothing_piles_up(kit: Any) -> None:
    async def scenario() -> None:
        plant = await kit.plant(source=kit.device(delay_ns=450 * MS), max_age_ns=2 * S)
        await asyncio.sleep(60)
        await plant.engine.stop()
        assert plant.source.waiting_max == 1
        assert plant.carry.skipped_overrun > plant.carry.delivered > 50
        assert plant.carry.failed == 0
        assert plant.counts_are_exact()
        # The receiver hears from us all the same; only the stop waits for the cycle under way.
        beats = [each.at_ns for each in plant.receiver.writes if each.pdu[1:3] == b"\0\x5a"]
        assert max(later - earlier for earlier, later in pairwise(beats[:-2])) <= 400 * MS

    run_virtual(scenario)


def test_the_same_seed_gives_the_same_bytes_and_events(kit: Any) -> None:
    async def scenario() -> tuple[Any, Any]:
        plant = await kit.plant(source=kit.device(before=counting), seed=7)
        await asyncio.sleep(3)
        plant.source.kill()
        await asyncio.sleep(5)
        plant.source.is_dead = False
        await asyncio.sleep(15)
        await plant.engine.stop()
        return plant.events, [(each.at_ns, each.pdu) for each in plant.receiver.seen]

    assert run_virtual(scenario) == run_virtual(scenario)


def test_a_status_span_alone_is_inside_the_guard(kit: Any) -> None:
    async def scenario() -> None:
        plant = await kit.plant(kit.words(1, put=100), status=90)
        assert plant.engine.lines["hall"].guard.permits(bytes.fromhex("0001000000 0F 01 10005A000408" + "00" * 8))
        assert plant.plan.transfers[0].status == Span(Table.HOLDING, 90, 4)
        await plant.engine.stop()

    run_virtual(scenario)
