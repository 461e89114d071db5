"""How a plan's requests follow one another when each takes as long as it may: one possible course of things, for pictures.

It goes by the order that the engine keeps (and the bounds rest on): each address serves one request at a time, writes
before reads, what came first first; controllers behind one address take turns. Commands are shown at rest.
"""

from __future__ import annotations

import heapq
from collections import deque
from dataclasses import dataclass, field
from math import lcm
from typing import Final

from wherry.timing.system import Asked, Chain, System

BARS_MAX: Final = 600
"""Requests that are followed for one picture of the requests."""
CYCLES_MAX: Final = 4_000
"""Cycles that are followed for one picture of the ages."""


@dataclass(frozen=True, slots=True)
class Bar:
    """One request: asked for, begun, over; and the release of its cycle."""

    request: int
    release_ns: int
    asked_ns: int
    begun_ns: int
    over_ns: int


@dataclass(frozen=True, slots=True)
class Delivery:
    """What was asked for in the source at ``sampled_ns`` had reached the receiver at ``at_ns``."""

    sampled_ns: int
    at_ns: int


@dataclass(frozen=True)
class Timeline:
    """What happens from ``from_ns`` to ``to_ns``; bars and deliveries of shortly before are there too.

    ``is_whole``: it is one hyperperiod, after which everything comes again.
    """

    from_ns: int
    to_ns: int
    is_whole: bool
    bars: tuple[Bar, ...]
    """By the instant at which they begin."""
    deliveries: tuple[tuple[Delivery, ...], ...]
    """Of each chain of the system."""
    skipped: int
    """Releases that found the cycle before unfinished."""


def hyperperiod_ns(system: System) -> int:
    """After this time all releases come again in the same way."""
    return lcm(*(each.period_ns for each in system.tasks))


def requests_window(system: System) -> tuple[int, int, bool]:
    """From when to when requests are worth showing: the second hyperperiod, or as much of the first as can be read."""
    hyper_ns = hyperperiod_ns(system)
    per_s = sum(1e9 / system.tasks[each.task].period_ns for each in system.requests if not each.is_rare)
    if per_s * hyper_ns / 1e9 <= BARS_MAX:
        return hyper_ns, 2 * hyper_ns, True
    shortest_ns = min(each.period_ns for each in system.tasks)
    return 0, max(shortest_ns, round(BARS_MAX / per_s * 1e9)), False


def ages_window(system: System) -> tuple[int, int, bool]:
    """From when to when ages are worth showing: two of the longest periods, once values have come."""
    longest_ns = max(each.period_ns for each in system.tasks)
    per_s = sum(1e9 / each.period_ns for each in system.tasks)
    window_ns = min(2 * longest_ns, max(round(CYCLES_MAX / per_s * 1e9), longest_ns // 2))
    return 2 * longest_ns, 2 * longest_ns + window_ns, False


def timeline(system: System, window: tuple[int, int, bool]) -> Timeline:
    """What happens until the end of the window, from the start on."""
    return _Course(system, window).run()


@dataclass(slots=True)
class _Job:
    request: Asked
    chains: tuple[int, ...]
    release_ns: int
    asked_ns: int


@dataclass(slots=True)
class _Queue:
    """What waits at one address, by controller."""

    writes: dict[str, deque[_Job]] = field(default_factory=dict)
    reads: dict[str, deque[_Job]] = field(default_factory=dict)
    ring: deque[str] = field(default_factory=deque)
    free_ns: int = 0
    link_free_ns: dict[int, int] = field(default_factory=dict)
    wakes_ns: int = -1
    """When it is looked at next."""


@dataclass(slots=True)
class _Cycle:
    """Where a chain stands."""

    release_ns: int = 0
    stage: int = -1
    """-1: at rest."""
    pending: int = 0
    sampled_ns: int | None = None
    """When the first of its reads was sent."""


class _Course:
    """The course of events. An event is an instant, a rank among equals, and what it is about."""

    def __init__(self, system: System, window: tuple[int, int, bool]) -> None:
        self.system = system
        self.from_ns, self.to_ns, self.is_whole = window
        self.queues = [_Queue() for _ in system.lanes]
        self.stages = [_stages(system, chain) for chain in system.chains]
        self.cycles = [_Cycle() for _ in system.chains]
        self.chains_of = [
            [at for at, chain in enumerate(system.chains) if chain.task == task and self.stages[at]]
            for task in range(len(system.tasks))
        ]
        self.bars: list[Bar] = []
        self.deliveries: list[list[Delivery]] = [[] for _ in system.chains]
        self.skipped = 0
        self.events: list[tuple[int, int, int, object]] = []
        self.count = 0

    def run(self) -> Timeline:
        for at, task in enumerate(self.system.tasks):
            self.later(task.offset_ns, at)
        while self.events and self.events[0][0] < self.to_ns:
            now_ns, _, _, what = heapq.heappop(self.events)
            if isinstance(what, int):
                self.release(what, now_ns)
            elif isinstance(what, _Job):
                self.answered(what, now_ns)
            elif isinstance(what, _Queue):
                self.serve(what, now_ns)
            else:
                assert isinstance(what, tuple)
                self.ask(what[0], now_ns)
        bars = tuple(each for each in self.bars if each.over_ns > self.from_ns and each.begun_ns < self.to_ns)
        deliveries = tuple(map(tuple, self.deliveries))
        return Timeline(self.from_ns, self.to_ns, self.is_whole, bars, deliveries, self.skipped)

    def later(self, at_ns: int, what: object) -> None:
        """What is answered at an instant comes before what is released then; a queue is looked at last."""
        if isinstance(what, int):
            # What falls due at one instant comes in the order of the schedule.
            rank, order = 1, what
        else:
            self.count += 1
            rank, order = 3 if isinstance(what, _Queue) else 2 if isinstance(what, tuple) else 0, self.count
        heapq.heappush(self.events, (at_ns, rank, order, what))

    def release(self, task: int, now_ns: int) -> None:
        self.later(now_ns + self.system.tasks[task].period_ns, task)
        wanted: dict[int, list[int]] = {}
        for at in self.chains_of[task]:
            if self.cycles[at].stage >= 0:
                self.skipped += 1
                continue
            stage = self.stages[at][0]
            self.cycles[at] = _Cycle(now_ns, 0, len(stage))
            for request in stage:
                wanted.setdefault(request, []).append(at)
        for request, chains in wanted.items():
            self.submit(request, tuple(chains), now_ns, now_ns)

    def ask(self, chain: int, now_ns: int) -> None:
        """The next stage of a chain."""
        cycle = self.cycles[chain]
        stage = self.stages[chain][cycle.stage]
        cycle.pending = len(stage)
        for request in stage:
            self.submit(request, (chain,), cycle.release_ns, now_ns)

    def submit(self, at: int, chains: tuple[int, ...], release_ns: int, now_ns: int) -> None:
        request = self.system.requests[at]
        queue = self.queues[request.lane]
        waiting = queue.writes if request.is_write else queue.reads
        waiting.setdefault(request.controller, deque()).append(_Job(request, chains, release_ns, now_ns))
        if request.controller not in queue.ring:
            queue.ring.append(request.controller)
        self.look(queue, now_ns)

    def look(self, queue: _Queue, now_ns: int) -> None:
        """See to it that a queue is looked at as soon as it may serve something."""
        at_ns = max(now_ns, queue.free_ns)
        if queue.wakes_ns < now_ns or queue.wakes_ns > at_ns:
            queue.wakes_ns = at_ns
            self.later(at_ns, queue)

    def serve(self, queue: _Queue, now_ns: int) -> None:
        """Begin the next request, if one may."""
        if now_ns != queue.wakes_ns or now_ns < queue.free_ns:
            return
        queue.wakes_ns = -1
        soonest_ns: int | None = None
        for _ in range(len(queue.ring)):
            name = queue.ring[0]
            waiting = queue.writes.get(name) or queue.reads.get(name)
            if not waiting:
                queue.ring.popleft()
                continue
            request = waiting[0].request
            link = self.system.lanes[request.lane].link_of(name)
            free_ns = queue.link_free_ns.get(link, 0)
            queue.ring.rotate(-1)
            if free_ns > now_ns:
                soonest_ns = free_ns if soonest_ns is None else min(soonest_ns, free_ns)
                continue
            job = waiting.popleft()
            queue.free_ns = now_ns + request.work.exchange_ns
            queue.link_free_ns[link] = now_ns + request.work.slot_ns
            self.bars.append(Bar(request.index, job.release_ns, job.asked_ns, now_ns, queue.free_ns))
            for chain in job.chains:
                cycle = self.cycles[chain]
                if cycle.stage == 0 and cycle.sampled_ns is None:
                    cycle.sampled_ns = now_ns
            self.later(queue.free_ns, job)
            soonest_ns = queue.free_ns
            break
        if soonest_ns is not None:
            queue.wakes_ns = soonest_ns
            self.later(soonest_ns, queue)

    def answered(self, job: _Job, now_ns: int) -> None:
        for at in job.chains:
            cycle, chain = self.cycles[at], self.system.chains[at]
            if job.request.index == chain.told:
                continue
            cycle.pending -= 1
            if cycle.pending:
                continue
            cycle.stage += 1
            if cycle.stage < len(self.stages[at]):
                pause_ns = chain.stages[cycle.stage].pause_ns if cycle.stage < len(chain.stages) else 0
                if pause_ns:
                    self.later(now_ns + pause_ns, (at,))
                else:
                    self.ask(at, now_ns)
                continue
            cycle.stage = -1
            assert cycle.sampled_ns is not None, "each cycle begins with a read"
            self.deliveries[at].append(Delivery(cycle.sampled_ns, now_ns))
            if chain.told is not None:
                self.submit(chain.told, (at,), job.release_ns, now_ns)


def _stages(system: System, chain: Chain) -> tuple[tuple[int, ...], ...]:
    """The stages of each period; of a command those that it has while nothing is asked of it."""
    if chain.transfer is not None:
        return tuple(each.requests for each in chain.stages)
    regular = (tuple(at for at in each.requests if not system.requests[at].is_rare) for each in chain.stages)
    return tuple(each for each in regular if each)
