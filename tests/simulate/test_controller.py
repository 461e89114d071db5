"""Simulated controllers as a client sees them, in virtual time over connections in memory."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from dataclasses import replace
from typing import cast

import pytest

from wherry.clock import NS_PER_MS
from wherry.errors import LinkError, LocalError
from wherry.plan.model import (
    Controller,
    Framing,
    Identity,
    IdentityRegister,
    Limits,
    Plan,
    Point,
    ResponseTime,
    Signal,
    Simulation,
    Span,
    Table,
    Transfer,
    Value,
)
from wherry.protocol.mbap import MbapReader, encode_adu
from wherry.protocol.rtu import encode_frame
from wherry.simulate.controller import Counts, Fault, SimulatedController, simulate_plan
from wherry.simulate.virtual_loop import run_virtual
from wherry.transports.memory import MemoryNetwork
from wherry.values.types import BOOL, FLOAT32, INT16, UINT16, Order, raw

S = 1_000_000_000
HOST, PORT = "10.20.0.11", 502
AT_ONCE = ResponseTime(0, 0)
READ_10 = bytes.fromhex("03 0000 000a")
READ_1 = bytes.fromhex("03 0000 0001")
WRITE_1 = bytes.fromhex("10 0064 0001 02 04d2")


def holding(address: int, bit: int | None = None) -> Point:
    return Point(Table.HOLDING, address, UINT16 if bit is None else BOOL, Order.ABCD, bit)


class Asker(asyncio.Protocol):
    """A client that does not know the rules: it sends what it is told and keeps what comes back."""

    def __init__(self) -> None:
        self.transport: asyncio.Transport | None = None
        self.data = b""
        self.pieces: list[bytes] = []
        self.at_ns: list[int] = []
        self.lost: list[Exception | None] = []
        self._transaction = 0

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self.transport = cast("asyncio.Transport", transport)

    def data_received(self, data: bytes) -> None:
        self.data += data
        self.pieces.append(data)
        self.at_ns.append(round(asyncio.get_running_loop().time() * 1e9))

    def connection_lost(self, exc: Exception | None) -> None:
        self.lost.append(exc)

    def send(self, pdu: bytes, unit: int = 1) -> None:
        assert self.transport is not None
        self._transaction += 1
        self.transport.write(encode_adu(self._transaction, unit, pdu))

    async def ask(self, pdu: bytes, unit: int = 1, wait_s: float = 1.0) -> bytes:
        """The PDU of the one reply; empty when there is none."""
        self.data = b""
        self.send(pdu, unit)
        await asyncio.sleep(wait_s)
        frames = MbapReader().feed(self.data)
        assert all(each.transaction == self._transaction and each.unit == unit for each in frames)
        assert len(frames) <= 1
        return frames[0].pdu if frames else b""


async def connect(network: MemoryNetwork, host: str = HOST, port: int = PORT) -> Asker:
    client = Asker()
    await network.connect(lambda: client, host, port, 1.0)
    return client


def skid(response: ResponseTime = AT_ONCE, **more: object) -> Controller:
    return Controller("skid", HOST, PORT, response=response, **more)  # type: ignore[arg-type]


def play(
    controller: Controller,
    play_with: Callable[[SimulatedController, Asker, MemoryNetwork], Awaitable[None]],
    **more: object,
) -> Counts:
    """Start one controller, connect a client, and let them play."""

    async def main() -> Counts:
        network = MemoryNetwork()
        simulated = SimulatedController(controller, **more)  # type: ignore[arg-type]
        await simulated.start(network, HOST, PORT)
        await play_with(simulated, await connect(network), network)
        await simulated.stop()
        assert not network.connections()
        return simulated.counts

    return run_virtual(main)


def test_reads_and_writes_are_answered_and_counted() -> None:
    async def main(device: SimulatedController, client: Asker, _: MemoryNetwork) -> None:
        assert await client.ask(READ_1) == bytes.fromhex("03 02 0000")
        assert await client.ask(WRITE_1) == bytes.fromhex("10 0064 0001")
        assert await client.ask(bytes.fromhex("03 0064 0001")) == bytes.fromhex("03 02 04d2")
        assert await client.ask(bytes.fromhex("05 0005 ff00")) == bytes.fromhex("05 0005 ff00")
        assert await client.ask(bytes.fromhex("63 00")) == bytes.fromhex("e3 01")
        assert device.registers(100, 1) == (1234,)
        assert device.get(Point(Table.COIL, 5)) is True
        assert [(each.table, each.address, each.count, each.data) for each in device.writes] == [
            (Table.HOLDING, 100, 1, b"\x04\xd2"),
            (Table.COIL, 5, 1, b"\x01"),
        ]
        assert [each.at_ns for each in device.writes] == [1 * S, 3 * S]

    counts = play(skid(), main)
    assert dict(counts.requests) == {0x03: 2, 0x10: 1, 0x05: 1, 0x63: 1}
    assert (counts.reads, counts.writes, dict(counts.exceptions)) == (2, 2, {1: 1})
    assert (counts.connections, counts.connections_refused, counts.in_flight_max) == (1, 0, 1)
    assert counts.gap_ns_min == S
    assert counts.request_count == 5


def test_what_was_carried_out_is_told_before_the_answer_leaves_whatever_becomes_of_it() -> None:
    told: list[tuple[int, int, bytes, bytes]] = []

    async def main(device: SimulatedController, client: Asker, _: MemoryNetwork) -> None:
        device.on_served = lambda *what: told.append(what)
        await client.ask(WRITE_1)
        device.fault = lambda number, unit, pdu: Fault(is_silent=number == 0, pdu=b"\x83\x04" if number else None)
        await client.ask(bytes.fromhex("03 0064 0001"))
        assert await client.ask(bytes.fromhex("03 0064 0001")) == b"\x83\x04"
        device.fault = lambda number, unit, pdu: Fault(exception=6)
        await client.ask(WRITE_1)

    play(skid(ResponseTime(7 * NS_PER_MS, 0)), main)
    read, answer = bytes.fromhex("03 0064 0001"), bytes.fromhex("03 02 04d2")
    assert told == [
        (0, 1, WRITE_1, bytes.fromhex("10 0064 0001")),
        (1 * S, 1, read, answer),
        (2 * S, 1, read, answer),
        (3 * S, 1, WRITE_1, bytes.fromhex("90 06")),
    ]


def test_it_says_of_itself_what_the_plan_expects_to_hear() -> None:
    register = IdentityRegister(holding(900), b"\x12\x34", "0x1234")
    identity = Identity(objects=((0, "hatchery works"), (2, "2.0")), registers=(register,))

    async def main(_device: SimulatedController, client: Asker, _: MemoryNetwork) -> None:
        answer = await client.ask(bytes.fromhex("2b 0e 01 00"))
        assert answer.endswith(b"\x00\x0ehatchery works\x01\x00\x02\x032.0")
        assert await client.ask(bytes.fromhex("03 0384 0001")) == bytes.fromhex("03 02 1234")

    play(skid(identity=identity), main, spans=())


def test_declared_quantities_and_holes_are_enforced() -> None:
    async def main(_device: SimulatedController, client: Asker, _: MemoryNetwork) -> None:
        assert (await client.ask(READ_10))[:2] == bytes.fromhex("03 14")
        assert await client.ask(bytes.fromhex("03 0000 000b")) == bytes.fromhex("83 03")
        assert await client.ask(bytes.fromhex("10 0000 0003 06 000100020003")) == bytes.fromhex("90 03")
        assert await client.ask(bytes.fromhex("03 0032 0001")) == bytes.fromhex("83 02")
        assert await client.ask(bytes.fromhex("03 0030 0004")) == bytes.fromhex("83 02")
        assert await client.ask(bytes.fromhex("10 0033 0001 02 0001")) == bytes.fromhex("90 02")

    limits = Limits(read_registers=10, write_registers=2)
    holes = (Span(Table.HOLDING, 50, 10),)
    # A signal in a hole does nothing.
    signals = (Signal(holding(50), "constant", 5),)
    counts = play(skid(limits=limits, simulation=Simulation(signals, holes)), main)
    assert dict(counts.exceptions) == {3: 2, 2: 3}
    assert counts.writes == 0


def test_only_what_is_declared_exists_when_asked_for() -> None:
    async def main(_device: SimulatedController, client: Asker, _: MemoryNetwork) -> None:
        assert await client.ask(bytes.fromhex("03 000a 0002")) == bytes.fromhex("03 04 00000000")
        assert await client.ask(bytes.fromhex("03 0014 0001")) == bytes.fromhex("03 02 0007")
        assert await client.ask(READ_1) == bytes.fromhex("83 02")

    simulation = Simulation((Signal(holding(20), "constant", 7),))
    play(skid(simulation=simulation), main, spans=[Span(Table.HOLDING, 10, 2)])


def test_the_declared_response_time_is_taken_for_each_request_in_turn() -> None:
    async def main(_device: SimulatedController, client: Asker, network: MemoryNetwork) -> None:
        other = await connect(network)
        client.send(READ_10)
        client.send(READ_1)
        other.send(READ_1)
        other.send(bytes.fromhex("01 0000 0020"))
        other.send(b"\x07")
        await asyncio.sleep(1)
        # 5 ms and 20 us for each register; 32 bits count as two registers; a request without registers takes 5 ms.
        assert client.at_ns == [5_200_000, 10_220_000]
        assert other.at_ns == [15_240_000, 20_280_000, 25_280_000]

    counts = play(skid(ResponseTime(), limits=Limits(connections=2)), main)
    assert (counts.in_flight_max, counts.connections_open_max) == (3, 2)


def test_more_connections_than_declared_are_closed() -> None:
    async def main(_device: SimulatedController, client: Asker, network: MemoryNetwork) -> None:
        second = await connect(network)
        await asyncio.sleep(0.1)
        assert second.lost == [None]
        assert await client.ask(READ_1)
        assert client.transport is not None
        client.transport.close()
        await asyncio.sleep(0.1)
        assert await (await connect(network)).ask(READ_1)

    counts = play(skid(), main)
    assert (counts.connections, counts.connections_refused, counts.connections_open_max) == (2, 1, 1)


def test_a_lost_controller_resets_refuses_and_comes_back_as_it_was() -> None:
    async def main(device: SimulatedController, client: Asker, network: MemoryNetwork) -> None:
        await client.ask(WRITE_1)
        client.send(READ_1)
        await asyncio.sleep(0.001)
        device.kill()
        await asyncio.sleep(1)
        assert isinstance(client.lost[0], ConnectionResetError)
        with pytest.raises(LinkError, match="refused"):
            await connect(network)
        await device.revive()
        again = await connect(network)
        assert await again.ask(bytes.fromhex("03 0064 0001")) == bytes.fromhex("03 02 04d2")

    play(skid(ResponseTime()), main)


def test_all_values_of_one_scan_belong_together_and_move_on_with_the_next() -> None:
    async def main(device: SimulatedController, client: Asker, _: MemoryNetwork) -> None:
        seen = []
        for _turn in range(50):
            words = (await client.ask(READ_10, wait_s=0.037))[2:]
            numbers = [int.from_bytes(words[at : at + 2], "big") for at in range(0, 20, 2)]
            assert numbers == list(range(numbers[0], numbers[0] + 10))
            seen.append(numbers[0])
        assert seen == [turn * 37 // 100 for turn in range(50)]
        assert device.registers(0, 2) == (50 * 37 // 100, 50 * 37 // 100 + 1)

    play(skid(), main, values=[Value("copy", Point(Table.HOLDING, 0, raw(10)), holding(0), is_copy=True)])


def test_one_word_of_a_copy_can_be_set_and_its_neighbours_move_on() -> None:
    async def main(device: SimulatedController, _client: Asker, _: MemoryNetwork) -> None:
        device.set(holding(1), 500)
        await asyncio.sleep(1)
        assert device.registers(0, 4) == (10, 500, 12, 13)

    play(skid(), main, values=[Value("copy", Point(Table.HOLDING, 0, raw(4)), holding(0), is_copy=True)])


def test_a_stopped_program_still_answers() -> None:
    async def main(device: SimulatedController, client: Asker, _: MemoryNetwork) -> None:
        await asyncio.sleep(5)
        device.freeze()
        first = await client.ask(READ_1)
        assert await client.ask(READ_1) == first == bytes.fromhex("03 02 000a")
        device.thaw()
        assert await client.ask(READ_1) == bytes.fromhex("03 02 000e")

    play(skid(), main, alive=[(holding(0), S)])


def test_points_can_be_looked_at_and_set_from_inside() -> None:
    async def main(device: SimulatedController, client: Asker, _: MemoryNetwork) -> None:
        oxygen = Point(Table.HOLDING, 0, FLOAT32, Order.CDAB)
        running = holding(12, bit=3)
        assert device.get(oxygen) == pytest.approx(7.5)
        assert device.get(running) is True
        assert device.get(holding(12)) == 0b1001
        device.set(oxygen, 9.25)
        device.set(running, False)
        device.set(Point(Table.DISCRETE, 4), True)
        device.set(Point(Table.INPUT, 7, INT16), -5)
        assert (device.get(oxygen), device.get(running), device.get(holding(12))) == (9.25, False, 0b0001)
        assert await client.ask(bytes.fromhex("02 0000 0008")) == bytes.fromhex("02 01 10")
        assert await client.ask(bytes.fromhex("04 0007 0001")) == bytes.fromhex("04 02 fffb")
        assert device.get(holding(12, bit=0)) is True
        assert device.signals == ["holding 12.0: constant 1"]
        with pytest.raises(LocalError, match="does not fit"):
            device.set(holding(1), 70_000)

    signals = (
        Signal(Point(Table.HOLDING, 0, FLOAT32, Order.CDAB), "constant", 7.5),
        Signal(holding(12, bit=3), "constant", 1),
        Signal(holding(12, bit=0), "constant", 1),
    )
    play(skid(simulation=Simulation(signals)), main)


def test_what_a_client_writes_stays_unless_the_program_moves_it() -> None:
    async def main(_device: SimulatedController, client: Asker, _: MemoryNetwork) -> None:
        await client.ask(bytes.fromhex("10 0000 0002 04 00010002"))
        assert await client.ask(bytes.fromhex("03 0000 0002")) == bytes.fromhex("03 04 0007 0002")
        assert await client.ask(bytes.fromhex("16 0000 fff0 0000")) == bytes.fromhex("16 0000 fff0 0000")
        assert await client.ask(READ_1) == bytes.fromhex("03 02 0007")

    play(skid(simulation=Simulation((Signal(holding(0), "constant", 7),))), main)


OK = bytes.fromhex("0001 0000 0005 01 03 02 0000")


@pytest.mark.parametrize(
    ("fault", "pieces", "at_ms"),
    [
        (Fault(), [OK], [5]),
        (Fault(delay_ns=100 * NS_PER_MS), [OK], [105]),
        (Fault(is_silent=True), [], []),
        (Fault(transaction_shift=3), [b"\x00\x04" + OK[2:]], [5]),
        (Fault(unit=9), [OK[:6] + b"\x09" + OK[7:]], [5]),
        (Fault(truncate_bytes=4), [OK[:4]], [5]),
        (Fault(truncate_bytes=0), [], []),
        (Fault(exception=6), [bytes.fromhex("0001 0000 0003 01 83 06")], [5]),
        (Fault(pdu=b"\x04\x02\x00\x00"), [OK[:7] + b"\x04" + OK[8:]], [5]),
        (Fault(split_ns=NS_PER_MS), [bytes([each]) for each in OK], list(range(5, 16))),
        (Fault(repeats=1), [OK + OK], [5]),
    ],
)
def test_faults_of_a_reply(fault: Fault, pieces: list[bytes], at_ms: list[int]) -> None:
    async def main(_device: SimulatedController, client: Asker, _: MemoryNetwork) -> None:
        client.send(READ_1)
        await asyncio.sleep(1)
        assert client.pieces == pieces
        assert client.at_ns == [each * NS_PER_MS for each in at_ms]
        # The next one is answered well.
        assert await client.ask(READ_1) == bytes.fromhex("03 02 0000")

    play(skid(ResponseTime(5 * NS_PER_MS, 0)), main, fault=lambda number, _unit, _pdu: fault if number == 0 else None)


def test_a_fault_can_close_the_connection() -> None:
    async def main(_device: SimulatedController, client: Asker, _: MemoryNetwork) -> None:
        client.send(READ_1)
        await asyncio.sleep(1)
        assert (client.data, client.lost) == (b"", [None])

    counts = play(skid(), main, fault=lambda *_: Fault(closes=True))
    assert counts.unanswered == 1


@pytest.mark.parametrize(("holds_up", "order"), [(False, [2, 1]), (True, [1, 2])])
def test_a_late_reply_comes_after_the_next_unless_it_holds_up(holds_up: bool, order: list[int]) -> None:
    async def main(_device: SimulatedController, client: Asker, _: MemoryNetwork) -> None:
        client.send(READ_1)
        client.send(READ_1)
        await asyncio.sleep(1)
        assert [each[1] for each in client.pieces] == order

    late = Fault(delay_ns=100 * NS_PER_MS, holds_up=holds_up)
    play(skid(ResponseTime()), main, fault=lambda number, *_: late if number == 0 else None)


def test_a_controller_in_local_mode_accepts_and_does_nothing() -> None:
    async def main(device: SimulatedController, client: Asker, _: MemoryNetwork) -> None:
        assert await client.ask(WRITE_1) == bytes.fromhex("10 0064 0001")
        assert device.registers(100, 1) == (0,)
        assert len(device.writes) == 1

    play(skid(), main, fault=lambda *_: Fault(ignores=True))


def test_bytes_without_frames_end_the_connection() -> None:
    async def main(_device: SimulatedController, client: Asker, network: MemoryNetwork) -> None:
        assert client.transport is not None
        client.transport.write(bytes.fromhex("0001 0000 ffff 01 03"))
        await asyncio.sleep(1)
        assert client.lost
        assert await (await connect(network)).ask(READ_1)

    play(skid(), main)


def test_a_flood_is_served_to_the_last_request() -> None:
    async def main(_device: SimulatedController, client: Asker, _: MemoryNetwork) -> None:
        for _turn in range(2000):
            client.send(READ_1)
        await asyncio.sleep(20)
        assert len(client.data) == 2000 * len(OK)

    play(skid(ResponseTime()), main)


def test_a_lone_controller_keeps_silent_for_another_unit() -> None:
    async def main(_device: SimulatedController, client: Asker, _: MemoryNetwork) -> None:
        assert await client.ask(READ_1, unit=2) == b""
        assert await client.ask(READ_1, unit=1)

    assert play(skid(), main).other_unit == 1


def test_serial_framing_over_tcp() -> None:
    async def main(device: SimulatedController, client: Asker, _: MemoryNetwork) -> None:
        assert client.transport is not None
        client.transport.write(encode_frame(1, READ_1))
        await asyncio.sleep(1)
        assert client.data == encode_frame(1, bytes.fromhex("03 02 0000"))
        # A broadcast is carried out and not answered.
        client.data = b""
        client.transport.write(encode_frame(0, WRITE_1))
        await asyncio.sleep(1)
        assert client.data == b""
        assert device.registers(100, 1) == (1234,)

    play(skid(framing=Framing.RTU), main)


# Whole plans.


def plan(**first: object) -> Plan:
    water = Transfer(
        "water",
        "skid",
        "hall",
        200 * NS_PER_MS,
        S,
        (
            Value("tank 1 oxygen", Point(Table.HOLDING, 0, FLOAT32, Order.CDAB), holding(100), range=(0, 20)),
            Value("pump 1 running", holding(12, bit=3), Point(Table.COIL, 5)),
        ),
        alive=holding(9),
        status=Span(Table.HOLDING, 90, 4),
    )
    hall = Controller("hall", "10.20.0.12", PORT, unit=2, response=AT_ONCE)
    return Plan("Hatchery water exchange", (replace(skid(), **first), hall), (water,))  # type: ignore[arg-type]


def test_a_plan_is_served_at_its_own_addresses() -> None:
    async def main() -> None:
        network = MemoryNetwork()
        simulated = await simulate_plan(plan(), network)
        assert simulated.plan == plan()
        client = await connect(network)
        assert await client.ask(bytes.fromhex("03 0009 0001")) != await client.ask(bytes.fromhex("03 0009 0001"))
        assert simulated.controllers["skid"].signals == [
            "holding 9 uint16: counter every 100 ms",
            "holding 0 float32 CDAB: sine 2 to 18 in 7 s",
            "holding 12.3: step 0 to 1 in 11 s",
        ]
        assert await (await connect(network, "10.20.0.12")).ask(READ_1, unit=2)
        assert simulated.request_count == 3
        await simulated.stop()

    run_virtual(main)


def test_the_same_seed_moves_the_same_whichever_others_are_there() -> None:
    async def look(only: list[str] | None) -> object:
        network = MemoryNetwork()
        walk = Signal(holding(0), "walk", 0, 60_000, 10 * S)
        hall = Controller("hall", "10.20.0.12", simulation=Simulation((walk,)))
        both = Plan("", (skid(), hall), ())
        simulated = await simulate_plan(both, network, only=only)
        await asyncio.sleep(3.5)
        seen = simulated.controllers["hall"].get(holding(0))
        await simulated.stop()
        return seen

    first = run_virtual(lambda: look(None))
    assert first == run_virtual(lambda: look(None)) == run_virtual(lambda: look(["hall"]))


def test_free_ports_and_places_of_ones_own() -> None:
    async def main() -> None:
        network = MemoryNetwork()
        simulated = await simulate_plan(plan(), network, any_port=True)
        places = [(each.host, each.port) for each in simulated.plan.controllers]
        assert {host for host, _ in places} == {"127.0.0.1"}
        assert len(set(places)) == 2
        await simulated.stop()
        simulated = await simulate_plan(plan(), network, only=["skid"], placed={"skid": ("127.0.0.1", 15020)})
        assert [(each.host, each.port) for each in simulated.plan.controllers] == [
            ("127.0.0.1", 15020),
            ("10.20.0.12", 502),
        ]
        await simulated.stop()

    run_virtual(main)


def test_several_units_share_one_address() -> None:
    async def main() -> None:
        network = MemoryNetwork()
        simulated = await simulate_plan(plan(host="10.20.0.12"), network, declared_only=True)
        client = await connect(network, "10.20.0.12")
        assert len(await client.ask(bytes.fromhex("03 0000 0002"), unit=1)) == 6
        assert await client.ask(bytes.fromhex("03 005a 0004"), unit=2) == bytes.fromhex("03 08 0000000000000000")
        assert await client.ask(READ_1, unit=3) == bytes.fromhex("83 0a")
        simulated.controllers["skid"].kill()
        assert await client.ask(READ_1, unit=1) == bytes.fromhex("83 0b")
        assert await client.ask(bytes.fromhex("03 0064 0001"), unit=2) == bytes.fromhex("03 02 0000")
        simulated.controllers["hall"].kill()
        await asyncio.sleep(0.1)
        assert client.lost
        await simulated.controllers["skid"].revive()
        client = await connect(network, "10.20.0.12")
        assert (await client.ask(bytes.fromhex("03 0000 0002"), unit=1))[0] == 3
        assert await client.ask(READ_1, unit=2) == bytes.fromhex("83 0b")
        await simulated.stop()

    run_virtual(main)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"host": "10.20.0.12", "unit": 2}, "skid and hall have the same address and the same unit id"),
        ({"host": "10.20.0.12", "framing": Framing.RTU}, "have the same address but not the same framing"),
    ],
)
def test_controllers_that_cannot_share_an_address(change: dict[str, object], said: str) -> None:
    async def main() -> None:
        with pytest.raises(LocalError, match=said):
            await simulate_plan(plan(**change), MemoryNetwork())

    run_virtual(main)


def test_a_name_that_is_not_there() -> None:
    async def main() -> None:
        with pytest.raises(LocalError, match="cannot simulate `intake`: the plan's controllers are skid, hall"):
            await simulate_plan(plan(), MemoryNetwork(), only=["intake"])

    run_virtual(main)


def test_nothing_is_left_running_when_one_address_cannot_be_had() -> None:
    async def main() -> None:
        network = MemoryNetwork()
        await network.serve(Asker, "10.20.0.12", PORT)
        with pytest.raises(LinkError, match="in use"):
            await simulate_plan(plan(), network)
        with pytest.raises(LinkError, match="refused"):
            await connect(network)

    run_virtual(main)
