"""Devices with one session that drop idle connections, hold dead ones, and lock up after many connects."""

from __future__ import annotations

import asyncio
import random
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

import pytest

from wherry.engine.events import Event
from wherry.engine.runner import Engine
from wherry.engine.waits import HOUR_NS, ConnectBudget
from wherry.plan.model import Connection, Controller, Framing, Limits, Plan, Point, Table, Transfer, Value
from wherry.protocol.responder import Responder
from wherry.protocol.server import ServerSession
from wherry.protocol.store import MemoryStore
from wherry.simulate.virtual_loop import run_virtual
from wherry.timing.link_limits import idle_wait_ns
from wherry.transports.memory import MemoryNetwork
from wherry.transports.network import reset
from wherry.values.types import UINT16

MS = 1_000_000
S = 1000 * MS
HOST = "10.20.0.11"
HOURS = 3600


@dataclass
class Small:
    """A device with one session: idle drop, a lost session that is held, locked up after so many connects an hour."""

    idle_s: float = 10
    held_s: float = 60
    connects_max: int = 30
    store: MemoryStore = field(default_factory=MemoryStore)
    connects_ns: list[int] = field(default_factory=list)
    reads: int = 0
    refused: int = 0
    idle_drops: int = 0
    locked: bool = False
    is_held: bool = False
    session: Any = None

    def now_ns(self) -> int:
        return int(asyncio.get_running_loop().now_ns)  # type: ignore[attr-defined]

    def admit(self, served: _Served) -> bool:
        now_ns = self.now_ns()
        self.connects_ns.append(now_ns)
        self.locked = self.locked or sum(each > now_ns - HOUR_NS for each in self.connects_ns) > self.connects_max
        if self.locked or self.is_held or self.session is not None:
            self.refused += 1
            return False
        self.session = served
        return True

    def hang(self) -> None:
        """The session is lost without a word; the device holds it for a while."""
        assert self.session is not None
        self.is_held = True
        self.session = None
        asyncio.get_running_loop().call_later(self.held_s, self._free)

    def _free(self) -> None:
        self.is_held = False


class _Served(asyncio.Protocol):
    def __init__(self, device: Small) -> None:
        self.device = device
        self.server = ServerSession(Responder(device.store), framing=Framing.MBAP)
        self.transport: Any = None
        self.idle: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self.transport = transport
        if not self.device.admit(self):
            self.transport.close()
        else:
            self.watch()

    def watch(self) -> None:
        if self.idle is not None:
            self.idle.cancel()
        self.idle = asyncio.get_running_loop().call_later(self.device.idle_s, self.drop)

    def drop(self) -> None:
        self.device.idle_drops += 1
        self.transport.close()

    def connection_lost(self, exc: Exception | None) -> None:
        if self.idle is not None:
            self.idle.cancel()
        if self.device.session is self:
            self.device.session = None

    def data_received(self, data: bytes) -> None:
        if self.device.session is not self:
            return
        self.watch()
        for indication in self.server.take(data):
            self.device.reads += 1
            answer = self.server.answer(indication)
            if answer is not None:
                asyncio.get_running_loop().call_later(0.005, self.transport.write, answer)


@dataclass
class Plant:
    device: Small
    network: MemoryNetwork
    engine: Engine
    events: list[Event]

    @property
    def line(self) -> Any:
        return self.engine.lines["skid"]

    @property
    def carry(self) -> Any:
        return self.engine.carries[0]

    def told(self) -> list[str]:
        return [event.message for event in self.events if event.subject == "skid" and event.kind == "line down"]

    def most_connects(self) -> int:
        """Most attempts within an hour, both ends counted, as the device saw them."""
        times = self.device.connects_ns
        return max((sum(start <= each <= start + HOUR_NS for each in times) for start in times), default=0)


async def plant(kit: Any, limits: Limits, *, period_ns: int, device: Small | None = None) -> Plant:
    device = device or Small()
    network = MemoryNetwork(random.Random(1))
    served: Small = device
    await network.serve(lambda: _Served(served), HOST, 502)
    await kit.device().serve(network, "10.20.0.12", Framing.MBAP)
    values = (Value("level", Point(Table.HOLDING, 0, UINT16), Point(Table.HOLDING, 100, UINT16)),)
    plan = Plan(
        "Skid",
        (Controller("skid", HOST, limits=limits), Controller("hall", "10.20.0.12")),
        (Transfer("water", "skid", "hall", period_ns, 3 * period_ns, values),),
    )
    events: list[Event] = []
    engine = Engine(plan, network, armed=["hall"], listeners=[events.append], seed=1)
    engine.start()
    return Plant(device, network, engine, events)


def test_never_more_connects_in_any_hour() -> None:
    budget = ConnectBudget(3)
    spent: list[int] = []
    now_ns = 0
    rng = random.Random(4)
    for _ in range(200):
        now_ns += rng.randrange(0, 1200 * S)
        wait_ns = budget.wait_ns(now_ns)
        now_ns += wait_ns
        assert budget.wait_ns(now_ns) == 0
        budget.spend(now_ns)
        spent.append(now_ns)
    assert all(later - earlier > HOUR_NS for earlier, later in zip(spent, spent[3:], strict=False))
    assert any(later - earlier < HOUR_NS for earlier, later in zip(spent, spent[2:], strict=False))
    assert ConnectBudget(None).wait_ns(0) == 0


def test_an_idle_connection_is_seen_to_before_the_device_closes_it() -> None:
    assert idle_wait_ns(10 * S) == 9 * S
    assert idle_wait_ns(60 * S) == 59 * S
    assert idle_wait_ns(2 * S) == 1800 * MS


def test_a_line_closes_before_the_device_does_and_connects_when_something_is_due(kit: Any) -> None:
    async def scenario() -> None:
        device = Small(connects_max=10_000)
        made = await plant(kit, Limits(idle_ns=10 * S), period_ns=30 * S, device=device)
        await asyncio.sleep(925)
        assert made.line.state == "closed while nothing is asked"
        assert made.line.is_up
        await made.engine.stop()
        assert made.carry.delivered == made.carry.scheduled == 31
        assert device.idle_drops == 0
        assert made.told() == []
        assert len(device.connects_ns) == 31
        assert made.line.connections_lost == 0

    run_virtual(scenario)


def test_a_connection_that_is_used_often_enough_is_kept(kit: Any) -> None:
    async def scenario() -> None:
        made = await plant(kit, Limits(idle_ns=10 * S), period_ns=5 * S)
        await asyncio.sleep(600)
        await made.engine.stop()
        assert len(made.device.connects_ns) == 1
        assert made.device.reads == made.carry.scheduled

    run_virtual(scenario)


def test_where_connects_are_few_an_idle_connection_is_kept_in_use(kit: Any) -> None:
    async def scenario() -> None:
        made = await plant(kit, Limits(idle_ns=10 * S, connects_per_hour=20), period_ns=60 * S)
        await asyncio.sleep(2 * HOURS)
        await made.engine.stop()
        assert len(made.device.connects_ns) == 1
        assert made.device.idle_drops == 0
        assert made.carry.delivered == made.carry.scheduled
        # Every nine seconds something is asked, and what comes of it is given to nobody.
        assert 700 < made.device.reads - made.carry.scheduled < 800

    run_virtual(scenario)


def test_an_exchange_has_a_connection_of_its_own(kit: Any) -> None:
    async def scenario() -> None:
        device = Small(connects_max=10_000)
        made = await plant(kit, Limits(connection=Connection.PER_EXCHANGE), period_ns=5 * S, device=device)
        open_at: list[bool] = []
        await asyncio.sleep(2.5)
        for _ in range(20):
            open_at.append(device.session is not None)
            await asyncio.sleep(5)
        assert not any(open_at)
        assert made.line.is_up
        await made.engine.stop()
        assert made.carry.delivered == made.carry.scheduled == 21
        assert len(device.connects_ns) == 21
        assert device.refused == device.idle_drops == 0
        assert made.line.connections_lost == 0
        assert made.told() == []

    run_virtual(scenario)


def test_all_requests_of_a_cycle_share_the_connection_of_an_exchange(kit: Any) -> None:
    async def scenario() -> None:
        values = tuple(
            Value(f"v{k}", Point(Table.HOLDING, 400 * k, UINT16), Point(Table.HOLDING, 100 + 400 * k, UINT16))
            for k in range(6)
        )
        limits = Limits(connection=Connection.PER_EXCHANGE)
        made = await kit.plant(values, period_ns=2 * S, max_age_ns=10 * S, limits=limits, receiver_limits=limits)
        await asyncio.sleep(59)
        await made.engine.stop()
        assert made.carry.delivered == 30
        assert len(made.source.connects_ns) == 30
        # The receiver's exchange has the writes and the status; stopping says Bad in one more.
        assert len(made.receiver.connects_ns) == 31
        assert made.source.open_max == made.receiver.open_max == 1
        assert made.receiver.registers(91, 1) == [0]
        assert made.counts_are_exact()

    run_virtual(scenario)


@pytest.mark.parametrize("down", ["refused", "silent", "closed"])
def test_a_day_of_being_down_costs_no_more_connects_than_declared(kit: Any, down: str) -> None:
    attempts: list[int] = []

    async def scenario() -> None:
        limits = Limits(connects_per_hour=20, idle_ns=10 * S)
        made = await plant(kit, limits, period_ns=5 * S, device=Small(connects_max=20))
        await asyncio.sleep(60)
        route = made.network.route(HOST, 502)
        route.refuses, route.hangs = down == "refused", down == "silent"
        made.device.is_held = down == "closed"
        lost, made.device.session = made.device.session, None
        lost.transport.abort()
        before = made.network.attempts
        connects = made.line.connects
        for _ in range(24 * 60):
            await asyncio.sleep(60)
            attempts.append(made.line.connects)
        assert made.line.connects - connects == made.network.attempts - before
        hourly = [later - earlier for earlier, later in zip(attempts, attempts[60:], strict=False)]
        assert max(hourly) <= 20
        assert min(hourly) >= 8
        route.refuses = route.hangs = made.device.is_held = False
        await asyncio.sleep(400)
        assert made.line.is_up
        assert made.carry.quality.name == "GOOD"
        assert made.most_connects() <= 20
        assert not made.device.locked
        await made.engine.stop()

    run_virtual(scenario)


def test_used_up_connects_are_told_and_waited_for(kit: Any) -> None:
    """A device that ends every connection a while after it was made."""

    async def scenario() -> None:
        limits = Limits(connects_per_hour=5)
        made = await plant(kit, limits, period_ns=S, device=Small(connects_max=5))
        for _ in range(5):
            await asyncio.sleep(75)
            made.device.session.transport.close()
        await asyncio.sleep(60)
        assert made.line.state == "waiting to connect"
        assert made.line.reason == (
            "all 5 connects of the hour are used up; before that: the controller closed the connection"
        )
        assert made.told()[-1] == f"skid is not connected: {made.line.reason}"
        due_ns = made.line.link.connect_at_ns
        assert due_ns is not None
        assert due_ns > made.device.connects_ns[0] + HOUR_NS
        await asyncio.sleep(HOURS)
        assert made.line.is_up
        assert len(made.device.connects_ns) == 6
        assert not made.device.locked
        await made.engine.stop()

    run_virtual(scenario)


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.slow
def test_a_one_session_device_on_a_bad_day(kit: Any, seed: int) -> None:
    """Sessions get lost without a word, again and again; the line comes back when the device has freed them."""

    async def scenario() -> None:
        rng = random.Random(seed)
        limits = Limits(connects_per_hour=25, idle_ns=10 * S, timeout_ns=500 * MS)
        made = await plant(kit, limits, period_ns=S)
        messages: set[str] = set()
        for _ in range(30):
            await asyncio.sleep(rng.uniform(1500, 4000))
            if made.device.session is None:
                continue
            reset_later = made.device.session.transport
            made.device.hang()
            for _ in range(70):
                await asyncio.sleep(1)
                messages.add(made.line.reason.split(":")[0])
            reset(reset_later)
            await asyncio.sleep(100)
            assert made.line.is_up, made.line.reason
        assert made.most_connects() <= 25
        assert not made.device.locked
        assert any(each.startswith("the controller closed the connection before any answer") for each in messages)
        await made.engine.stop()
        assert made.carry.scheduled == made.carry.delivered + made.carry.skipped + made.carry.failed
        assert made.carry.delivered > 0.9 * made.carry.scheduled

    run_virtual(scenario)


def test_what_keeps_a_connection_in_use_is_a_read_also_where_only_writes_go(kit: Any) -> None:
    """The receiver is written to once a minute; in between one of its registers is read."""

    async def scenario() -> None:
        limits = Limits(idle_ns=10 * S, connects_per_hour=20)
        made = await kit.plant(period_ns=60 * S, max_age_ns=180 * S, status=None, receiver_limits=limits)
        await asyncio.sleep(595)
        await made.engine.stop()
        assert len(made.receiver.connects_ns) == 1
        assert len(made.receiver.writes) == 10
        assert {each.pdu.hex() for each in made.receiver.reads} == {"0300640001"}
        gaps = [later.at_ns - earlier.at_ns for earlier, later in pairwise(made.receiver.seen)]
        assert max(gaps) < 10 * S

    run_virtual(scenario)


@pytest.mark.parametrize("limits", [Limits(connection=Connection.PER_EXCHANGE), Limits(idle_ns=2 * S)])
def test_a_connection_without_any_answer_is_not_made_again_at_once(kit: Any, limits: Limits) -> None:
    async def run() -> None:
        # Takes every connection and answers nothing that is asked on it.
        source = kit.device(answer=lambda device, seen, adu: (0, None))
        limited = Limits(connection=limits.connection, idle_ns=limits.idle_ns, timeout_ns=100 * MS)
        plant = await kit.plant(period_ns=500 * MS, max_age_ns=5 * S, source=source, limits=limited)
        await asyncio.sleep(600)
        waits_ns = [after - before for before, after in pairwise(source.connects_ns)]
        # The waits grow to five seconds, jittered down to half of that; one attempt for each period would be 1,200.
        assert len(waits_ns) <= 600 / 2.5 + 6
        assert min(waits_ns[6:]) >= 2500 * MS
        source.answer = None
        await asyncio.sleep(20)
        assert plant.carry.quality.name == "GOOD"
        await plant.engine.stop()
        assert plant.counts_are_exact()

    run_virtual(run)
