"""Trials: an engine against devices that misbehave, watched by what the devices themselves saw.

Nothing here comes from the engine: a value that was put must be what its source held at the instant of some read not
longer ago than ``max_age``, byte by byte, and a write must lie within the places that the plan names.
"""

from __future__ import annotations

import asyncio
import os
from collections import deque
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from random import Random
from typing import Any

import pytest

from wherry.engine.events import Event
from wherry.engine.runner import Engine
from wherry.plan.model import Plan, Table, Transfer, Value
from wherry.simulate.controller import Simulated, SimulatedController, simulate_plan
from wherry.simulate.devices.base import Chosen
from wherry.simulate.devices.catalogue import choose, placed_for, plan_for, preparing
from wherry.simulate.station import Station
from wherry.simulate.virtual_loop import run_virtual
from wherry.transports.behaviour import uniform_ns
from wherry.transports.memory import MemoryNetwork
from wherry.transports.network import Network

MS = 1_000_000
S = 1000 * MS
TRANSACTIONS = int(os.environ.get("WHERRY_DEVICE_TRANSACTIONS", "1200"))
"""How many requests each trial makes at least, of all controllers that misbehave."""
SLACK_NS = 30 * MS
"""From the instant at which the engine lets a write leave to that at which the device carries it out."""
GOOD = 2
"""As the status registers tell it."""
LONGEST_S = 20 * 24 * 3600

Truth = Callable[[SimulatedController, Value, int], "bytes | None"]
"""What a value of a source really is at an instant, as it travels; None when it is none that may be passed on."""


def held(source: SimulatedController, value: Value, _now_ns: int) -> bytes:
    """What its program has in its registers now, whatever it answers."""
    take = value.take
    if take.table.is_bits:
        return source.moving.read_bits(take.table, take.address, take.count)
    return source.moving.read_registers(take.table, take.address, take.count)


@dataclass
class Watched:
    """One transfer: what its source held lately, by value."""

    transfer: Transfer
    truths: deque[tuple[int, list[bytes | None]]] = field(default_factory=deque)
    writes: int = 0
    untold: list[str] = field(default_factory=list)
    """Wrong values that were put since the receiver was told the quality last."""


class Places:
    """What may be written in one receiver: every item of it, and where values and status registers begin."""

    def __init__(self, given: list[Watched]) -> None:
        self.planned: set[tuple[bool, int]] = set()
        self.values: dict[tuple[bool, int], tuple[Watched, int]] = {}
        self.status: dict[tuple[bool, int], Watched] = {}
        for each in given:
            for index, value in enumerate(each.transfer.values):
                span = value.put.span
                self.values[span.table.is_bits, span.start] = each, index
                self.planned |= {(span.table.is_bits, at) for at in range(span.start, span.stop)}
            if each.transfer.status is not None:
                span = each.transfer.status
                self.status[False, span.start] = each
                self.planned |= {(False, at) for at in range(span.start, span.stop)}


class Trial:
    """One run. ``wrong`` and ``unplanned`` are sentences about what must not be."""

    def __init__(self, plan: Plan, placed: dict[str, Chosen], seed: int, truth: Truth, slack_ns: int) -> None:
        self.plan = plan
        self.placed = placed
        self.seed = seed
        self.truth = truth
        self.slack_ns = slack_ns
        self.wrong: list[str] = []
        self.unplanned: list[str] = []
        self.is_judged = True
        self.may_doubt = False
        """Whether values that are not what the source holds may arrive, as long as they are not told to be Good."""
        self.doubted = 0
        self.events: list[Event] = []
        self.qualities: list[tuple[int, str, int]] = []
        self.watched = [Watched(each) for each in plan.transfers]
        self.network: Network = MemoryNetwork(Random(seed))
        self.prepare: Callable[[SimulatedController], None] = lambda _device: None
        self.on_request: Callable[[], None] = lambda: None
        self.engine: Engine
        self.simulated: Simulated
        for each in plan.transfers:
            for value in each.values:
                assert value.take.type == value.put.type, "a trial compares bytes"

    def __getitem__(self, name: str) -> SimulatedController:
        return self.simulated.controllers[name]

    @property
    def now_ns(self) -> int:
        return self.engine.now_ns()

    async def start(self) -> None:
        """Devices, then the engine, armed everywhere."""
        if isinstance(self.network, MemoryNetwork):
            for each in self.plan.controllers:
                route = self.network.route(each.host, each.port)
                for behaviour in (route.to_server, route.to_client):
                    behaviour.latency_ns = uniform_ns(100_000, 600_000)
        misbehave = preparing(self.plan, self.placed)

        def prepare(device: SimulatedController, rng: Random) -> None:
            misbehave(device, rng)
            self.prepare(device)

        self.simulated = await simulate_plan(
            self.plan,
            self.network,
            rng=Random(self.seed),
            prepare=prepare,
            any_port=not isinstance(self.network, MemoryNetwork),
        )
        self.plan = self.simulated.plan
        for name, device in self.simulated.controllers.items():
            self._listen(name, device)
        armed = [each.name for each in self.plan.controllers]
        self.engine = Engine(self.plan, self.network, armed=armed, listeners=[self.events.append], seed=self.seed)
        self.engine.start()

    def _listen(self, name: str, device: SimulatedController) -> None:
        given = [each for each in self.watched if each.transfer.destination == name]
        taken = [each for each in self.watched if each.transfer.source == name]
        places = Places(given)

        def served(at_ns: int, _unit: int, pdu: bytes, answer: bytes) -> None:
            function = pdu[0]
            if function < 5:
                for each in taken:
                    self._note(device, each, at_ns)
            elif function in (5, 6, 15, 16):
                self._judge(name, places, at_ns, pdu, is_done=bool(answer) and not answer[0] & 0x80)
            elif function not in (0x2B, 0x11):
                self.unplanned.append(f"{at_ns}: {name} was asked {pdu.hex()}")
            self.on_request()

        device.on_served = served
        if not isinstance(self.network, MemoryNetwork):
            # On a real clock the program may run on while a request is carried out: look before it, too.
            usual = device.respond

            def respond(unit: int, pdu: bytes) -> bytes | None:
                for each in taken:
                    self._note(device, each, device.station.clock.now_ns())
                return usual(unit, pdu)

            device.respond = respond

    def _note(self, device: SimulatedController, watched: Watched, at_ns: int) -> None:
        truths, oldest_ns = watched.truths, at_ns - watched.transfer.max_age_ns - 2 * self.slack_ns
        truths.append((at_ns, [self.truth(device, value, at_ns) for value in watched.transfer.values]))
        while truths[0][0] < oldest_ns:
            truths.popleft()

    def _judge(self, name: str, places: Places, at_ns: int, pdu: bytes, *, is_done: bool) -> None:
        """A write by its bytes: function, address, quantity, byte count, data."""
        is_bits = pdu[0] in (5, 15)
        start = int.from_bytes(pdu[1:3], "big")
        is_many = pdu[0] in (15, 16)
        count = int.from_bytes(pdu[3:5], "big") if is_many else 1
        data = pdu[6:] if is_many else pdu[3:5]
        told: list[tuple[Watched, int]] = []
        for address in range(start, start + count):
            key = is_bits, address
            if key not in places.planned:
                self.unplanned.append(f"{at_ns}: {name} was written {pdu.hex()}")
            at = 2 * (address - start)
            if key in places.status:
                told.append((places.status[key], int.from_bytes(data[at + 2 : at + 4], "big")))
            if key in places.values and is_done:
                assert not is_bits, "trials carry registers"
                watched, index = places.values[key]
                size = 2 * watched.transfer.values[index].put.count
                assert at + size <= len(data), "a value is written whole"
                self._compare(watched, index, at_ns, data[at : at + size])
        for watched, quality in told:
            self.qualities.append((at_ns, watched.transfer.name, quality))
            if quality == GOOD or not self.may_doubt:
                self.wrong += watched.untold
            self.doubted += len(watched.untold)
            watched.untold.clear()

    def _compare(self, watched: Watched, index: int, at_ns: int, data: bytes) -> None:
        watched.writes += 1
        value = watched.transfer.values[index]
        since_ns = at_ns - watched.transfer.max_age_ns - self.slack_ns
        if value.take.order is not value.put.order:
            data = in_order(data, value)
        if not any(at >= since_ns and truth[index] == data for at, truth in reversed(watched.truths)):
            where = self.wrong if watched.transfer.status is None else watched.untold
            where.append(f"{at_ns}: {value.name} was given {data.hex()}")

    @property
    def transactions(self) -> int:
        """Requests to the controllers that misbehave, and to those that share an address with one."""
        stations = [each for each in self.simulated.stations if self.placed.keys() & names_at(each)]
        return sum(device.counts.request_count for each in stations for device in each.controllers)

    async def run(self, *, least_s: float = 0.0, count: int = TRANSACTIONS) -> None:
        """Until there were so many transactions and so much time."""
        loop = asyncio.get_running_loop()
        until_s = loop.time() + least_s
        while self.transactions < count or loop.time() < until_s:
            await asyncio.sleep(5)
            assert loop.time() < LONGEST_S, f"only {self.transactions} transactions"

    async def wait(self, seconds: float) -> None:
        """Let virtual time pass."""
        await asyncio.sleep(seconds)

    async def until(self, is_so: Callable[[], bool]) -> None:
        """Wait until something is so, looking after every request that a device has carried out."""
        reached = asyncio.Event()

        def look() -> None:
            if is_so():
                reached.set()

        self.on_request = look
        look()
        await reached.wait()
        self.on_request = lambda: None

    async def stop(self) -> None:
        """The engine ends cleanly; the counts add up."""
        await self.engine.stop()
        await self.simulated.stop()
        for carry in self.engine.carries:
            assert carry.scheduled == carry.delivered + carry.skipped + carry.failed

    def carry(self, name: str) -> Any:
        """One transfer at work."""
        return next(each for each in self.engine.carries if each.transfer.name == name)

    def line(self, name: str) -> Any:
        """One line."""
        return self.engine.lines[name]

    def said(self, subject: str) -> list[str]:
        """What was told of one line or transfer."""
        return [each.message for each in self.events if each.subject == subject]

    def is_clean(self) -> None:
        """Nothing wrong, nothing unplanned, nothing refused by the last gate."""
        assert not self.is_judged or self.wrong[:5] == []
        assert self.unplanned[:5] == []
        assert [name for name, line in self.engine.lines.items() if line.guard.refused] == []


def names_at(station: Station) -> set[str]:
    """The controllers at one address."""
    return {each.controller.name for each in station.controllers}


def in_order(data: bytes, value: Value) -> bytes:
    """What was put, in the order in which its source holds it; worked out here from the letters of the orders."""
    letters = {0: "ABCD", 1: "CDAB"}
    source, target = str(value.take.order), str(value.put.order)
    assert {source, target} <= set(letters.values())
    assert len(data) == 4
    by_letter = dict(zip(target, data, strict=True))
    return bytes(by_letter[each] for each in source)


Play = Callable[[Trial], Awaitable[None]]


def play_device(
    label: str, seed: int, play: Play, *, plan: Plan | None = None, only: str = "", truth: Truth = held
) -> Trial:
    """Play on a device's own plan (or another) in virtual time; whatever ``play`` does, nothing wrong may be put."""
    chosen_plan = plan or plan_for(label)
    placed = {only: choose(label)} if only else placed_for(label)

    async def main() -> Trial:
        trial = Trial(chosen_plan, placed, seed, truth, SLACK_NS)
        await trial.start()
        await play(trial)
        trial.is_clean()
        await trial.stop()
        trial.is_clean()
        return trial

    return run_virtual(main)


@pytest.fixture
def new_trial() -> Callable[..., Trial]:
    """A trial that is still to be started: plan, which controller misbehaves how, network, and slack."""

    def make(plan: Plan, label: str, *, only: str, network: Network, slack_ns: int) -> Trial:
        trial = Trial(plan, {only: choose(label)}, 1, held, slack_ns)
        trial.network = network
        return trial

    return make


@pytest.fixture
def on_device() -> Callable[..., Trial]:
    """``play_device``."""
    return play_device


@pytest.fixture(params=[1, 2, 3])
def seed(request: pytest.FixtureRequest) -> int:
    """Three seeds."""
    return int(request.param)


HOLDING = Table.HOLDING
