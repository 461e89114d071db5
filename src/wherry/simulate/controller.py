"""Simulated controllers: they answer over a network, real or in memory, as the plan says the real ones do.

One request at a time and in order, carried out when its turn comes and answered after the declared response time;
quantities, connections and holes as declared; values that move by themselves. What they were asked is counted, the last
writes are kept, and faults can be asked for.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from random import Random
from typing import Final

from wherry.clock import NS_PER_MS
from wherry.errors import LocalError
from wherry.limits import REGISTER_BITS, UNIT_BROADCAST
from wherry.plan.model import Controller, Plan, Point, Span, Table, Value
from wherry.protocol.functions import EXCEPTION_BIT, FUNCTIONS, ExceptionCode
from wherry.protocol.identification import Identity
from wherry.protocol.message import unpack_registers
from wherry.protocol.responder import Responder, ResponderLimits
from wherry.protocol.server import Indication
from wherry.protocol.store import MemoryStore
from wherry.simulate.device import Counts, Door, Fault, FaultHook, MovingStore, Served, WriteRecord
from wherry.simulate.signals import Mover, derived_movers, mover_of
from wherry.simulate.station import Station
from wherry.transports.network import Network
from wherry.values.codec import Value as Content
from wherry.values.codec import reader, writer

__all__ = ["Counts", "Fault", "Placed", "Simulated", "SimulatedController", "WriteRecord", "simulate_plan"]

SCAN_NS: Final = 10 * NS_PER_MS
"""How often a simulated program runs through (common practice for controllers, no source)."""
UPDATE_GAPS: Final = 4
"""A source that is read double updates its values once in so many times the gap between the readings."""
LOOPBACK: Final = "127.0.0.1"

Placed = Mapping[str, tuple[str, int]]
"""Where each controller is served: host and port by name; port 0 takes a free one."""


class SimulatedController:
    """One controller. ``values`` are those that are taken from it, ``alive`` its counters with their transfer's period.

    ``spans``: what exists, in addition to what it gives out; None: all four tables, whole. Moving values stand at their
    first instant until it is started; all of one scan (``scan_ns``) belong together. ``on_served`` is told of every
    request that was carried out, for a record of what the controller really did.

    A device that misbehaves changes ``respond`` (unit id and request PDU to response PDU; None: no answer), ``door``,
    ``fault``, or does something by itself from ``on_started`` on.
    """

    def __init__(
        self,
        controller: Controller,
        *,
        values: Sequence[Value] = (),
        alive: Sequence[tuple[Point, int]] = (),
        rng: Random | None = None,
        spans: Iterable[Span] | None = None,
        scan_ns: int = SCAN_NS,
        fault: FaultHook | None = None,
    ) -> None:
        assert scan_ns > 0, scan_ns
        self.controller = controller
        self.counts = Counts()
        self.fault = fault
        self.on_served: Served | None = None
        self.on_started: list[Callable[[], None]] = []
        self.door: Door | None = None
        self.is_killed = False
        self.scan_ns = scan_ns
        self._started_ns = 0
        self._frozen_ns: int | None = None
        self._station: Station | None = None
        self._asked = 0
        seed = (rng or Random(0)).getrandbits(64)
        signals = controller.simulation.signals
        movers = [*derived_movers(values, alive, signals, seed), *(mover_of(each, seed) for each in signals)]
        self.moving = MovingStore(_memory(controller, movers, spans), movers, self.program_ns, self._now_ns)
        limits = controller.limits
        self.responder = Responder(
            self.moving,
            units=(controller.unit,),
            limits=ResponderLimits(limits.read_bits, limits.read_registers, limits.write_bits, limits.write_registers),
        )
        self.respond: Callable[[int, bytes], bytes | None] = self.responder.respond
        self._become_itself()

    def _become_itself(self) -> None:
        """Say of itself what the plan expects to hear."""
        identity = self.controller.identity
        if identity is None:
            return
        objects = {number: text.encode() for number, text in identity.objects}
        self.responder.device.identity = Identity({0: b"", 1: b"", 2: b""} | objects)
        for each in identity.registers:
            at = each.at
            self.moving.pin(at.table, at.address, at.count)
            if at.table.is_bits:
                self.store.write_bits(at.table, at.address, at.count, each.data)
            else:
                self.store.write_registers(at.table, at.address, each.data)

    @property
    def store(self) -> MemoryStore:
        """The registers as the last look left them; ``get`` and ``registers`` bring them up to date."""
        return self.moving.memory

    @property
    def host(self) -> str:
        """Where it is served."""
        return self._station.host if self._station is not None else self.controller.host

    @property
    def port(self) -> int:
        """The port it is served on."""
        return self._station.port if self._station is not None else self.controller.port

    @property
    def writes(self) -> Sequence[WriteRecord]:
        """The last writes that were carried out, oldest first."""
        return list(self.moving.writes)

    @property
    def signals(self) -> list[str]:
        """What moves and how, one line each."""
        return list(dict.fromkeys(each.text for each in self.moving.movers))

    # Being there.

    async def start(self, network: Network, host: str, port: int) -> None:
        """Serve at an address of its own. LinkError with a sentence when that cannot be had."""
        await Station((self,)).start(network, host, port)

    async def stop(self) -> None:
        """Serve no more. Controllers that share the address end with it."""
        if self._station is not None:
            await self._station.stop()

    def kill(self) -> None:
        """The controller is lost: connections are reset and new ones refused. Behind a shared address only its unit is
        lost, and the gateway says so with exception 0B."""
        self.is_killed = True
        station = self._station
        if station is not None and all(each.is_killed for each in station.controllers):
            station.kill()

    def revive(self) -> asyncio.Task[None]:
        """It comes back at the same address, with the values of now. Await the task to know that it is there."""
        self.is_killed = False
        assert self._station is not None, "only what was started can come back"
        return asyncio.get_running_loop().create_task(self._station.revive())

    def freeze(self) -> None:
        """The program stops: requests are answered, but nothing moves any more."""
        if self._frozen_ns is None:
            self._frozen_ns = self.program_ns()

    @property
    def is_frozen(self) -> bool:
        """Whether the program has stopped."""
        return self._frozen_ns is not None

    def thaw(self) -> None:
        """The program runs again, with the values of now."""
        self._frozen_ns = None

    # Its registers.

    def get(self, point: Point) -> Content:
        """What a point holds now. UnreadableError when that is no value of its type, LocalError in a hole."""
        if point.table.is_bits:
            return reader(point)(self.moving.read_bits(point.table, point.address, point.count))
        return reader(point)(self.moving.read_registers(point.table, point.address, point.count))

    def set(self, point: Point, value: Content) -> None:
        """Set a point from inside. What moved it does so no more. DoesNotFitError when it cannot hold the value."""
        data = writer(point)(value)
        self.moving.pin(point.table, point.address, point.count, point.bit)
        if point.table.is_bits:
            self.store.write_bits(point.table, point.address, point.count, data)
        elif point.bit is None:
            self.store.write_registers(point.table, point.address, data)
        else:
            self.moving.write_bit(point.table, point.address, point.bit, data != b"\x00")

    def registers(self, start: int, count: int, table: Table = Table.HOLDING) -> tuple[int, ...]:
        """Registers as unsigned numbers. LocalError in a hole."""
        return unpack_registers(self.moving.read_registers(table, start, count))

    # Time.

    def started(self, station: Station) -> None:
        """The station serves; the program starts."""
        self._station = station
        self._started_ns = station.clock.now_ns()
        for each in self.on_started:
            each()

    def call_in(self, wait_ns: int, action: Callable[[], object]) -> None:
        """Do something of the program's own after a while. It must have been started."""
        assert self._station is not None, "only a program that runs can wait"
        clock = self._station.clock
        clock.call_at(clock.now_ns() + wait_ns, action)

    @property
    def station(self) -> Station:
        """The address it is served at."""
        assert self._station is not None, "it has been started"
        return self._station

    def _now_ns(self) -> int:
        return self._station.clock.now_ns() if self._station is not None else 0

    def program_ns(self) -> int:
        """The instant of the program's present scan, since it started."""
        if self._frozen_ns is not None:
            return self._frozen_ns
        passed_ns = self._now_ns() - self._started_ns
        return passed_ns - passed_ns % self.scan_ns

    def service_ns(self, pdu: bytes) -> int:
        """How long it takes to answer this request."""
        response = self.controller.response
        return response.fixed_ns + response.per_register_ns * register_count(pdu)

    # Requests, one after the other, called by the station.

    def arrived(self, request: Indication, waiting: int, last_answer_ns: int | None) -> None:
        """Count a request as it comes in: what politeness is measured by."""
        counts = self.counts
        counts.requests[request.pdu[0]] += 1
        counts.in_flight_max = max(counts.in_flight_max, waiting + 1)
        if last_answer_ns is not None and waiting == 0:
            gap_ns = self._now_ns() - last_answer_ns
            counts.gap_ns_min = gap_ns if counts.gap_ns_min is None else min(counts.gap_ns_min, gap_ns)

    def fault_for(self, request: Indication) -> Fault | None:
        """The fault that is asked for, if any."""
        if self.fault is None:
            return None
        number = self._asked
        self._asked += 1
        return self.fault(number, request.unit, request.pdu)

    def carry_out(self, request: Indication, fault: Fault) -> bytes | None:
        """Do what is asked and say so: the response PDU."""
        counts, function = self.counts, request.pdu[0]
        refused = ExceptionCode.GATEWAY_TARGET_FAILED if self.is_killed else fault.exception
        pdu: bytes | None
        if refused is not None:
            pdu = bytes((function | EXCEPTION_BIT, refused))
        else:
            self.moving.ignores_writes = fault.ignores
            pdu = self.respond(request.unit, request.pdu)
            self.moving.ignores_writes = False
        if self.on_served is not None:
            self.on_served(self._now_ns(), request.unit, request.pdu, pdu or b"")
        if pdu is None:
            return None
        if pdu[0] & EXCEPTION_BIT:
            counts.exceptions[pdu[1]] += 1
        elif FUNCTIONS[function].is_write:
            counts.writes += 1
        else:
            counts.reads += 1
        return pdu if fault.pdu is None else fault.pdu

    def carry_out_broadcast(self, pdu: bytes) -> None:
        """A broadcast on a serial line: carried out and not answered."""
        self.counts.requests[pdu[0]] += 1
        if not self.is_killed:
            self.responder.respond_broadcast(pdu)
            if self.on_served is not None:
                self.on_served(self._now_ns(), UNIT_BROADCAST, pdu, b"")


def register_count(pdu: bytes) -> int:
    """How many registers a request touches, for its response time; bits count as sixteenths, rounded down."""
    row = FUNCTIONS.get(pdu[0])
    if row is None or row.table is None:
        return 0
    count = 1 if row.count_max == 1 else int.from_bytes(pdu[3:5], "big")
    if pdu[0] == 0x17:
        count += int.from_bytes(pdu[7:9], "big")
    count = min(count, 2 * row.count_max)
    return count // REGISTER_BITS if row.table.is_bits else count


def _memory(controller: Controller, movers: Sequence[Mover], spans: Iterable[Span] | None) -> MemoryStore:
    holes = _runs(controller.simulation.holes)
    if spans is None:
        return MemoryStore(holes=holes)
    moved = (Span(each.table, each.address, each.count) for each in movers)
    own = [each.at.span for each in controller.identity.registers] if controller.identity is not None else []
    return MemoryStore(_runs([*spans, *controller.readable, *moved, *own]), holes)


def _runs(spans: Iterable[Span]) -> dict[Table, list[tuple[int, int]]]:
    result: dict[Table, list[tuple[int, int]]] = {table: [] for table in Table}
    for span in spans:
        result[span.table].append((span.start, span.count))
    return result


# A whole plan.


@dataclass(frozen=True)
class Simulated:
    """The simulated controllers of a plan. ``plan`` says where they really are."""

    plan: Plan
    controllers: Mapping[str, SimulatedController]
    stations: Sequence[Station]

    async def stop(self) -> None:
        """End them all."""
        for station in self.stations:
            await station.stop()

    @property
    def request_count(self) -> int:
        """Requests to all of them."""
        return sum(each.counts.request_count for each in self.controllers.values())


async def simulate_plan(
    plan: Plan,
    network: Network,
    *,
    only: Collection[str] | None = None,
    placed: Placed | None = None,
    any_port: bool = False,
    rng: Random | None = None,
    declared_only: bool = False,
    scan_ns: int = SCAN_NS,
    prepare: Callable[[SimulatedController, Random], None] | None = None,
) -> Simulated:
    """Start the plan's controllers (those named by ``only``) at their own addresses, or where ``placed`` says.

    ``any_port``: all on loopback at free ports. ``declared_only``: only what the plan names exists, which also takes
    less memory. ``prepare`` is called with each controller and a chance of its own before it is started, to let it
    misbehave. Controllers of the plan with one address and several units share that address. LinkError with a sentence
    when an address cannot be had (then none is left running), LocalError for a name that is not in the plan.
    """
    rng = rng or Random(0)
    for name in only or ():
        if name not in {each.name for each in plan.controllers}:
            raise LocalError(f"cannot simulate `{name}`: the plan's controllers are {_names(plan)}")
    made: dict[str, SimulatedController] = {}
    for controller in plan.controllers:
        # Each has a chance of its own, the same whichever others are simulated.
        own = Random(rng.getrandbits(64))
        if only is None or controller.name in only:
            made[controller.name] = build(plan, controller, own, declared_only=declared_only, scan_ns=scan_ns)
            if prepare is not None:
                prepare(made[controller.name], own)
    stations: list[Station] = []
    try:
        for group in _by_address(made.values()):
            first = group[0].controller
            host, port = (LOOPBACK, 0) if any_port else (placed or {}).get(first.name, (first.host, first.port))
            station = Station(group)
            await station.start(network, host, port)
            stations.append(station)
    except BaseException:
        for station in stations:
            await station.stop()
        raise
    controllers = tuple(
        replace(each, host=made[each.name].host, port=made[each.name].port) if each.name in made else each
        for each in plan.controllers
    )
    return Simulated(replace(plan, controllers=controllers), made, stations)


def build(
    plan: Plan, controller: Controller, rng: Random, *, declared_only: bool = False, scan_ns: int = SCAN_NS
) -> SimulatedController:
    """One controller of a plan, not started."""
    taken = [each for each in plan.transfers if each.source == controller.name]
    given = [each for each in plan.transfers if each.destination == controller.name]
    spans = None
    if declared_only:
        spans = [value.put.span for each in given for value in each.values]
        spans += [each.status for each in given if each.status is not None]
        spans += [each.careful.guard.span for each in taken if each.careful is not None and each.careful.guard]
        spans += [span for each in plan.commands for span in each.places_in(controller.name)]
    for each in taken:
        if each.careful is not None and each.careful.gap_ns is not None:
            # A source that is read twice must rest in between, or no two readings would ever be equal.
            scan_ns = max(scan_ns, UPDATE_GAPS * each.careful.gap_ns)
    return SimulatedController(
        controller,
        values=[value for each in taken for value in each.values],
        alive=[(each.alive, each.period_ns) for each in taken if each.alive is not None],
        rng=rng,
        spans=spans,
        scan_ns=scan_ns,
    )


def _by_address(controllers: Iterable[SimulatedController]) -> list[list[SimulatedController]]:
    groups: dict[tuple[str, int], list[SimulatedController]] = {}
    for each in controllers:
        groups.setdefault((each.controller.host, each.controller.port), []).append(each)
    return list(groups.values())


def _names(plan: Plan) -> str:
    return ", ".join(each.name for each in plan.controllers)
