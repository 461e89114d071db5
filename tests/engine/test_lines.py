"""What a line does on links and with devices that misbehave, in virtual time."""

from __future__ import annotations

import asyncio
import random
import struct
from itertools import pairwise
from typing import Any

import pytest

from wherry.engine.events import Event
from wherry.engine.runner import Engine
from wherry.plan.model import Controller, Framing, Limits, OnLoss, Plan, Point, Table, Transfer, Value
from wherry.simulate.virtual_loop import run_virtual
from wherry.transports.memory import MemoryNetwork
from wherry.transports.network import ProtocolFactory
from wherry.values.types import UINT16

MS = 1_000_000
S = 1000 * MS


def test_the_exchange_runs_through_a_serial_gateway(kit: Any) -> None:
    async def scenario() -> None:
        source = kit.device()
        source.set_registers(0, range(10))
        plant = await kit.plant(source=source, framing=Framing.RTU)
        await asyncio.sleep(2.95)
        assert plant.receiver.registers(100, 10) == list(range(10))
        assert plant.receiver.registers(91, 1) == [2]
        await plant.engine.stop()
        assert plant.carry.delivered == 15
        assert plant.counts_are_exact()

    run_virtual(scenario)


def test_a_serial_gateway_gets_one_request_at_a_time_whatever_the_plan_allows(kit: Any) -> None:
    async def scenario() -> None:
        limits = Limits(in_flight=4, read_registers=4)
        plant = await kit.plant(framing=Framing.RTU, limits=limits, receiver_limits=limits)
        await asyncio.sleep(2.95)
        await plant.engine.stop()
        assert plant.carry.delivered == 15
        assert plant.source.waiting_max == plant.receiver.waiting_max == 1

    run_virtual(scenario)


@pytest.mark.parametrize("stray", [b"\x00", b"\x01\x03\x02\x00\x07\xf9\x86", b"\xff" * 40])
def test_stray_bytes_on_a_line_at_rest_do_not_end_the_exchange(kit: Any, stray: bytes) -> None:
    """Something comes long after the last answer: the line waits until it is quiet, and goes on."""

    async def scenario() -> None:
        limits = Limits(timeout_ns=300 * MS)
        plant = await kit.plant(framing=Framing.RTU, limits=limits, period_ns=2 * S, max_age_ns=10 * S)
        await asyncio.sleep(1.9)
        (transport,) = plant.source.open
        transport.write(stray)
        stray_ns = plant.source.now_ns()
        await asyncio.sleep(7.6)
        await plant.engine.stop()
        assert plant.carry.delivered == 5
        assert not [each for each in plant.source.reads if stray_ns <= each.at_ns < stray_ns + 300 * MS]
        assert plant.counts_are_exact()

    run_virtual(scenario)


def test_after_a_time_out_without_transaction_ids_the_connection_is_given_up(kit: Any) -> None:
    """Every fifth answer comes late, some of them later than any quiet time: none may answer another request."""
    rng = random.Random(5)
    late: set[int] = set()

    def number(device: Any, seen: Any) -> None:
        if not seen.is_write:
            device.set_registers(0, [device.reads_seen] * 10)

    def answer(device: Any, seen: Any, adu: bytes | None) -> tuple[int, bytes | None] | None:
        if device.reads_seen % 5:
            return None
        late.add(device.reads_seen)
        return rng.randrange(301, 3000) * MS, adu

    async def scenario() -> None:
        limits = Limits(timeout_ns=300 * MS, reconnect_ns=100 * MS)
        source = kit.device(before=number, answer=answer)
        plant = await kit.plant(source=source, framing=Framing.RTU, limits=limits, status=None)
        await asyncio.sleep(60)
        await plant.engine.stop()
        delivered = [int.from_bytes(each.pdu[6:8], "big") for each in plant.receiver.writes]
        line = plant.engine.lines["skid"]
        assert len(late) > 20
        assert line.counters.timeouts == line.connections_lost == len(late)
        assert not late & set(delivered)
        assert delivered == sorted(set(delivered))
        assert plant.carry.delivered == len(delivered) > 80
        assert plant.counts_are_exact()

    run_virtual(scenario)


def closing_when_idle(device: Any, idle_ns: int) -> None:
    """The device closes a connection on which nothing was asked for that long."""

    def look(asked: int) -> None:
        if len(device.seen) == asked:
            for transport in list(device.open):
                transport.close()

    def before(_device: Any, seen: Any) -> None:
        asyncio.get_running_loop().call_later(idle_ns / 1e9, look, seen.index + 1)

    device.before = before


def test_a_controller_that_closes_idle_connections_is_asked_again_without_a_failure(kit: Any) -> None:
    async def scenario() -> None:
        source, receiver = kit.device(), kit.device()
        for device in (source, receiver):
            closing_when_idle(device, S)
        plant = await kit.plant(period_ns=10 * S, max_age_ns=15 * S, status=None, source=source, receiver=receiver)
        await asyncio.sleep(595)
        assert plant.engine.lines["skid"].is_up
        await plant.engine.stop()
        assert plant.carry.delivered == plant.carry.scheduled == 60
        assert len(source.connects_ns) == len(receiver.connects_ns) == 60
        assert plant.engine.lines["skid"].connections_lost == 0
        assert [event.kind for event in plant.events].count("line down") == 0

    run_virtual(scenario)


def test_a_controller_that_is_gone_when_its_line_is_woken_is_told_once(kit: Any) -> None:
    async def scenario() -> None:
        source = kit.device()
        closing_when_idle(source, S)
        limits = Limits(reconnect_ns_max=S)
        plant = await kit.plant(period_ns=10 * S, max_age_ns=15 * S, source=source, limits=limits)
        await asyncio.sleep(15)
        plant.network.route("10.20.0.11", 502).refuses = True
        await asyncio.sleep(40)
        assert plant.carry.failures["read: not connected"] == 4
        assert not plant.engine.lines["skid"].is_up
        plant.network.route("10.20.0.11", 502).refuses = False
        await asyncio.sleep(20)
        assert plant.receiver.registers(91, 1) == [2]
        await plant.engine.stop()
        assert [event.kind for event in plant.events if event.subject == "skid"].count("line down") == 1
        assert plant.counts_are_exact()

    run_virtual(scenario)


def test_a_controller_that_closes_after_each_answer_is_not_connected_to_at_once(kit: Any) -> None:
    async def scenario() -> None:
        source = kit.device()
        closing_when_idle(source, 20 * MS)
        plant = await kit.plant(source=source)
        await asyncio.sleep(60)
        await plant.engine.stop()
        waits = [later - earlier for earlier, later in pairwise(source.connects_ns)]
        assert min(waits) >= 250 * MS
        assert plant.carry.delivered > 20
        assert plant.counts_are_exact()

    run_virtual(scenario)


class BrokenNetwork(MemoryNetwork):
    """Connecting to one host fails in a way that no sentence was foreseen for."""

    def __init__(self, host: str, failure: Exception) -> None:
        super().__init__(random.Random(1))
        self.host = host
        self.failure: Exception | None = failure

    async def connect(self, factory: ProtocolFactory, host: str, port: int, timeout_s: float) -> asyncio.Transport:
        if host == self.host and self.failure is not None:
            raise self.failure
        return await super().connect(factory, host, port, timeout_s)


@pytest.mark.parametrize("failure", [OSError(22, "Invalid argument"), UnicodeError("label too long")])
def test_a_connection_that_fails_in_an_unforeseen_way_is_tried_again_and_stops_nobody_else(
    kit: Any, failure: Exception
) -> None:
    async def scenario() -> None:
        network = BrokenNetwork("10.20.0.13", failure)
        devices = [kit.device(), kit.device(), kit.device()]
        for number, device in enumerate(devices):
            await device.serve(network, f"10.20.0.{11 + number}", Framing.MBAP)
        names = ("skid", "hall", "intake")
        plan = Plan(
            "Hatchery water exchange",
            tuple(Controller(name, f"10.20.0.{11 + number}") for number, name in enumerate(names)),
            (
                Transfer("water", "skid", "hall", 200 * MS, S, kit.words(2)),
                Transfer("flow", "intake", "hall", 200 * MS, S, kit.words(2, put=300)),
            ),
        )
        events: list[Event] = []
        engine = Engine(plan, network, armed=["hall"], listeners=[events.append], seed=1)
        engine.start()
        await asyncio.sleep(20)
        assert engine.carries[0].delivered > 95
        assert engine.carries[1].failures == {"read: not connected": engine.carries[1].failed}
        assert sum(event.kind == "line down" for event in events) == 1
        network.failure = None
        await asyncio.sleep(7)
        assert engine.carries[1].delivered > 5
        await engine.stop()

    run_virtual(scenario)


def test_a_listener_that_fails_is_reported_and_does_not_stop_the_exchange(kit: Any) -> None:
    faults: list[Any] = []

    def failing(event: Event) -> None:
        raise ValueError(f"no place for {event.kind}")

    async def scenario() -> None:
        asyncio.get_running_loop().set_exception_handler(lambda _, context: faults.append(context["exception"]))
        plant = await kit.plant(listeners=[failing])
        await asyncio.sleep(1.95)
        assert plant.receiver.registers(91, 1) == [2]
        plant.source.kill()
        await asyncio.sleep(2)
        assert plant.receiver.registers(91, 1) == [0]
        await plant.engine.stop()
        assert plant.carry.delivered == 10
        assert len(faults) == len(plant.events) > 5
        assert plant.counts_are_exact()

    run_virtual(scenario)


def test_the_rate_is_kept_over_reconnections(kit: Any) -> None:
    """The device closes the connection after each answer."""

    def answer(device: Any, seen: Any, adu: bytes | None) -> tuple[int, bytes | None] | None:
        asyncio.get_running_loop().call_later(0.006, lambda: [each.close() for each in list(device.open)])
        return None

    async def scenario() -> None:
        limits = Limits(requests_per_s=1, reconnect_ns=100 * MS)
        plant = await kit.plant(source=kit.device(answer=answer), limits=limits)
        await asyncio.sleep(30)
        await plant.engine.stop()
        instants = [each.at_ns for each in plant.source.reads]
        assert len(instants) > 20
        assert min(later - earlier for earlier, later in pairwise(instants)) >= S
        assert plant.counts_are_exact()

    run_virtual(scenario)


def test_writes_to_one_register_are_never_in_flight_together(kit: Any) -> None:
    """A receiver that takes four requests at a time and is slow; substitutes, values and status meet there."""
    under_way: list[tuple[int, int, int]] = []
    clashes: list[Any] = []

    def note(device: Any, seen: Any) -> None:
        start, count = struct.unpack(">HH", seen.pdu[1:5])
        now_ns = device.now_ns()
        clashes.extend(
            (now_ns, start)
            for first, stop, until in under_way
            if now_ns < until and start < stop and first < start + count
        )
        under_way[:] = [*(each for each in under_way if each[2] > now_ns), (start, start + count, now_ns + 150 * MS)]

    async def scenario() -> None:
        values = tuple(
            Value(
                f"word {k}",
                Point(Table.HOLDING, k, UINT16),
                Point(Table.HOLDING, 94 + k, UINT16),
                substitute=70 + k,
                group="all",
            )
            for k in range(6)
        )
        receiver = kit.device(delay_ns=150 * MS, before=note)
        limits = Limits(timeout_ns=170 * MS, reconnect_ns=50 * MS, reconnect_ns_max=100 * MS)
        plant = await kit.plant(
            values,
            receiver=receiver,
            limits=limits,
            receiver_limits=Limits(in_flight=4),
            max_age_ns=650 * MS,
            on_loss=OnLoss.SUBSTITUTE,
        )
        rng = random.Random(5)
        for _ in range(60):
            await asyncio.sleep(rng.uniform(0.7, 1.5))
            plant.source.is_dead = not plant.source.is_dead
        await plant.engine.stop()
        assert plant.carry.delivered > 50
        assert clashes == []
        assert plant.counts_are_exact()

    run_virtual(scenario)


def test_the_end_may_come_while_a_controller_is_busy(kit: Any) -> None:
    def busy(device: Any, seen: Any, adu: bytes) -> tuple[int, bytes]:
        return 0, adu[:4] + b"\x00\x03" + adu[6:7] + bytes((seen.pdu[0] | 0x80, 6))

    async def run() -> None:
        plant = await kit.plant(receiver=kit.device(answer=busy))
        await asyncio.sleep(1.05)
        await plant.engine.stop()
        assert plant.events[-1].kind == "stopped"

    run_virtual(run)
