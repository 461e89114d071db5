"""A plan played through, request by request: what the engine would send when, if every request took so long.

It keeps to the same order and the same rules as the engine, but there are no bytes and no event loop. It makes the
typical figures and the timelines, and it is what the bounds are tried against in large numbers (that it plays as the
engine does is a test of its own).
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from heapq import heappop, heappush
from typing import NamedTuple

from wherry.timing.order import enqueue, first_of, rank_of
from wherry.timing.system import Asked, Chain, Stage, System

Takes = Callable[[Asked], int]
"""How long a request takes this time, from its being sent to its reply; never longer than its work says."""


class Served(NamedTuple):
    """One request that was answered. Instants are nanoseconds from the start of the schedule."""

    request: int
    release_ns: int
    asked_ns: int
    sent_ns: int
    over_ns: int


class Cycle(NamedTuple):
    """One cycle of a chain that is over. ``begun_ns``: when the first of its requests was sent."""

    chain: int
    release_ns: int
    begun_ns: int
    over_ns: int


@dataclass
class Played:
    """What happened."""

    served: list[Served] = field(default_factory=list)
    cycles: list[Cycle] = field(default_factory=list)
    skipped: dict[int, int] = field(default_factory=dict)
    """Releases of a chain that found the one before unfinished."""


def longest(asked: Asked) -> int:
    """Every request takes as long as it may."""
    return asked.work.exchange_ns


def usual(asked: Asked) -> int:
    """Every request takes as long as it usually does."""
    return asked.work.typical_ns


def replay(system: System, until_ns: int, takes: Takes = longest) -> Played:
    """Play the first ``until_ns`` of the schedule. A command is played as if all its steps came in each period."""
    return _Player(system, takes).play(until_ns)


class _Job(NamedTuple):
    at: int
    release_ns: int
    asked_ns: int
    rank: int


@dataclass
class _Run:
    """A chain at work."""

    chain: Chain
    index: int
    stages: tuple[Stage, ...]
    """No reading is torn."""
    is_busy: bool = False
    is_telling: bool = False
    release_ns: int = 0
    begun_ns: int = -1
    stage: int = 0
    pending: int = 0


class _Link:
    """One connection: a queue of writes and one of reads for each controller, in turns."""

    def __init__(self, player: _Player, lane: int, number: int) -> None:
        limits = player.system.lanes[lane].limits[number]
        self.player = player
        self.lane = lane
        self.in_flight_max = limits.in_flight
        self.in_flight = 0
        self.free_ns = 0
        self.ring: deque[str] = deque()
        names = player.system.lanes[lane].links[number]
        self.writes: dict[str, deque[_Job]] = {name: deque() for name in names}
        self.reads: dict[str, deque[_Job]] = {name: deque() for name in names}
        self.is_waiting = False

    def submit(self, job: _Job) -> None:
        asked = self.player.system.requests[job.at]
        enqueue((self.writes if asked.is_write else self.reads)[asked.controller], job, self.player.now_ns)
        if asked.controller not in self.ring:
            self.ring.append(asked.controller)
        self.pump()

    def pump(self) -> None:
        while self.ring and self.in_flight < self.in_flight_max:
            now_ns = self.player.now_ns
            if now_ns < self.free_ns:
                if not self.is_waiting:
                    self.is_waiting = True
                    self.player.call(self.free_ns, self._wake)
                return
            name = self.ring[0]
            job = first_of(self.writes[name], self.reads[name], now_ns).popleft()
            if self.writes[name] or self.reads[name]:
                self.ring.rotate(-1)
            else:
                self.ring.popleft()
            self.in_flight += 1
            self.player.send(self, job)

    def _wake(self) -> None:
        self.is_waiting = False
        self.pump()


class _Player:
    def __init__(self, system: System, takes: Takes) -> None:
        self.system = system
        self.takes = takes
        self.now_ns = 0
        self.played = Played()
        self._due: list[tuple[int, int, Callable[[], None]]] = []
        self._number = 0
        self._runs = [_Run(chain, index, chain.usual_stages) for index, chain in enumerate(system.chains)]
        self._told = {
            chain.told: run for chain, run in zip(system.chains, self._runs, strict=True) if chain.told is not None
        }
        self._waiting: dict[int, tuple[int, list[_Run]]] = {}
        """By request of the first stage: the release it is asked for in, and the chains that wait for it."""
        self._links = [
            [_Link(self, at, number) for number in range(len(lane.links))] for at, lane in enumerate(system.lanes)
        ]
        self._serves_until_ns = [0] * len(system.lanes)

    def call(self, at_ns: int, action: Callable[[], None]) -> None:
        self._number += 1
        heappush(self._due, (at_ns, self._number, action))

    def play(self, until_ns: int) -> Played:
        for index, task in enumerate(self.system.tasks):
            heappush(
                self._due, (task.offset_ns, -len(self.system.tasks) + index, self._releaser(index, task.offset_ns))
            )
        while self._due and self._due[0][0] <= until_ns:
            self.now_ns, _, action = heappop(self._due)
            action()
        return self.played

    # Releases.

    def _releaser(self, index: int, due_ns: int) -> Callable[[], None]:
        def release() -> None:
            next_ns = due_ns + self.system.tasks[index].period_ns
            # Before all else that happens then, in the order of the tasks.
            heappush(self._due, (next_ns, -len(self.system.tasks) + index, self._releaser(index, next_ns)))
            self._release(index, due_ns)

        return release

    def _release(self, task: int, due_ns: int) -> None:
        wanted: list[int] = []
        for run in self._runs:
            if run.chain.task != task:
                continue
            needs = run.chain.stages[0].requests
            is_asked = any(at in self._waiting and self._waiting[at][0] != due_ns for at in needs)
            if run.is_busy or is_asked:
                self.played.skipped[run.index] = self.played.skipped.get(run.index, 0) + 1
                continue
            run.is_busy, run.release_ns, run.begun_ns, run.stage, run.pending = True, due_ns, -1, 0, len(needs)
            for at in needs:
                if at not in self._waiting:
                    self._waiting[at] = (due_ns, [])
                    wanted.append(at)
                self._waiting[at][1].append(run)
        for at in wanted:
            self._submit(at, due_ns)

    def _submit(self, at: int, release_ns: int) -> None:
        asked = self.system.requests[at]
        link = self._links[asked.lane][self.system.lanes[asked.lane].link_of(asked.controller)]
        link.submit(_Job(at, release_ns, self.now_ns, rank_of(self.system.tasks[asked.task].period_ns)))

    # Requests.

    def send(self, link: _Link, job: _Job) -> None:
        """It leaves; the address serves one at a time."""
        asked = self.system.requests[job.at]
        lane = self.system.lanes[link.lane]
        limits = lane.limits[lane.link_of(asked.controller)]
        begun_ns = max(self.now_ns, self._serves_until_ns[link.lane])
        over_ns = begun_ns + max(1, self.takes(asked))
        self._serves_until_ns[link.lane] = over_ns
        sent_ns = self.now_ns
        if limits.spacing_ns:
            link.free_ns = sent_ns + limits.spacing_ns

        def answered() -> None:
            link.in_flight -= 1
            if limits.gap_ns:
                link.free_ns = max(link.free_ns, self.now_ns + limits.gap_ns)
            self.played.served.append(Served(job.at, job.release_ns, job.asked_ns, sent_ns, self.now_ns))
            self._done(job, sent_ns)
            link.pump()

        self.call(over_ns, answered)

    def _done(self, job: _Job, sent_ns: int) -> None:
        teller = self._told.get(job.at)
        if teller is not None:
            teller.is_telling = False
            return
        waiting = self._waiting.pop(job.at, None)
        runs = waiting[1] if waiting is not None else [self._runs[self.system.requests[job.at].chain]]
        for run in runs:
            if run.begun_ns < 0 or sent_ns < run.begun_ns:
                run.begun_ns = sent_ns
            run.pending -= 1
            if not run.pending:
                self._stage_over(run)

    def _stage_over(self, run: _Run) -> None:
        run.stage += 1
        if run.stage < len(run.stages):
            stage = run.stages[run.stage]
            if stage.pause_ns:
                self.call(self.now_ns + stage.pause_ns, lambda: self._begin_stage(run))
            else:
                self._begin_stage(run)
            return
        run.is_busy = False
        self.played.cycles.append(Cycle(run.index, run.release_ns, run.begun_ns, self.now_ns))
        if run.chain.told is not None and not run.is_telling:
            run.is_telling = True
            self._submit(run.chain.told, run.release_ns)

    def _begin_stage(self, run: _Run) -> None:
        stage = run.stages[run.stage]
        run.pending = len(stage.requests)
        for at in stage.requests:
            self._submit(at, run.release_ns)
