"""Who answers at an address: asked at every connection, before anything is written and anything counts as Good."""

from __future__ import annotations

import asyncio
import random
from dataclasses import dataclass, replace
from typing import Any

import pytest

from wherry.engine.events import Event
from wherry.engine.identity import KNOWN_MAX
from wherry.engine.runner import Engine
from wherry.engine.status import summary
from wherry.plan import loads
from wherry.plan.model import Framing, Plan, Table
from wherry.protocol.identification import Identity
from wherry.protocol.responder import Device, Responder
from wherry.protocol.server import ServerSession
from wherry.protocol.store import MemoryStore
from wherry.simulate.virtual_loop import run_virtual
from wherry.transports.memory import MemoryNetwork
from wherry.transports.network import ProtocolFactory

MS = 1_000_000
PLAN = """
title = "Hatchery"
[controller.skid]
connect = "tcp://10.20.0.11"
{skid}
[controller.hall]
connect = "tcp://10.20.0.12"
{hall}
[transfer.water]
from = "skid"
to = "hall"
every = "{every}"
on_loss = "hold"
status = "holding 90"
values = [
  {{ name = "oxygen", take = "holding 0", put = "holding 100" }},
  {{ name = "level", take = "holding 1", put = "holding 101", scale = [0, 10, 0, 10] }},
]
"""
WHO = 'identity = { vendor = "Hatch Works", product = "RS-4", revision = "V2" }'
MARKS = 'identity = { registers = [{ at = "holding 9000", is = 0x1234 }, { at = "input 7 string(4)", is = "TR-1" }] }'


def objects(revision: str = "V2", vendor: str = "Hatch Works") -> Identity:
    return Identity({0: vendor.encode(), 1: b"RS-4", 2: revision.encode()})


class Box:
    """A device that may be exchanged for another one behind its address."""

    def __init__(self, identity: Identity | None = None) -> None:
        self.store = MemoryStore()
        self.identity = identity
        self.seen: list[bytes] = []
        self.delay_s = 0.005
        self.is_silent = False
        self.open: list[Any] = []

    def responder(self) -> Responder:
        if self.identity is None:
            return Responder(self.store, functions=[3, 4, 6, 16])
        return Responder(self.store, device=Device(identity=self.identity))

    @property
    def writes(self) -> list[bytes]:
        return [each for each in self.seen if each[0] in (5, 6, 15, 16, 22)]

    def factory(self, framing: Framing) -> ProtocolFactory:
        return lambda: _Served(self, framing)

    def restart(self) -> None:
        for each in list(self.open):
            each.abort()


class _Served(asyncio.Protocol):
    def __init__(self, box: Box, framing: Framing) -> None:
        self.box = box
        self.session = ServerSession(box.responder(), framing=framing)
        self.transport: Any = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self.transport = transport
        self.box.open.append(transport)

    def connection_lost(self, exc: Exception | None) -> None:
        self.box.open.remove(self.transport)

    def data_received(self, data: bytes) -> None:
        for each in self.session.take(data):
            self.box.seen.append(each.pdu)
            answer = self.session.answer(each)
            if answer is not None and not self.box.is_silent:
                asyncio.get_running_loop().call_later(self.box.delay_s, self._reply, answer)

    def _reply(self, answer: bytes) -> None:
        if not self.transport.is_closing():
            self.transport.write(answer)


@dataclass
class Plant:
    skid: Box
    hall: Box
    engine: Engine
    events: list[Event]
    network: MemoryNetwork

    @property
    def carry(self) -> Any:
        return self.engine.carries[0]

    def identity_events(self, name: str) -> list[Event]:
        return [each for each in self.events if each.kind == "identity" and each.subject == name]

    def status(self) -> int:
        return int.from_bytes(self.hall.store.read_registers(Table.HOLDING, 91, 1))


async def plant(
    *,
    skid: str = "",
    hall: str = "",
    every: str = "200 ms",
    boxes: tuple[Box, Box] | None = None,
    framing: Framing = Framing.MBAP,
) -> Plant:
    loaded = loads(PLAN.format(skid=skid, hall=hall, every=every))
    assert not [each for each in loaded.findings if each.level == "error"], loaded.findings
    plan: Plan = loaded.plan
    plan = replace(plan, controllers=tuple(replace(each, framing=framing) for each in plan.controllers))
    first, second = boxes or (Box(objects()), Box(objects()))
    network = MemoryNetwork(random.Random(1))
    await network.serve(first.factory(framing), "10.20.0.11", 502)
    await network.serve(second.factory(framing), "10.20.0.12", 502)
    events: list[Event] = []
    engine = Engine(plan, network, armed=["hall"], listeners=[events.append], seed=1)
    engine.start()
    return Plant(first, second, engine, events, network)


@pytest.mark.parametrize("framing", [Framing.MBAP, Framing.RTU])
def test_who_answers_is_asked_before_the_first_write(framing: Framing) -> None:
    async def scenario() -> None:
        made = await plant(skid=WHO, hall=WHO, framing=framing)
        await asyncio.sleep(2.9)
        assert made.skid.seen[0] == made.hall.seen[0] == b"\x2b\x0e\x01\x00"
        assert made.skid.seen.count(b"\x2b\x0e\x01\x00") == 1
        assert made.status() == 2
        assert made.carry.delivered == 15
        (event,) = made.identity_events("hall")
        assert event.message == 'hall is the device of the plan: vendor "Hatch Works", product "RS-4", revision "V2"'
        assert summary(made.engine, made.engine.now_ns())["controllers"]["hall"]["identity"] == "as declared"
        # At every connection.
        made.hall.restart()
        await asyncio.sleep(2)
        assert made.hall.seen.count(b"\x2b\x0e\x01\x00") == 2
        assert made.status() == 2
        assert len(made.identity_events("hall")) == 1
        await made.engine.stop()

    run_virtual(scenario)


def test_registers_tell_one_device_from_another() -> None:
    async def scenario() -> None:
        boxes = (Box(), Box())
        for box in boxes:
            box.store.write_registers(Table.HOLDING, 9000, b"\x12\x34")
        made = await plant(hall=MARKS, boxes=boxes)
        await asyncio.sleep(2.9)
        # Input 7 holds nothing of the kind.
        assert made.hall.seen[:2] == [bytes.fromhex("0323280001"), bytes.fromhex("0400070002")]
        assert made.hall.writes == []
        (event,) = made.identity_events("hall")
        assert event.details["expected"] == 'holding 9000 uint16 = 4660, input 7 string(4) = "TR-1"'
        assert event.details["found"] == 'holding 9000 uint16 = 4660, input 7 string(4) = ""'
        await made.engine.stop()

    run_virtual(scenario)


def test_another_device_is_not_written_to_and_told_with_what_must_be_proved_again() -> None:
    async def scenario() -> None:
        made = await plant(hall=WHO, boxes=(Box(objects()), Box(objects(revision="V3"))))
        await asyncio.sleep(3)
        assert made.hall.writes == []
        line = made.engine.lines["hall"]
        assert not line.guard.armed
        (event,) = made.identity_events("hall")
        assert event.message == (
            'hall is another device than the plan names: expected vendor "Hatch Works", product "RS-4", revision "V2"; '
            'found vendor "Hatch Works", product "RS-4", revision "V3". Nothing is written to it any more in this run, '
            "and its values are Uncertain. To be proved again: water: oxygen, water: level"
        )
        assert event.details["prove_again"] == "water: oxygen; water: level"
        reason = "write: another device answers than the plan names, so nothing is written to it any more"
        assert made.carry.failures == {reason: made.carry.failed}
        assert made.carry.failed == 15
        assert line.reason.startswith('another device than the plan names: vendor "Hatch Works"')
        await made.engine.stop()
        assert made.hall.writes == []
        assert line.guard.refused == 0

    run_virtual(scenario)


def test_new_firmware_at_a_reconnection_stops_the_writes_for_the_rest_of_the_run() -> None:
    """It reboots in the middle of a write, and comes back with another revision; later with the old one again."""

    async def scenario() -> None:
        made = await plant(hall=WHO)
        await asyncio.sleep(3.001)
        written = len(made.hall.writes)
        assert written > 10
        made.hall.identity = objects(revision="V3")
        made.hall.restart()
        await asyncio.sleep(5)
        assert len(made.hall.writes) == written
        made.hall.identity = objects()
        made.hall.restart()
        await asyncio.sleep(5)
        assert len(made.hall.writes) == written
        assert made.engine.lines["hall"].is_up
        told = [each.message for each in made.identity_events("hall")]
        assert len(told) == 3
        assert told[2].startswith("two devices answer in turns at the address of hall: expected")
        for _ in range(20):
            made.hall.identity = objects(revision=random.Random(3).choice(["V2", "V3"]))
            made.hall.restart()
            await asyncio.sleep(2)
        assert len(made.identity_events("hall")) == 3
        assert len(made.hall.writes) == written
        await made.engine.stop()

    run_virtual(scenario)


def test_values_of_another_device_are_uncertain_and_say_why() -> None:
    async def scenario() -> None:
        made = await plant(skid=WHO)
        await asyncio.sleep(3)
        assert made.status() == 2
        made.skid.identity = objects(vendor="Someone Else")
        made.skid.restart()
        statuses: set[int] = set()
        for _ in range(50):
            await asyncio.sleep(0.1)
            statuses.add(made.status() if made.skid.seen[-1][0] == 3 else 1)
        await asyncio.sleep(1)
        assert made.status() == 1
        results = made.carry.results
        assert {each.quality.name for each in results} == {"UNCERTAIN"}
        assert {each.reason.words for each in results} == {"from another device than the plan names"}
        assert made.carry.quality_reason == "oxygen: from another device than the plan names"
        assert made.hall.writes
        await made.engine.stop()

    run_virtual(scenario)


def test_nothing_is_good_between_a_connection_and_the_answer_to_who_it_is() -> None:
    """The new device answers the question late: its values wait for that."""

    async def scenario() -> None:
        made = await plant(skid=WHO)
        await asyncio.sleep(3)
        made.skid.store.write_registers(Table.HOLDING, 0, b"\x00\x63")
        made.skid.identity = objects(vendor="Someone Else")
        made.skid.delay_s = 0.4
        made.skid.restart()
        for _ in range(400):
            await asyncio.sleep(0.01)
            if made.hall.store.read_registers(Table.HOLDING, 100, 1) == b"\x00\x63":
                assert made.status() != 2
        assert made.hall.store.read_registers(Table.HOLDING, 100, 1) == b"\x00\x63"
        await made.engine.stop()

    run_virtual(scenario)


def test_a_device_without_the_function_cannot_be_the_one_that_was_declared() -> None:
    async def scenario() -> None:
        made = await plant(hall=WHO, boxes=(Box(objects()), Box(None)))
        await asyncio.sleep(3)
        (event,) = made.identity_events("hall")
        assert event.details["found"] == "no identification (function 2B/0E: illegal function (01))"
        assert made.hall.writes == []
        await made.engine.stop()

    run_virtual(scenario)


def test_a_device_that_does_not_say_who_it_is_in_time_is_asked_again() -> None:
    async def scenario() -> None:
        made = await plant(hall=WHO + '\nlimits = { timeout = "300 ms" }')
        made.hall.is_silent = True
        await asyncio.sleep(5)
        assert made.hall.writes == []
        assert made.identity_events("hall") == []
        assert "write: it could not be found out whether this is the device of the plan" in made.carry.failures
        made.hall.is_silent = False
        await asyncio.sleep(8)
        assert made.status() == 2
        await made.engine.stop()
        assert made.carry.scheduled == made.carry.delivered + made.carry.skipped + made.carry.failed

    run_virtual(scenario)


def test_with_a_connection_for_each_exchange_it_is_asked_in_each() -> None:
    """Also after a connection that was closed before it had said who it is."""

    async def scenario() -> None:
        limits = '\nlimits = { timeout = "150 ms", connection = "per exchange" }'
        made = await plant(skid=WHO + limits, hall=WHO + limits, every="2 s")
        await asyncio.sleep(9)
        assert made.status() == 2
        assert made.skid.seen.count(b"\x2b\x0e\x01\x00") == 5
        made.skid.is_silent = made.hall.is_silent = True
        await asyncio.sleep(21)
        made.skid.is_silent = made.hall.is_silent = False
        delivered = made.carry.delivered
        await asyncio.sleep(10)
        assert made.status() == 2
        assert made.carry.delivered > delivered + 2
        await made.engine.stop()
        assert made.carry.scheduled == made.carry.delivered + made.carry.skipped + made.carry.failed

    run_virtual(scenario)


def test_another_device_that_falls_silent_is_still_found_again() -> None:
    """Behind a gateway: writes to it fail at once, and must not be taken for the question whether it answers."""

    async def scenario() -> None:
        text = PLAN.format(skid="unit = 1", hall=WHO + "\nunit = 2", every="200 ms").replace("10.20.0.12", "10.20.0.11")
        text += """
[transfer.back]
from = "hall"
to = "skid"
every = "1 s"
on_loss = "hold"
values = [{ name = "flow", take = "holding 40", put = "holding 140" }]
"""
        plan = loads(text).plan
        box = Box(objects(revision="V9"))
        silent: set[int] = set()
        network = MemoryNetwork(random.Random(1))
        await network.serve(gateway_of(box, silent), "10.20.0.11", 502)
        engine = Engine(plan, network, armed=["hall", "skid"], seed=1)
        engine.start()
        await asyncio.sleep(5)
        back = next(each for each in engine.carries if each.transfer.name == "back")
        assert back.quality.name == "UNCERTAIN"
        silent.add(2)
        await asyncio.sleep(20)
        assert engine.lines["hall"].state == "connected, the unit does not answer"
        silent.clear()
        delivered = back.delivered
        await asyncio.sleep(30)
        assert back.delivered > delivered + 5
        assert engine.lines["hall"].state == "connected"
        await engine.stop()

    run_virtual(scenario)


def gateway_of(box: Box, silent: set[int]) -> ProtocolFactory:
    """The box answers for every unit but those that are silent."""
    answer = ServerSession.answer

    class Gateway(ServerSession):
        def answer(self, indication: Any) -> bytes | None:
            return None if indication.unit in silent else answer(self, indication)

    def made_for() -> asyncio.Protocol:
        served = _Served(box, Framing.MBAP)
        served.session = Gateway(box.responder(), framing=Framing.MBAP)
        return served

    return made_for


def test_long_objects_come_in_several_answers() -> None:
    async def scenario() -> None:
        vendor = "Hatch Works " + "x" * 200
        identity = Identity({0: vendor.encode(), 1: b"RS-4" + b"y" * 100, 2: b"V2"})
        hall = f'identity = {{ vendor = "{vendor}", revision = "V2" }}'
        made = await plant(hall=hall, boxes=(Box(objects()), Box(identity)))
        await asyncio.sleep(2)
        assert [each for each in made.hall.seen if each[0] == 0x2B] == [b"\x2b\x0e\x01\x00", b"\x2b\x0e\x01\x01"]
        assert made.status() == 2
        await made.engine.stop()

    run_virtual(scenario)


def test_ever_new_identities_are_not_remembered_for_ever() -> None:
    async def scenario() -> None:
        made = await plant(hall=WHO)
        for number in range(60):
            made.hall.identity = objects(revision=f"V{number}")
            made.hall.restart()
            await asyncio.sleep(2)
        identification = made.engine.lines["hall"].identification
        assert identification is not None
        assert len(identification._known) == KNOWN_MAX
        assert len(made.events) < 250
        await made.engine.stop()

    run_virtual(scenario)


def test_the_identity_of_a_unit_is_asked_again_when_it_was_silent() -> None:
    """Behind a gateway the connection stays while a unit is exchanged."""

    async def scenario() -> None:
        loaded = loads(
            PLAN.format(skid=WHO + "\nunit = 1", hall="unit = 2", every="200 ms").replace("10.20.0.12", "10.20.0.11")
        )
        plan = loaded.plan
        box = Box(objects())
        silent: set[int] = set()
        network = MemoryNetwork(random.Random(1))
        await network.serve(gateway_of(box, silent), "10.20.0.11", 502)
        events: list[Event] = []
        engine = Engine(plan, network, armed=["hall"], listeners=[events.append], seed=1)
        engine.start()
        await asyncio.sleep(3)
        assert engine.carries[0].quality.name == "GOOD"
        silent.add(1)
        await asyncio.sleep(30)
        asked = box.seen.count(b"\x2b\x0e\x01\x00")
        silent.clear()
        await asyncio.sleep(30)
        assert box.seen.count(b"\x2b\x0e\x01\x00") > asked
        assert engine.carries[0].quality.name == "GOOD"
        assert engine.lines["skid"].link.connects == 1
        await engine.stop()

    run_virtual(scenario)
