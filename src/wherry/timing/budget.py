"""Whether a plan can be carried, and how old its values get: bounds that hold, before anything is wired.

``budget(plan)`` takes the plan apart into the requests of the engine (``system``), bounds how long each of them waits
(``bounds``), and adds up what that means for every transfer and every value. All times are integer nanoseconds; where a
bound is None there is none, because something on the way cannot keep up.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

from wherry.clock import NS_PER_S
from wherry.plan.model import Framing, Plan, Span, Transfer
from wherry.timing.bounds import Bounds, bounds_of
from wherry.timing.conditions import FRAME_BYTES_MIN, FRAMES_PER_EXCHANGE, USUAL, Conditions, Measured
from wherry.timing.course import UsualCourse, usual_course_of
from wherry.timing.loss import Losses
from wherry.timing.opening import HANDSHAKE_FRAMES
from wherry.timing.reopening import openings_per_s
from wherry.timing.system import Asked, Chain, Lane, System, system_of
from wherry.timing.windows import over_ns_of, readings_of, whole_ns

UTILISATION_HIGH = 0.7
"""Above this there is too little in reserve (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class RequestBudget:
    """One request that is made in each period."""

    controller: str
    is_write: bool
    function: int
    span: Span
    carries: tuple[tuple[str, str], ...]
    """Transfer and value of all that is in it; ``alive``, ``guard`` and ``status`` stand for themselves."""
    period_ns: int
    service_ns: int
    """From the frame's leaving to its reply, at the most."""
    slot_ns: int
    """How long its line takes no other request."""
    worst_ns: int | None
    """From the instant at which it is asked for to its reply, at the most: the waiting and the service."""
    deadline_ns: int
    """What ``worst_ns`` may be for its transfer still to be over within its period, all else as it is."""
    is_assumed: bool
    """Whether the response time it rests on is an assumption of ours."""
    is_rare: bool
    """Not in each period: a step of a command, another attempt after a torn reading."""

    @property
    def fits(self) -> bool:
        return self.worst_ns is not None and self.worst_ns <= self.deadline_ns

    @property
    def slack_ns(self) -> int | None:
        """How much longer it might take; negative when it takes too long."""
        return None if self.worst_ns is None else self.deadline_ns - self.worst_ns


@dataclass(frozen=True, slots=True)
class LineBudget:
    """One address: what it is asked, how loaded it is, and which request decides whether it is enough."""

    controllers: tuple[str, ...]
    host: str
    port: int
    framing: Framing
    units: tuple[int, ...]
    connections: int
    in_flight: int
    requests: tuple[RequestBudget, ...]
    """In the order in which they are asked for, by controller."""
    requests_per_s: float
    utilisation: float
    """The part of its time that is used, by response time, gap and pace."""
    utilisation_declared: float
    """The same without the response times that are assumed: it rests on the plan alone."""
    longest_busy_ns: int | None
    """How long it can be without a pause, at the most; None: it never has one."""
    bytes_per_s: float
    """On the network, with the headers of TCP, IP and Ethernet."""
    frames_per_s: float
    is_by_phase: bool
    """Whether the bounds use the instants at which the schedule really releases; else they hold for any."""
    openings_per_s: float = 0.0
    """How often a connection that was closed while nothing was asked is opened anew, at the most."""
    opening_ns: int = 0
    """How long what is asked for then waits for it, at the most."""

    @property
    def name(self) -> str:
        return ", ".join(self.controllers)

    @property
    def fits(self) -> bool:
        return all(each.fits for each in self.requests if not each.is_rare)

    @property
    def deciding(self) -> RequestBudget | None:
        """The request that would be too late first, or is so already."""
        regular = [each for each in self.requests if not each.is_rare]
        if not regular:
            return None
        unbounded = [each for each in regular if each.slack_ns is None]
        if unbounded:
            return max(unbounded, key=lambda each: each.slot_ns / each.period_ns)
        return min(regular, key=lambda each: (each.slack_ns or 0) / each.period_ns)


@dataclass(frozen=True, slots=True)
class ValueBudget:
    """How old one value gets, counted from when the source renewed it (where that is declared, else was asked)."""

    name: str
    at_delivery_worst_ns: int | None
    """When the receiver has it in its register."""
    worst_ns: int | None
    """Just before the next one replaces it, and the receiver's program has looked at it."""
    typical_ns: int | None
    """On average over time."""


@dataclass(frozen=True, slots=True)
class LossBudget:
    """How long it takes until the receiver's registers tell of a loss."""

    source_bad_ns: int | None
    """The source is lost: quality 0, at the latest after this. None: nothing tells it, or there is no bound."""
    heartbeat_gap_ns: int | None
    """The longest between two movements of the heartbeat while all is well: a watchdog must wait longer."""
    why_no_bound: str = ""
    """Why there is none for ``source_bad_ns`` though status registers tell it, in words."""


@dataclass(frozen=True, slots=True)
class TransferBudget:
    """One transfer."""

    name: str
    source: str
    destination: str
    period_ns: int
    max_age_ns: int
    worst_ns: int | None
    """From the release to the reply to its last write, at the most, what is read again after torn readings included."""
    whole_ns: int | None
    """The same where no reading is torn."""
    readings: int | None
    """How many readings there is surely time for in a cycle; None: it is read without care."""
    values: tuple[ValueBudget, ...]
    loss: LossBudget
    deciding: RequestBudget | None
    """The request that takes most of its period."""
    typical_ns: int | None = None
    """The same as ``worst_ns``, on average."""

    @property
    def fits(self) -> bool:
        """Whether every cycle is over before the next begins, so that none is skipped, but for torn readings."""
        return self.whole_ns is not None and self.whole_ns < self.period_ns

    @property
    def is_fresh(self) -> bool:
        """Whether what is put is never older than ``max_age``."""
        return self.whole_ns is not None and self.whole_ns <= self.max_age_ns

    @property
    def age_worst_ns(self) -> int | None:
        """Of its oldest value."""
        ages = [each.worst_ns for each in self.values]
        return None if None in ages else max((each for each in ages if each is not None), default=None)

    @property
    def age_typical_ns(self) -> int | None:
        ages = [each.typical_ns for each in self.values]
        return None if None in ages else max((each for each in ages if each is not None), default=None)


@dataclass(frozen=True, slots=True)
class Talk:
    """Who talks to whom: for the firewall. We connect; nobody connects to us."""

    host: str
    port: int
    protocol: str
    connections: int
    controllers: tuple[str, ...]
    functions: tuple[int, ...]
    """The function codes that are used."""
    writes: bool


@dataclass(frozen=True)
class Budget:
    """All of it. ``system`` and ``bounds`` are what it was computed from."""

    plan: Plan
    lines: tuple[LineBudget, ...]
    transfers: tuple[TransferBudget, ...]
    talks: tuple[Talk, ...]
    system: System
    bounds: Bounds
    conditions: Conditions
    measured: Measured | None

    @cached_property
    def fits(self) -> bool:
        """Whether every transfer meets its period."""
        return all(each.fits for each in self.transfers)

    def line_of(self, controller: str) -> LineBudget:
        """The line of a controller; KeyError if it is not used."""
        for each in self.lines:
            if controller in each.controllers:
                return each
        raise KeyError(controller)

    def transfer(self, name: str) -> TransferBudget:
        """The transfer of that name; KeyError if there is none."""
        for each in self.transfers:
            if each.name == name:
                return each
        raise KeyError(name)


def budget(plan: Plan, measured: Measured | None = None, conditions: Conditions = USUAL) -> Budget:
    """The budget of a plan. ``measured`` takes the place of the declared response times."""
    conditions = conditions.with_declared(plan)
    return budget_of(plan, system_of(plan, conditions, measured), conditions, measured)


def late_ns_of(conditions: Conditions, measured: Measured | None) -> int:
    """How late a release may be served."""
    return conditions.wake_ns if measured is None or measured.late_ns is None else measured.late_ns


def budget_of(plan: Plan, system: System, conditions: Conditions, measured: Measured | None) -> Budget:
    """The same for requests that are known already."""
    late_ns = late_ns_of(conditions, measured)
    bounds = bounds_of(system, late_ns)
    requests = _requests(system, bounds, late_ns)
    lines = tuple(_line(system, bounds, requests, index) for index in range(len(system.lanes)))
    order = {each.name: index for index, each in enumerate(plan.transfers)}
    usual_course = usual_course_of(system)
    losses = Losses(system, bounds, late_ns)
    transfers = sorted(
        (
            _transfer(system, bounds, requests, chain, chain.transfer, conditions, usual_course, losses, late_ns)
            for chain in system.chains
            if chain.transfer is not None
        ),
        key=lambda each: order[each.name],
    )
    return Budget(plan, lines, tuple(transfers), _talks(system), system, bounds, conditions, measured)


def _requests(system: System, bounds: Bounds, late_ns: int) -> list[RequestBudget]:
    """What is left of the period for each request: the rest is what its chain takes without it."""
    deadlines: dict[int, int] = {}
    for chain in system.chains:
        period_ns = system.tasks[chain.task].period_ns
        over_ns = whole_ns(chain, bounds.windows, late_ns)
        for stage in chain.stages:
            for at in stage.requests:
                worst_ns = bounds.windows[at].wait_ns
                left_ns = period_ns if over_ns is None or worst_ns is None else period_ns - over_ns + worst_ns
                deadlines[at] = min(deadlines.get(at, left_ns), left_ns)
        if chain.told is not None:
            window = bounds.windows[chain.told]
            is_bounded = window.over_ns is not None and window.wait_ns is not None
            deadlines[chain.told] = period_ns
            if is_bounded:
                assert window.latest_ns is not None
                deadlines[chain.told] = 2 * period_ns - window.latest_ns
    return [
        RequestBudget(
            each.controller,
            each.is_write,
            each.function,
            each.span,
            each.carries,
            system.tasks[each.task].period_ns,
            each.work.exchange_ns,
            each.work.slot_ns,
            bounds.windows[each.index].wait_ns,
            deadlines.get(each.index, system.tasks[each.task].period_ns),
            each.work.is_assumed,
            each.is_rare,
        )
        for each in system.requests
    ]


def _line(system: System, bounds: Bounds, requests: Sequence[RequestBudget], index: int) -> LineBudget:
    lane = system.lanes[index]
    asked = [each for each in system.requests if each.lane == index]
    place = {each.name: at for at, each in enumerate(lane.controllers)}
    asked.sort(key=lambda each: (place[each.controller], each.is_write))
    regular = [each for each in asked if not each.is_rare]
    per_s = [NS_PER_S / system.tasks[each.task].period_ns for each in regular]
    at_a_time = lane.limits[0].in_flight
    first = lane.controllers[0]
    again = [
        (opening, openings_per_s(system, index, link, bounds.windows))
        for link, opening in enumerate(system.openings[index])
        if opening is not None and (index, link) in bounds.opened
    ]
    asked_again = [(work, rate) for opening, rate in again for _, work in opening.asked]
    closed = [(opening, rate) for opening, rate in again if opening.is_closed]
    return LineBudget(
        controllers=tuple(each.name for each in lane.controllers),
        host=first.host,
        port=first.port,
        framing=first.framing,
        units=tuple(each.unit for each in lane.controllers),
        connections=len(lane.links),
        in_flight=at_a_time,
        requests=tuple(requests[each.index] for each in asked),
        requests_per_s=sum(per_s) + sum(rate for _, rate in asked_again),
        utilisation=_utilisation(lane, regular, per_s, is_declared_only=False)
        + sum(rate * work.slot_ns for work, rate in asked_again) / NS_PER_S,
        utilisation_declared=_utilisation(lane, regular, per_s, is_declared_only=True)
        + sum(rate * work.slot_ns for work, rate in asked_again if not work.is_assumed) / NS_PER_S,
        longest_busy_ns=bounds.busy_ns[index],
        bytes_per_s=sum(
            rate * (each.work.request_bytes + each.work.reply_bytes + FRAME_BYTES_MIN)
            for each, rate in zip(regular, per_s, strict=True)
        )
        + sum(rate * (work.request_bytes + work.reply_bytes + FRAME_BYTES_MIN) for work, rate in asked_again)
        + sum(rate * HANDSHAKE_FRAMES * FRAME_BYTES_MIN for _, rate in closed),
        frames_per_s=FRAMES_PER_EXCHANGE * (sum(per_s) + sum(rate for _, rate in asked_again))
        + HANDSHAKE_FRAMES * sum(rate for _, rate in closed),
        is_by_phase=bounds.is_by_phase[index],
        openings_per_s=sum(rate for _, rate in closed),
        opening_ns=max((opening.wait_ns for opening, _ in closed), default=0),
    )


def utilisations_of(system: System) -> list[tuple[float, float]]:
    """Of each lane the part of its time that is used, and of that what rests on the plan alone; without what is asked
    when a connection is opened anew."""
    found = []
    for index, lane in enumerate(system.lanes):
        asked = [each for each in system.requests if each.lane == index and not each.is_rare]
        per_s = [NS_PER_S / system.tasks[each.task].period_ns for each in asked]
        used, declared = (_utilisation(lane, asked, per_s, is_declared_only=only) for only in (False, True))
        found.append((used, declared))
    return found


def _utilisation(lane: Lane, asked: Sequence[Asked], per_s: Sequence[float], *, is_declared_only: bool) -> float:
    busy_ns = 0.0
    for each, rate in zip(asked, per_s, strict=True):
        limits = lane.limits[lane.link_of(each.controller)]
        slot_ns = each.work.slot_ns
        if is_declared_only and each.work.is_assumed:
            slot_ns = max(limits.gap_ns, limits.spacing_ns)
        busy_ns += rate * slot_ns
    return busy_ns / NS_PER_S


def _transfer(
    system: System,
    bounds: Bounds,
    requests: Sequence[RequestBudget],
    chain: Chain,
    transfer: Transfer,
    conditions: Conditions,
    usual_course: UsualCourse,
    losses: Losses,
    late_ns: int,
) -> TransferBudget:
    windows = bounds.windows
    period_ns = system.tasks[chain.task].period_ns
    worst_ns, unbroken_ns = over_ns_of(chain, windows), whole_ns(chain, windows, late_ns)
    in_stages = [at for stage in chain.usual_stages for at in stage.requests]
    unbounded = [at for at in in_stages if windows[at].wait_ns is None]
    # What cannot keep up decides; else what takes most of the period.
    decide = max(unbounded, key=lambda at: requests[at].slot_ns, default=None)
    if decide is None:
        decide = max(in_stages, key=lambda at: windows[at].wait_ns or 0, default=None)
    update_ns, scan_ns = conditions.updates_ns.get(transfer.source, 0), conditions.scans_ns.get(transfer.destination, 0)
    values = []
    for value, takes, puts in zip(transfer.values, chain.takes, chain.puts, strict=True):
        overs = [windows[at].over_ns for at in puts]
        delivered_ns = None if None in overs else max((each for each in overs if each is not None), default=None)
        sampled_ns = min((windows[at].earliest_ns for at in takes), default=0)
        if delivered_ns is None or worst_ns is None or unbroken_ns is None or unbroken_ns > period_ns:
            values.append(ValueBudget(value.name, None, None, None))
            continue
        # Read again it is put later, but sampled later, too. Where a cycle outlasts its period by that, the next is
        # skipped: what it has put is then sampled no longer before its end than without.
        oldest_ns = delivered_ns - sampled_ns + (unbroken_ns if worst_ns >= period_ns else 0) + update_ns
        age_ns = min(delivered_ns - sampled_ns, unbroken_ns) + update_ns
        held_ns = value.shortest_ns if value.is_on_change else 0
        typical_ns = usual_course.age_ns(chain, takes, puts)
        values.append(
            ValueBudget(
                value.name,
                age_ns,
                oldest_ns + period_ns + held_ns + scan_ns,
                typical_ns + (update_ns + held_ns + scan_ns) // 2,
            )
        )
    return TransferBudget(
        transfer.name,
        transfer.source,
        transfer.destination,
        period_ns,
        transfer.max_age_ns,
        worst_ns,
        unbroken_ns,
        readings_of(chain, windows, period_ns) if transfer.careful is not None else None,
        tuple(values),
        _loss(system, bounds, chain, transfer, losses),
        None if decide is None else requests[decide],
        None if worst_ns is None else usual_course.cycle_ns(chain),
    )


def _loss(system: System, bounds: Bounds, chain: Chain, transfer: Transfer, losses: Losses) -> LossBudget:
    """The status registers tell it: when the last delivery is older than ``max_age`` a write of them is asked for."""
    if transfer.status is None:
        return LossBudget(None, None)
    at = chain.told if chain.told is not None else chain.stages[-1].requests[-1]
    over_ns, told = bounds.windows[at].over_ns, losses.told(chain)
    return LossBudget(
        None if told.wait_ns is None else transfer.max_age_ns + told.wait_ns,
        None if over_ns is None else system.tasks[chain.task].period_ns + over_ns,
        told.why,
    )


def talks_of(plan: Plan) -> tuple[Talk, ...]:
    """Who talks to whom, without the rest of the budget: one for each address, in the order of the plan."""
    return _talks(system_of(plan, USUAL.with_declared(plan)))


def _talks(system: System) -> tuple[Talk, ...]:
    return tuple(_talk(system, lane, index) for index, lane in enumerate(system.lanes))


def _talk(system: System, lane: Lane, index: int) -> Talk:
    asked = [each for each in system.requests if each.lane == index]
    functions: Counter[int] = Counter(each.function for each in asked)
    first = lane.controllers[0]
    return Talk(
        first.host,
        first.port,
        "Modbus TCP" if first.framing is Framing.MBAP else "Modbus RTU over TCP",
        len(lane.links),
        tuple(each.name for each in lane.controllers),
        tuple(sorted(functions)),
        any(each.function not in (1, 2, 3, 4) for each in asked),
    )
