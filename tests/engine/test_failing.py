"""What the engine promises when devices and links fail, in virtual time, judged by what the devices saw."""

from __future__ import annotations

import asyncio
import random
import struct
from collections.abc import Callable
from itertools import pairwise
from typing import Any

import pytest

from wherry.engine.line import Job, NotSent
from wherry.plan.model import Limits, OnLoss, Point, Table, Value
from wherry.protocol.pdu import (
    MaskWriteRegister,
    Request,
    WriteMultipleCoils,
    WriteMultipleRegisters,
    WriteSingleCoil,
    WriteSingleRegister,
)
from wherry.protocol.session import prepare
from wherry.simulate.virtual_loop import run_virtual
from wherry.values.types import UINT16

MS = 1_000_000
S = 1000 * MS


def numbered(device: Any, seen: Any) -> None:
    """Each read finds its own number, in ten words, so that it is known which request a value came from."""
    if not seen.is_write:
        number = device.reads_seen
        device.set_registers(0, [number >> 16, number & 0xFFFF, *range(8)])


def numbers_delivered(receiver: Any, address: int = 100) -> list[int]:
    head = struct.pack(">H", address)
    return [int(struct.unpack(">I", each.pdu[6:10])[0]) for each in receiver.writes if each.pdu[1:3] == head]


async def until(holds: Callable[[], bool]) -> None:
    """Look every millisecond of virtual time, for a minute at most."""
    for _ in range(60_000):
        if holds():
            return
        await asyncio.sleep(0.001)
    raise AssertionError("it did not come about within a minute")


@pytest.mark.parametrize("phase", range(100))
def test_a_lost_source_shows_in_the_receiver_in_time_and_comes_back_by_itself(kit: Any, phase: int) -> None:
    """The source is killed for five seconds at a phase of its own; only the receiver's registers are looked at."""

    async def scenario() -> None:
        rng = random.Random(phase)
        limits = Limits(reconnect_ns_max=S)
        plant = await kit.plant(source=kit.device(before=numbered), limits=limits, seed=phase)
        await asyncio.sleep(1 + rng.random())
        assert plant.receiver.registers(91, 1) == [2]
        plant.source.kill()
        killed_ns = plant.receiver.now_ns()
        last_good = plant.receiver.registers(100, 10)
        reads_before = len(plant.source.reads)
        bad_ns = None
        heartbeat = 0
        while plant.receiver.now_ns() < killed_ns + 5 * S:
            await asyncio.sleep(0.001)
            heartbeat, quality, age_ms, _ = plant.receiver.registers(90, 4)
            if quality == 0 and bad_ns is None:
                bad_ns = plant.receiver.now_ns()
                assert age_ms >= 1000
            assert bad_ns is None or quality == 0
        assert bad_ns is not None
        assert bad_ns - killed_ns <= S + 200 * MS
        assert plant.receiver.registers(100, 10) == last_good
        beat = heartbeat
        await asyncio.sleep(0.45)
        assert plant.receiver.registers(90, 1) > [beat]
        plant.source.is_dead = False
        answered = len(plant.source.reads)
        assert reads_before <= answered
        await until(lambda: plant.receiver.registers(91, 1) == [2])
        # Good again only after a new read: what the receiver holds was read after the return.
        assert struct.unpack(">I", struct.pack(">2H", *plant.receiver.registers(100, 2)))[0] > answered
        assert plant.receiver.now_ns() - killed_ns <= 5 * S + 450 * MS + 2 * S
        await plant.engine.stop()
        assert plant.counts_are_exact()

    run_virtual(scenario)


def test_of_a_hundred_thousand_cycles_with_late_replies_no_late_value_is_delivered(kit: Any) -> None:
    rng = random.Random(3)
    late: set[int] = set()

    def answer(device: Any, seen: Any, adu: bytes | None) -> tuple[int, bytes | None] | None:
        if rng.random() >= 0.01:
            return None
        late.add(device.reads_seen)
        return 100 * MS + rng.randrange(1, 300) * MS, adu

    async def scenario() -> None:
        limits = Limits(timeout_ns=100 * MS)
        source = kit.device(before=numbered, answer=answer)
        plant = await kit.plant(source=source, limits=limits, period_ns=150 * MS, status=None)
        await asyncio.sleep(15_300)
        await plant.engine.stop()
        delivered = numbers_delivered(plant.receiver)
        assert len(plant.source.reads) >= 100_000
        assert len(late) > 500
        assert not late & set(delivered)
        assert delivered == sorted(set(delivered))
        assert set(delivered) | late >= set(range(1, len(plant.source.reads) - 2))
        counters = plant.engine.lines["skid"].counters
        assert counters.timeouts == len(late)
        assert counters.late_replies > 0.9 * len(late)
        assert plant.carry.delivered == len(delivered)
        assert plant.counts_are_exact()

    run_virtual(scenario)


def wrong_transaction(adu: bytes) -> bytes:
    return bytes([adu[0] ^ 0x55]) + adu[1:]


def wrong_unit(adu: bytes) -> bytes:
    return adu[:6] + bytes([adu[6] ^ 1]) + adu[7:]


def wrong_function(adu: bytes) -> bytes:
    return adu[:7] + b"\x04" + adu[8:]


def too_short(adu: bytes) -> bytes:
    return adu[:4] + struct.pack(">H", len(adu) - 8) + adu[6:8] + bytes([adu[8] - 2]) + adu[9:-2]


def odd_count(adu: bytes) -> bytes:
    return adu[:8] + bytes([adu[8] - 1]) + adu[9:]


def two_registers_more(adu: bytes) -> bytes:
    return adu[:4] + struct.pack(">H", len(adu) - 2) + adu[6:8] + bytes([adu[8] + 4]) + adu[9:] + bytes(4)


def cut_off(adu: bytes) -> bytes:
    return adu[:-3]


def wrong_protocol(adu: bytes) -> bytes:
    return adu[:2] + b"\x00\x07" + adu[4:]


@pytest.mark.parametrize(
    "harm",
    [
        wrong_transaction,
        wrong_unit,
        wrong_function,
        too_short,
        odd_count,
        two_registers_more,
        cut_off,
        wrong_protocol,
    ],
)
def test_a_wrong_reply_is_never_an_answer(kit: Any, harm: Any) -> None:
    """Every third reply is wrong; what is delivered comes from the others alone, and the exchange goes on."""
    harmed: set[int] = set()

    def answer(device: Any, seen: Any, adu: bytes | None) -> tuple[int, bytes | None] | None:
        number = device.reads_seen
        if number % 3 or adu is None:
            return None
        harmed.add(number)
        return 5 * MS, harm(adu)

    async def scenario() -> None:
        limits = Limits(timeout_ns=100 * MS, reconnect_ns=100 * MS, reconnect_ns_max=100 * MS)
        plant = await kit.plant(source=kit.device(before=numbered, answer=answer), limits=limits)
        await asyncio.sleep(120)
        await plant.engine.stop()
        delivered = numbers_delivered(plant.receiver)
        assert len(delivered) > 100
        assert not harmed & set(delivered)
        assert plant.carry.failed > 50
        assert plant.counts_are_exact()

    run_virtual(scenario)


def test_a_reply_split_byte_by_byte_is_an_answer(kit: Any) -> None:
    async def scenario() -> None:
        plant = await kit.plant()
        plant.network.route("10.20.0.11", 502).to_client.split_bytes = 1
        for line in plant.engine.lines.values():
            assert line.state is not None
        await asyncio.sleep(2.95)
        await plant.engine.stop()
        assert plant.carry.delivered == 15
        assert plant.carry.failed == 0

    run_virtual(scenario)


def test_the_heartbeat_stops_when_the_receiver_is_lost_and_goes_on_after(kit: Any) -> None:
    async def scenario() -> None:
        limits = Limits(reconnect_ns_max=S)
        plant = await kit.plant(receiver_limits=limits)
        await asyncio.sleep(1.05)
        plant.receiver.kill()
        before = plant.receiver.registers(90, 14)
        await asyncio.sleep(5)
        assert plant.receiver.registers(90, 14) == before
        plant.receiver.is_dead = False
        await asyncio.sleep(2)
        assert plant.receiver.registers(90, 1) > before[:1]
        assert plant.receiver.registers(91, 1) == [2]
        await plant.engine.stop()
        assert plant.carry.failures["write: not connected"] > 10
        assert plant.counts_are_exact()

    run_virtual(scenario)


def test_a_silent_receiver_is_given_nothing_old_when_it_answers_again(kit: Any) -> None:
    """Half-open: requests vanish. After the return every value written was read at most max_age before."""

    async def scenario() -> None:
        source = kit.device(before=numbered)
        plant = await kit.plant(source=source, receiver_limits=Limits(reconnect_ns_max=S), max_age_ns=S)
        read_at: dict[int, int] = {}
        await asyncio.sleep(1.05)
        plant.receiver.is_dead = True
        await asyncio.sleep(7)
        plant.receiver.is_dead = False
        await asyncio.sleep(5)
        await plant.engine.stop()
        for number, seen in enumerate(plant.source.reads, start=1):
            read_at[number] = seen.at_ns
        head = struct.pack(">H", 100)
        for seen in plant.receiver.writes:
            if seen.pdu[1:3] == head:
                number = struct.unpack(">I", seen.pdu[6:10])[0]
                assert seen.at_ns - read_at[number] <= S
        assert plant.receiver.registers(91, 1) == [0]
        assert plant.counts_are_exact()

    run_virtual(scenario)


def test_a_source_program_that_stands_still_is_found_out(kit: Any) -> None:
    alive = Point(Table.HOLDING, 50, UINT16)
    ticking = {"on": False, "count": 0}

    def tick(device: Any, seen: Any) -> None:
        numbered(device, seen)
        if ticking["on"]:
            ticking["count"] += 1
        device.set_registers(50, [ticking["count"] & 0xFFFF])

    async def scenario() -> None:
        plant = await kit.plant(source=kit.device(before=tick), alive=alive)
        await asyncio.sleep(3)
        assert numbers_delivered(plant.receiver) == []
        assert plant.receiver.registers(91, 1) == [0]
        ticking["on"] = True
        await asyncio.sleep(3)
        assert plant.receiver.registers(91, 1) == [2]
        ticking["on"] = False
        await asyncio.sleep(2.5)
        assert plant.receiver.registers(91, 1) == [0]
        assert "stands still" in plant.carry.quality_reason
        delivered = len(numbers_delivered(plant.receiver))
        await asyncio.sleep(2)
        assert len(numbers_delivered(plant.receiver)) == delivered
        await plant.engine.stop()
        assert plant.counts_are_exact()

    run_virtual(scenario)


def test_a_lost_source_costs_each_place_one_write_in_a_period(kit: Any) -> None:
    """A receiver with time for the values has time for the substitutes: nothing is put twice, and nobody starves."""
    values = [Value("w", Point(Table.HOLDING, 0, UINT16), Point(Table.HOLDING, 100, UINT16), substitute=4321)]

    async def main() -> Any:
        plant = await kit.plant(values, on_loss=OnLoss.SUBSTITUTE)
        await asyncio.sleep(5)
        plant.source.kill()
        await asyncio.sleep(10)
        plant.receiver.seen.clear()
        await asyncio.sleep(20)
        return plant

    plant = run_virtual(main)
    puts = [each for each in plant.receiver.writes if each.pdu[1:3] == b"\0\x64"]
    periods = 20 * S // plant.carry.transfer.period_ns
    assert periods - 1 <= len(puts) <= periods + 1


def test_substitutes_are_put_when_the_source_is_lost_and_values_when_it_is_back(kit: Any) -> None:
    values = [Value("w", Point(Table.HOLDING, 0, UINT16), Point(Table.HOLDING, 100, UINT16), substitute=4321)]

    async def scenario() -> None:
        source = kit.device()
        source.set_registers(0, [17])
        limits = Limits(reconnect_ns_max=S)
        plant = await kit.plant(values, source=source, limits=limits, on_loss=OnLoss.SUBSTITUTE)
        await asyncio.sleep(1.05)
        plant.source.kill()
        killed_ns = plant.receiver.now_ns()
        await until(lambda: plant.receiver.registers(100, 1) == [4321])
        assert 800 * MS <= plant.receiver.now_ns() - killed_ns <= S + 200 * MS
        assert plant.receiver.registers(91, 1) == [0]
        await asyncio.sleep(2)
        assert plant.receiver.registers(100, 1) == [4321]
        plant.source.is_dead = False
        await asyncio.sleep(2)
        assert plant.receiver.registers(100, 1) == [17]
        assert plant.receiver.registers(91, 1) == [2]
        await plant.engine.stop()
        assert plant.counts_are_exact()

    run_virtual(scenario)


def test_one_refused_request_does_not_stop_the_others(kit: Any) -> None:
    values = (
        Value("a", Point(Table.HOLDING, 0, UINT16), Point(Table.HOLDING, 100, UINT16)),
        Value("b", Point(Table.HOLDING, 500, UINT16), Point(Table.HOLDING, 101, UINT16)),
        Value("c", Point(Table.HOLDING, 900, UINT16), Point(Table.HOLDING, 102, UINT16)),
    )

    def answer(device: Any, seen: Any, adu: bytes | None) -> tuple[int, bytes | None] | None:
        if seen.pdu[1:3] == struct.pack(">H", 500) and adu is not None:
            return 5 * MS, adu[:4] + b"\x00\x03" + adu[6:7] + b"\x83\x02"
        return None

    async def scenario() -> None:
        source = kit.device(answer=answer)
        source.set_registers(0, [1])
        source.set_registers(900, [3])
        receiver = kit.device()
        receiver.set_registers(101, [55])
        plant = await kit.plant(values, source=source, receiver=receiver)
        await asyncio.sleep(0.95)
        await plant.engine.stop()
        assert receiver.registers(100, 3) == [1, 55, 3]
        assert plant.carry.failed == 5
        assert plant.carry.failures == {"read: the controller refused it: illegal data address (02)": 5}
        assert plant.engine.lines["skid"].counters.exceptions == 5
        assert plant.counts_are_exact()

    run_virtual(scenario)


def test_a_receiver_that_refuses_is_counted_and_named(kit: Any) -> None:
    def answer(device: Any, seen: Any, adu: bytes | None) -> tuple[int, bytes | None] | None:
        assert adu is not None
        return 5 * MS, adu[:4] + b"\x00\x03" + adu[6:7] + b"\x90\x04"

    async def scenario() -> None:
        plant = await kit.plant(receiver=kit.device(answer=answer))
        await asyncio.sleep(1.95)
        await plant.engine.stop()
        assert plant.carry.failures == {"write: the controller refused it: server device failure (04)": 10}
        assert plant.counts_are_exact()

    run_virtual(scenario)


def test_connects_to_a_dead_device_grow_apart_and_stay_bounded(kit: Any) -> None:
    async def scenario() -> None:
        limits = Limits(reconnect_ns=S, reconnect_ns_max=60 * S)
        plant = await kit.plant(limits=limits)
        plant.source.kill()
        await asyncio.sleep(24 * 3600)
        await plant.engine.stop()
        connects = plant.source.connects_ns
        assert len(connects) < 24 * 3600 / 30 + 20
        waits = [later - earlier for earlier, later in pairwise(connects)]
        assert max(waits) <= 61 * S
        assert min(waits[-100:]) >= 30 * S
        assert len({wait // MS for wait in waits[-100:]}) > 50, "the waits must be jittered"

    run_virtual(scenario)


def test_memory_of_the_engine_stays_flat_while_a_device_is_slow(kit: Any) -> None:
    async def scenario() -> None:
        plant = await kit.plant(source=kit.device(delay_ns=650 * MS), max_age_ns=2 * S)
        line = plant.engine.lines["skid"]
        for _ in range(200):
            await asyncio.sleep(1)
            assert len(line.reads) + len(line.writes) + line.link._session.in_flight <= 1
        await plant.engine.stop()
        assert plant.carry.delivered > 200

    run_virtual(scenario)


def random_write(rng: random.Random) -> Request:
    address = rng.choice((rng.randrange(65400), rng.randrange(85, 115), rng.randrange(0, 12)))
    count = rng.choice((1, 1, 2, 4, 10, rng.randrange(1, 120)))
    match rng.randrange(5):
        case 0:
            return WriteMultipleRegisters(address, rng.randbytes(2 * count))
        case 1:
            return WriteSingleRegister(address, rng.randrange(65536))
        case 2:
            return WriteMultipleCoils(address, 8 * (count % 10 + 1), rng.randbytes(count % 10 + 1))
        case 3:
            return WriteSingleCoil(address, rng.random() < 0.5)
        case _:
            return MaskWriteRegister(address, rng.randrange(65536), rng.randrange(65536))


def places(pdu: bytes) -> set[tuple[str, int]]:
    """What a write touches, decoded here by hand."""
    address = int.from_bytes(pdu[1:3], "big")
    count = int.from_bytes(pdu[3:5], "big")
    match pdu[0]:
        case 0x10:
            return {("register", address + k) for k in range(count)}
        case 0x06 | 0x16:
            return {("register", address)}
        case 0x0F:
            return {("coil", address + k) for k in range(count)}
        case _:
            return {("coil", address)}


def test_of_a_hundred_thousand_random_writes_through_the_line_none_outside_the_plan_leaves(kit: Any) -> None:
    """Everything goes through the engine's own line to a device that writes down what arrives."""
    declared = {("register", each) for each in (*range(90, 94), *range(100, 110))}

    async def scenario() -> None:
        rng = random.Random(11)
        receiver = kit.device(delay_ns=0)
        plant = await kit.plant(receiver=receiver, period_ns=3600 * S, max_age_ns=3600 * S)
        await asyncio.sleep(1)
        line = plant.engine.lines["hall"]
        ended: list[Any] = []
        seen_before = len(receiver.seen)
        allowed = 0
        for _ in range(100_000):
            request = random_write(rng)
            prepared = prepare(1, request)
            allowed += places(prepared.pdu) <= declared
            line.submit(Job(prepared, ended.append, is_write=True))
            if line.writes:
                await asyncio.sleep(0.001)
        await asyncio.sleep(1)
        left = receiver.seen[seen_before:]
        assert len(ended) == 100_000
        assert all(places(each.pdu) <= declared for each in left)
        assert 500 < len(left) <= allowed
        assert sum(each is NotSent.GUARD for each in ended) == 100_000 - len(left) == line.guard.refused
        assert sum(event.kind == "write refused" for event in plant.events) == line.guard.refused
        await plant.engine.stop()

    run_virtual(scenario)


def test_a_peer_that_answers_for_every_unit_does_not_fill_the_counts(kit: Any) -> None:
    def answer(device: Any, seen: Any, adu: bytes | None) -> tuple[int, bytes | None]:
        assert adu is not None
        return 0, adu[:6] + bytes((2 + seen.index % 200,)) + adu[7:]

    async def run() -> None:
        plant = await kit.plant(source=kit.device(answer=answer))
        await asyncio.sleep(60)
        failures = plant.carry.failures
        assert len(failures) == 25
        assert failures["for other reasons"] > 100
        assert "answered a request to unit 1" in plant.carry.quality_reason
        await plant.engine.stop()
        assert plant.counts_are_exact()
        assert sum(failures.values()) == plant.carry.failed

    run_virtual(run)
