"""How long requests wait at the most, under the order in which the engine sends them.

**The model.** An address is a resource that serves one request at a time, without interruption, for the request's slot
(until its reply, and the gap or the pace after it). Each controller has two queues: writes go before reads, and in each
of them what came first goes first. Time is continuous.

What is asked at a release comes at known instants: the schedule's offsets are fixed. What is asked later (a write waits
for its reads) comes within a window after the release: ``[earliest, latest]``. Windows are found by repeating the
analysis until nothing changes (holistic analysis: Tindell and Clark, Microprocessing and Microprogramming 40, 1994).

**The bound.** Take any request, and let ``s`` be the last instant before it at which nothing was pending that goes
before it. From then on its line does nothing but serve what goes before it, after at most one request that had begun
(blocking). So it begins no later than ``s`` + blocking + the slots of all that may have come in between and goes before
it. The worst ``s`` is the latest arrival of some request (Lehoczky 1990, Davis et al. 2007 use the same argument with
phases that may be anything). Everything is taken over one hyperperiod; where that is too long, phases may be anything.

What it rests on: no request takes longer than its slot says, and no cycle is longer than its period (a chain that does
not fit has no bound worth its name; the budget says so).
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import lcm
from typing import Final

from wherry.timing.system import Asked, Chain, System

INSTANCES_MAX: Final = 12_000
"""More requests of one address in a hyperperiod than this are not looked at one by one."""
ROUNDS_MAX: Final = 60
PERIODS_MAX: Final = 8
"""A request that may come later than so many periods after its release has no bound."""


@dataclass(slots=True)
class Window:
    """When a request is asked for, and is over, counted from the release. None: no bound."""

    earliest_ns: int = 0
    latest_ns: int | None = 0
    over_ns: int | None = 0
    """The latest instant at which its reply has come."""
    wait_ns: int | None = 0
    """The longest from being asked for to the reply."""


@dataclass(frozen=True, slots=True)
class Bounds:
    """The windows of all requests, and the longest busy period of each lane (None: it never ends)."""

    windows: tuple[Window, ...]
    busy_ns: tuple[int | None, ...]
    is_by_phase: tuple[bool, ...]
    """Whether a lane was looked at with the phases that its schedule has."""


@dataclass(frozen=True, slots=True)
class _Instance:
    """A request in one period."""

    latest_ns: int
    earliest_ns: int
    slot_ns: int
    at: int
    """Which request."""
    release_ns: int


class _LaneAnalysis:
    """One lane. ``windows`` are those of the whole system, and change between the calls of ``analyse``."""

    def __init__(self, system: System, lane: int, windows: Sequence[Window], late_ns: int) -> None:
        self.system = system
        self.lane = system.lanes[lane]
        self.windows = windows
        self.late_ns = late_ns
        self.requests = [each for each in system.requests if each.lane == lane]
        self.may_come = frozenset(system.may_come)
        self.told = frozenset(each.told for each in system.chains)
        self.hyper_ns = lcm(*(self.period_of(each) for each in self.requests))
        self.is_by_phase = sum(self.hyper_ns // self.period_of(each) for each in self.requests) <= INSTANCES_MAX
        self.links = {each.index: self.lane.link_of(each.controller) for each in self.requests}
        self.slot_of_line = {
            each.name: max((r.work.slot_ns for r in self.requests if r.controller == each.name), default=0)
            for each in self.lane.controllers
        }
        self.busy_ns: int | None = 0
        self.last_read = [_last_read(system, chain) for chain in system.chains]

    def period_of(self, request: Asked) -> int:
        return self.system.tasks[request.task].period_ns

    def offset_of(self, request: Asked) -> int:
        return self.system.tasks[request.task].offset_ns

    def slot_for(self, request: Asked, other: Asked) -> int:
        """How long ``other`` keeps ``request`` waiting: pace and gap are those of its own connection."""
        is_same = self.links[request.index] == self.links[other.index]
        return other.work.slot_ns if is_same else other.work.exchange_ns

    # The longest busy period, whatever the phases.

    def spread_of(self, request: Asked) -> int:
        window = self.windows[request.index]
        assert window.latest_ns is not None
        return window.latest_ns - window.earliest_ns

    def longest_busy_ns(self) -> int | None:
        """With every request coming as early, and as often, as it may."""
        if sum(each.work.slot_ns / self.period_of(each) for each in self.requests) > 1:
            return None
        blocking = max(each.work.slot_ns for each in self.requests)
        busy_ns = blocking + sum(each.work.slot_ns for each in self.requests)
        limit_ns = 4 * max(self.period_of(each) for each in self.requests) + 2 * self.hyper_ns
        while True:
            next_ns = blocking + sum(
                -(-(busy_ns + self.spread_of(each)) // self.period_of(each)) * each.work.slot_ns
                for each in self.requests
            )
            if next_ns == busy_ns:
                return busy_ns
            if next_ns > limit_ns:
                return None
            busy_ns = next_ns

    def analyse(self) -> None:
        """Set ``over_ns`` of every request of the lane."""
        if any(self.windows[each.index].latest_ns is None for each in self.requests):
            self.busy_ns = None
        else:
            self.busy_ns = self.longest_busy_ns()
        if self.busy_ns is None:
            for each in self.requests:
                window = self.windows[each.index]
                window.over_ns = window.wait_ns = None
            return
        if not self.is_by_phase:
            self._analyse_any_phase()
            return
        self._spread_out()
        is_settled = False
        while not is_settled:
            # How long others may be under way decides what is still there, and the other way round.
            is_settled = True
            for each in self.requests:
                if each.index in self.may_come:
                    continue
                window = self.windows[each.index]
                over_ns = self._latest_begun_ns(each) + each.work.exchange_ns
                if window.over_ns is None or over_ns > window.over_ns:
                    window.over_ns = over_ns
                    is_settled = False

    def _latest_begun_ns(self, request: Asked) -> int:
        """When it is sent at the latest, counted from its release."""
        latest_ns = self.windows[request.index].latest_ns
        assert latest_ns is not None
        period_ns, offset_ns = self.period_of(request), self.offset_of(request)
        releases = range(offset_ns, offset_ns + self.hyper_ns, period_ns)
        return max(self.begun_ns(request, each, each + latest_ns) - each for each in releases)

    def _spread_out(self) -> None:
        """All instances that can matter for those of one hyperperiod, sorted by the latest instant they come."""
        assert self.busy_ns is not None
        spread_ns = max(self.windows[each.index].latest_ns or 0 for each in self.requests)
        from_ns = -self.busy_ns - 2 * spread_ns
        to_ns = self.hyper_ns + spread_ns + self.busy_ns
        self.instances: list[_Instance] = []
        for each in self.requests:
            window = self.windows[each.index]
            assert window.latest_ns is not None
            period_ns, offset_ns = self.period_of(each), self.offset_of(each)
            first = (from_ns - offset_ns) // period_ns
            last = (to_ns - offset_ns) // period_ns
            for number in range(first, last + 1):
                at_ns = offset_ns + number * period_ns
                self.instances.append(
                    _Instance(
                        at_ns + window.latest_ns, at_ns + window.earliest_ns, each.work.slot_ns, each.index, at_ns
                    )
                )
        self.instances.sort(key=lambda one: one.latest_ns)
        self.latest = [one.latest_ns for one in self.instances]
        self.spread_ns = spread_ns

    def _near(self, asked_ns: int) -> list[_Instance]:
        """What can have come since the busy period began in which something is asked for at this instant."""
        assert self.busy_ns is not None
        first = bisect_left(self.latest, asked_ns - self.busy_ns)
        last = bisect_right(self.latest, asked_ns + self.spread_ns + self.busy_ns)
        return self.instances[first:last]

    def begun_ns(self, request: Asked, release_ns: int, asked_ns: int) -> int:
        """The latest instant at which a request that is asked for then is sent."""
        near = self._near(asked_ns)
        if self.lane.is_plain:
            by_queue_ns = self._begun_by_queue(request, release_ns, asked_ns, near)
            return min(by_queue_ns, self._begun_by_content(request, release_ns, asked_ns, near))
        begun_ns = self._begun_in_any_order(request, release_ns, asked_ns, near)
        if len(self.lane.links) == 1 and self.lane.limits[0].in_flight == 1:
            begun_ns = min(begun_ns, self._begun_by_queue(request, release_ns, asked_ns, near))
        return begun_ns

    def _is_later(self, request: Asked, release_ns: int, other: _Instance) -> bool:
        """Whether ``other`` can only come when ``request`` is over: its own chain's next steps, and next periods."""
        if other.at == request.index:
            return other.release_ns >= release_ns
        asked = self.system.requests[other.at]
        if asked.chain != request.chain or asked.task != request.task or asked.stage == 0:
            # Reads of a release belong to several chains, which need not wait for each other.
            return False
        if other.release_ns == release_ns:
            return asked.stage > request.stage
        # What tells the receiver comes when the chain is over: it does not keep the next period from beginning.
        return other.release_ns > release_ns and request.index not in self.told

    def _as_seen_by(self, request: Asked, release_ns: int, asked_ns: int, other: _Instance) -> _Instance:
        """When another one can have come, if this one is asked for at that instant.

        An earlier step of its own chain was answered by then. And what is due together is asked for together, or in the
        order of the releases: no later step of the same release, or of one that follows, was asked for before a read
        of the release.
        """
        asked = self.system.requests[other.at]
        if other.at in self.may_come or request.index in self.may_come:
            return other
        if request.stage == 0 and asked.stage and other.release_ns >= release_ns:
            earliest_ns = max(other.earliest_ns, asked_ns + 1)
            return _Instance(max(other.latest_ns, earliest_ns), earliest_ns, other.slot_ns, other.at, other.release_ns)
        if asked.chain != request.chain or other.release_ns != release_ns or asked.stage >= request.stage:
            return other
        # Where there is a pace it takes its slot even when it is answered at once.
        took_ns = asked.work.exchange_ns if asked.work.slot_ns == asked.work.exchange_ns + asked.work.rest_ns else 0
        latest_ns = min(other.latest_ns, asked_ns - took_ns)
        return _Instance(latest_ns, min(other.earliest_ns, latest_ns), other.slot_ns, other.at, other.release_ns)

    # One controller, or several that take turns: the order is known.

    def _begun_by_queue(
        self, request: Asked, release_ns: int, asked_ns: int, near: Sequence[_Instance], latest_ns: int | None = None
    ) -> int:
        """``latest_ns``: count what may come before the request until then, if that is later than ``asked_ns``."""
        requests = self.system.requests
        until_ns = asked_ns if latest_ns is None else latest_ns
        before: list[tuple[_Instance, bool]] = []
        for other in near:
            asked = requests[other.at]
            if asked.controller != request.controller or self._is_later(request, release_ns, other):
                continue
            other = self._as_seen_by(request, release_ns, asked_ns, other)
            if asked.is_write is not request.is_write:
                if asked.is_write:
                    before.append((other, True))
            elif self._is_ahead(request, release_ns, until_ns, asked, other):
                before.append((other, False))
        before.sort(key=lambda one: one[0].latest_ns)
        others = [slot_ns for name, slot_ns in self.slot_of_line.items() if name != request.controller]
        blocking = self._blocking(request, near, max(others, default=0))
        begun_ns = asked_ns
        while True:
            # Writes that come until it is sent go before a read.
            counted = [each for each, is_late in before if not is_late or each.earliest_ns <= begun_ns]
            next_ns = _worst_start(asked_ns, counted, blocking, sum(others))
            if next_ns <= begun_ns:
                return begun_ns
            begun_ns = next_ns

    def _is_ahead(self, request: Asked, release_ns: int, asked_ns: int, other: Asked, instance: _Instance) -> bool:
        """Whether another request of the same queue may stand before it."""
        if request.stage or other.stage or other.index in self.may_come or request.is_write:
            return instance.earliest_ns <= asked_ns and not self._comes_after(request, release_ns, other, instance)
        # Both are asked for at a release: the order is that of the releases.
        return (instance.release_ns, other.task, other.index) < (release_ns, request.task, request.index)

    def _comes_after(self, request: Asked, release_ns: int, other: Asked, instance: _Instance) -> bool:
        """Whether another request is only asked for when this one has been, although their windows overlap."""
        if other.chain == request.chain and instance.release_ns == release_ns and other.stage == request.stage:
            return other.index > request.index
        if request.stage != 1 or not other.stage or request.index in self.told or other.index in self.told:
            return False
        # Both wait for reads of one line, and those are answered in their order.
        mine, theirs = self.last_read[request.chain], self.last_read[other.chain]
        if mine is None or theirs is None or mine[0] != theirs[0] or other.chain == request.chain:
            return False
        return (instance.release_ns, other.task, theirs[1], other.chain) > (
            release_ns,
            request.task,
            mine[1],
            request.chain,
        )

    # One controller: what can be in its queues at an instant.

    def _begun_by_content(self, request: Asked, release_ns: int, asked_ns: int, near: Sequence[_Instance]) -> int:
        """A chain has one stage in the queues at a time, so that not all of what came since the line was idle can
        still be there."""
        requests = self.system.requests
        blocking_ns = self._blocking(request, near, 0)(asked_ns)
        here: dict[tuple[int, int], dict[int, int]] = {}
        """By chain and release, the slots of each stage."""
        later: list[_Instance] = []
        fixed_ns = asked_ns
        for other in near:
            asked = requests[other.at]
            if self._is_later(request, release_ns, other) or self._free_again_ns(other) <= asked_ns:
                continue
            if other.earliest_ns <= asked_ns:
                # It may be answered already, but the gap after it is not over.
                blocking_ns = max(blocking_ns, asked.work.rest_ns)
            if asked.chain == request.chain and other.release_ns == release_ns and asked.stage < request.stage:
                continue
            if request.is_write:
                if asked.is_write and self._is_ahead(request, release_ns, asked_ns, asked, other):
                    stages = here.setdefault((asked.chain, other.release_ns), {})
                    stage = -1 if asked.index in self.told else asked.stage
                    stages[stage] = stages.get(stage, 0) + other.slot_ns
            elif asked.is_write:
                later.append(self._as_seen_by(request, release_ns, asked_ns, other))
            elif self._is_ahead(request, release_ns, asked_ns, asked, other):
                fixed_ns += other.slot_ns
        for stages in here.values():
            # What tells the receiver may still be there when the next period has begun.
            told_ns = stages.pop(-1, 0)
            fixed_ns += max(told_ns, max(stages.values(), default=0))
        begun_ns = fixed_ns = fixed_ns + blocking_ns
        while True:
            next_ns = fixed_ns + sum(each.slot_ns for each in later if each.earliest_ns <= begun_ns)
            if next_ns <= begun_ns:
                return begun_ns
            begun_ns = next_ns

    def _free_again_ns(self, instance: _Instance) -> int:
        """When its line may take another request after it, at the latest."""
        work, over_ns = self.system.requests[instance.at].work, self.windows[instance.at].over_ns
        if instance.at in self.may_come:
            over_ns = self.system.tasks[self.system.requests[instance.at].task].period_ns + (self.busy_ns or 0)
        assert over_ns is not None
        return instance.release_ns + over_ns + work.slot_ns - work.exchange_ns

    def _blocking(self, request: Asked, near: Sequence[_Instance], others_ns: int) -> Callable[[int], int]:
        """The longest of what may have begun just before an instant and does not go before ``request``."""
        if not request.is_write:
            return lambda _: others_ns
        reads = [
            (each.earliest_ns, self._free_again_ns(each), each.slot_ns)
            for each in near
            if not self.system.requests[each.at].is_write
            and self.system.requests[each.at].controller == request.controller
        ]
        if not reads:
            return lambda _: others_ns

        def longest(at_ns: int) -> int:
            under_way = (slot_ns for earliest_ns, over_ns, slot_ns in reads if earliest_ns <= at_ns < over_ns)
            return max(others_ns, max(under_way, default=0))

        return longest

    # Any order.

    def _begun_in_any_order(self, request: Asked, release_ns: int, asked_ns: int, near: Sequence[_Instance]) -> int:
        """As if everything that may be there went before it: holds for whatever order, as long as the lane is never
        idle while something waits."""
        requests = self.system.requests
        others = []
        for each in near:
            if not self._is_later(request, release_ns, each):
                one = self._as_seen_by(request, release_ns, asked_ns, each)
                slot_ns = self.slot_for(request, requests[each.at])
                others.append(_Instance(one.latest_ns, one.earliest_ns, slot_ns, each.at, each.release_ns))
        others.sort(key=lambda one: one.latest_ns)
        begun_ns = asked_ns
        while True:
            counted = [each for each in others if each.earliest_ns <= begun_ns]
            next_ns = _worst_start(asked_ns, counted, lambda _: 0, 0)
            if next_ns <= begun_ns:
                return begun_ns
            begun_ns = next_ns

    # How long a request itself waits.

    def set_waits(self) -> None:
        """Set ``wait_ns`` of every request, once all windows are known."""
        for each in self.requests:
            window = self.windows[each.index]
            if window.latest_ns is None or window.over_ns is None or each.index in self.may_come:
                continue
            if not self.is_by_phase or self.busy_ns is None:
                window.wait_ns = self.busy_ns
                continue
            period_ns, offset_ns = self.period_of(each), self.offset_of(each)
            worst_ns = 0
            for number in range(self.hyper_ns // period_ns):
                release_ns = offset_ns + number * period_ns
                first_ns, last_ns = release_ns + window.earliest_ns, release_ns + window.latest_ns
                # The wait is longest just when something else has come that may go before it.
                near = self._near(last_ns)
                at_ns = {first_ns, *(one.earliest_ns for one in near if first_ns < one.earliest_ns <= last_ns)}
                if each.is_write or each.stage:
                    instants = sorted(at_ns)
                else:
                    instants = [first_ns]
                for asked_ns in instants:
                    worst_ns = max(worst_ns, self.begun_ns(each, release_ns, asked_ns) - asked_ns)
            window.wait_ns = worst_ns + each.work.exchange_ns

    # Phases that may be anything.

    def _analyse_any_phase(self) -> None:
        """One bound for all: the longest busy period, in which everything that comes is served."""
        assert self.busy_ns is not None
        for each in self.requests:
            window = self.windows[each.index]
            assert window.latest_ns is not None
            window.over_ns = window.latest_ns + self.busy_ns


def _worst_start(asked_ns: int, before: Sequence[_Instance], blocking: Callable[[int], int], turn_ns: int) -> int:
    """The latest start of what is asked for then, after ``before``, over all instants at which it may all have begun.

    ``before`` is sorted by the latest instant at which each may come. ``turn_ns``: what the other controllers of a
    connection take for one turn of each.
    """
    served_ns, count = 0, 0
    index = len(before) - 1
    while index >= 0 and before[index].latest_ns > asked_ns:
        served_ns += before[index].slot_ns
        count += 1
        index -= 1
    worst_ns = asked_ns + blocking(asked_ns) + served_ns + (count + 1) * turn_ns
    while index >= 0:
        since_ns = before[index].latest_ns
        while index >= 0 and before[index].latest_ns == since_ns:
            served_ns += before[index].slot_ns
            count += 1
            index -= 1
        worst_ns = max(worst_ns, since_ns + blocking(since_ns) + served_ns + (count + 1) * turn_ns)
    return worst_ns


def bounds_of(system: System, late_ns: int) -> Bounds:
    """The windows of all requests of a system. ``late_ns``: how late a release may be served."""
    windows = [Window() for _ in system.requests]
    for at in system.may_come:
        windows[at].latest_ns = system.tasks[system.requests[at].task].period_ns
    lanes = [_LaneAnalysis(system, index, windows, late_ns) for index in range(len(system.lanes))]
    changed = set(range(len(lanes)))
    _move_windows(system, windows, late_ns)
    for _ in range(ROUNDS_MAX):
        for index in changed:
            lanes[index].analyse()
        changed = _move_windows(system, windows, late_ns)
        if not changed:
            break
    else:
        for window in windows:
            window.latest_ns = window.over_ns = window.wait_ns = None
    for lane in lanes:
        lane.set_waits()
    return Bounds(tuple(windows), tuple(lane.busy_ns for lane in lanes), tuple(lane.is_by_phase for lane in lanes))


def _move_windows(system: System, windows: Sequence[Window], late_ns: int) -> set[int]:
    """Let each stage begin when the one before it is over. Returns the lanes of which something has changed."""
    changed: set[int] = set()
    for chain in system.chains:
        longest_ns = PERIODS_MAX * system.tasks[chain.task].period_ns
        # A reply never comes in the same instant: what is due together is asked for before.
        earliest_ns = 0
        stages = [(stage.requests, stage.pause_ns) for stage in chain.stages]
        if chain.told is not None:
            stages.append(((chain.told,), 0))
        over_ns: int | None = late_ns
        for requests, pause_ns in stages:
            earliest_ns += pause_ns
            latest = None if over_ns is None else over_ns + pause_ns
            if latest is not None and latest > longest_ns:
                latest = None
            for at in requests:
                window = windows[at]
                if (window.earliest_ns, window.latest_ns) != (earliest_ns, latest):
                    window.earliest_ns, window.latest_ns = earliest_ns, latest
                    if latest is None:
                        window.over_ns = window.wait_ns = None
                    changed.add(system.requests[at].lane)
            earliest_ns += 1
            overs = [windows[at].over_ns for at in requests]
            over_ns = (
                None
                if any(each is None for each in overs)
                else max((e for e in overs if e is not None), default=latest)
            )
    return changed


def _last_read(system: System, chain: Chain) -> tuple[int, int] | None:
    """The lane of what is read at the release, and which of it is answered last; None where the order is not known."""
    stage = chain.stages[0]
    requests = [system.requests[at] for at in stage.requests]
    if not requests or len({each.lane for each in requests}) > 1 or any(each.is_write for each in requests):
        return None
    lane = requests[0].lane
    if not system.lanes[lane].is_plain or len(chain.stages) < 2:
        return None
    return lane, max(each.index for each in requests)
