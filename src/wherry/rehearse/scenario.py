"""One rehearsal: the engine as it is, armed everywhere, against simulated controllers in virtual time.

A safety phase with faults, in which nothing wrong may be done whatever happens; then a liveness phase without any, in
which everything must become Good again.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable, Mapping
from functools import partial
from pathlib import Path
from random import Random
from typing import Any, Final

from wherry.clock import NS_PER_MS, NS_PER_S, cpu_ns
from wherry.engine.carry import Carry
from wherry.engine.events import Event
from wherry.engine.runner import Engine
from wherry.engine.status import summary
from wherry.errors import LocalError
from wherry.plan.model import Plan
from wherry.record.sampling import Sampler
from wherry.record.writer import DirectRecorder
from wherry.rehearse.checkers.base import World
from wherry.rehearse.followed import Followed
from wherry.rehearse.jury import Jury
from wherry.rehearse.reasons import Told
from wherry.rehearse.result import CommandSeen, ControllerSeen, PlaceWrites, Rehearsal
from wherry.rehearse.tap import WRITES, TapNetwork
from wherry.rehearse.watching import View, views_by_period
from wherry.rehearse.weather import Weather, recovery_ns
from wherry.rehearse.weighing import weigh
from wherry.simulate.commanding import CommandPrograms, start_commands
from wherry.simulate.controller import Simulated, SimulatedController, simulate_plan
from wherry.simulate.fault_file import menu_of
from wherry.simulate.faults import FaultPlan, apply, draw, liveness_ns
from wherry.simulate.virtual_loop import (
    EXACT_NS_MAX,
    NothingScheduledError,
    UnhandledError,
    VirtualLimitError,
    VirtualLoop,
    run_virtual,
)
from wherry.timing.budget import budget
from wherry.transports.behaviour import uniform_ns
from wherry.transports.memory import MemoryNetwork
from wherry.values.quality import Quality

EngineFactory = Callable[..., Engine]
Progress = Callable[[float], None]
"""Told of the share that is done, from 0 to 1."""

PROGRESS_STEPS: Final = 200
PROGRESS_NS_MAX: Final = 60 * NS_PER_S
"""Somebody may be waiting to end it."""
JOURNAL_LINES_MAX: Final = 200_000
STOP_S_MAX: Final = 600
LOOK_NS: Final = (0, 0, 2_000, 20_000)
"""What a look at the clock costs, drawn by the seed."""
WEIGHED_AT: Final = (0.2, 0.5, 0.8, 0.99)
"""When, in shares of the duration, the engine's objects are counted."""


def rehearse(
    plan: Plan,
    *,
    hours: float = 24.0,
    seed: int = 1,
    faults: str | Path | FaultPlan = "usual",
    on_progress: Progress | None = None,
    is_over: Callable[[], bool] | None = None,
    engine_factory: EngineFactory = Engine,
    recorder: DirectRecorder | None = None,
) -> Rehearsal:
    """Rehearse a plan for so many hours of virtual time; takes seconds, and must not be called on a running event loop.

    ``is_over`` is asked every now and then whether to end before the time, with what was seen until then.
    ``faults``: none, usual, harsh, a file, or the faults themselves. One seed gives one journal, byte by byte.
    ``recorder`` writes down what a run writes down; whoever opened it closes it.
    LocalError with a sentence when the arguments make no sense.
    """
    duration_ns = round(hours * 3600 * NS_PER_S)
    if not NS_PER_S <= duration_ns < EXACT_NS_MAX // 2:
        raise LocalError(f"a rehearsal lasts from 1 second to 300 hours, not {hours:g} hours")
    if isinstance(faults, tuple):
        asked, planned = "as given", faults
    else:
        asked = str(faults)
        planned = draw(Random(f"{seed} faults"), plan, duration_ns, menu_of(asked, plan))
    run = _Run(plan, duration_ns, seed, asked, planned, on_progress, is_over, engine_factory, recorder)
    look_ns = Random(f"{seed} look").choice(LOOK_NS) if planned else 0
    started_ns = cpu_ns()
    try:
        run_virtual(run.main, limit_s=duration_ns / NS_PER_S + STOP_S_MAX, look_ns=look_ns)
    except (UnhandledError, VirtualLimitError, NothingScheduledError) as fault:
        run.ended_by(fault)
    return run.result((cpu_ns() - started_ns) / NS_PER_S)


class _Run:
    """The state of one rehearsal."""

    def __init__(
        self,
        plan: Plan,
        duration_ns: int,
        seed: int,
        asked: str,
        faults: FaultPlan,
        on_progress: Progress | None,
        is_over: Callable[[], bool] | None,
        engine_factory: EngineFactory,
        recorder: DirectRecorder | None,
    ) -> None:
        self.plan = plan
        self.duration_ns = duration_ns
        self.seed = seed
        self.faults_asked = asked
        self.faults = faults
        self.liveness_ns = duration_ns - liveness_ns(plan, duration_ns)
        self.latency_ns_max: dict[str, int] = {}
        self.weather = Weather(plan, faults, self.latency_ns_max)
        self.events: list[Event] = []
        self.journal: list[str] = []
        self.views: dict[str, View] = {}
        self.was_stopped = False
        self.summary: dict[str, Any] = {}
        self.writes: dict[str, dict[tuple[int, int, int], int]] = {}
        self.busy_ns: dict[str, int] = {}
        self._on_progress = on_progress
        self._is_over = is_over
        self._over = asyncio.Event()
        self._engine_factory = engine_factory
        self._recorder = recorder

    async def main(self) -> None:
        """The whole rehearsal, on a virtual loop."""
        plan, seed = self.plan, self.seed
        loop = asyncio.get_running_loop()
        assert isinstance(loop, VirtualLoop)
        self.instant = partial(getattr, loop, "instant_ns")
        self.weather.start_ns = self.instant()
        world = World(plan, self.instant(), self.weather.troubled, self.weather.drain_ns)
        self.jury = Jury(world, self.instant)
        network = MemoryNetwork(Random(f"{seed} network"))
        self._lay_routes(network, Random(f"{seed} links"))
        self.simulated = await simulate_plan(plan, network, rng=Random(f"{seed} devices"), declared_only=False)
        for name, device in self.simulated.controllers.items():
            self.writes[name] = {}
            self.busy_ns[name] = 0
            device.on_served = partial(self._served, name, device)
        self.programs = start_commands(self.simulated, Random(f"{seed} commands"))
        world.carried_out = {each.command.name: each.carried_out for each in self.programs}
        tap = TapNetwork(network, plan, self.jury, self.instant)
        self.weather.heads = tap.heads
        self.engine = self._engine_factory(
            plan,
            tap,
            armed=[each.name for each in plan.controllers],
            listeners=[self._record, *([] if self._recorder is None else [self._recorder.hear]), self.jury.shown],
            seed=Random(f"{seed} engine").getrandbits(32),
        )
        sampler = None if self._recorder is None else Sampler(self.engine, self._recorder, self.instant)
        self._start_views()
        apply(self.faults, self.simulated, network, rng=Random(f"{seed} hits"))
        self._tick()
        for share in WEIGHED_AT:
            self._timers.add(loop.call_at((self._start_ns + share * self.duration_ns) / NS_PER_S, self._weigh))
        if budget(plan).fits:
            # Where there is too much for all, nobody promises that everything becomes Good again.
            self.jury.recovers.calm_from_ns = self._start_ns + self.liveness_ns + recovery_ns(plan)
        self.engine.start()
        if sampler is not None:
            sampler.start()
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(self._over.wait(), self.duration_ns / NS_PER_S)
        if self._over.is_set():
            self.was_stopped = True
            self.duration_ns = max(1, self.engine.now_ns() - self._start_ns)
        elif self._on_progress is not None:
            self._on_progress(1.0)
        for handle in self._timers:
            handle.cancel()
        for programs in self.programs:
            programs.stop()
        stopped_ns = self.instant()
        await self.engine.stop()
        self.summary = summary(self.engine, stopped_ns)
        if sampler is not None:
            sampler.finish()
        self.jury.finished(self.summary, stopped_ns - self._start_ns)
        await self.simulated.stop()

    def _weigh(self) -> None:
        self.jury.measured(weigh(self.engine))

    # What is set up.

    def _lay_routes(self, network: MemoryNetwork, rng: Random) -> None:
        for controller in self.plan.controllers:
            route = network.route(controller.host, controller.port)
            low_ns = rng.randrange(50_000, 500_000)
            high_ns = low_ns + rng.randrange(2 * NS_PER_MS)
            self.latency_ns_max[controller.name] = high_ns
            for behaviour in (route.to_server, route.to_client):
                behaviour.latency_ns = uniform_ns(low_ns, high_ns)

    def _start_views(self) -> None:
        loop = asyncio.get_running_loop()
        self._start_ns = self.engine.started_ns
        self._timers: set[Any] = set()
        carries = {each.transfer.name: each for each in self.engine.carries}
        for transfer in self.plan.transfers:
            store = self.simulated.controllers[transfer.destination].store
            self.views[transfer.name] = View(
                transfer,
                store,
                self.duration_ns,
                self._start_ns,
                self.jury.matching.held_ns,
                self.jury.looked,
                self.weather.disturbed,
                partial(told_of, carries[transfer.name]),
            )
        for period_ns, views in views_by_period(self.views, self.plan).items():
            self._look_again(loop, period_ns, self._start_ns + period_ns, views)

    def _look_again(self, loop: asyncio.AbstractEventLoop, period_ns: int, at_ns: int, views: list[View]) -> None:
        def look() -> None:
            self._timers.discard(handle)
            now_ns = self.instant()
            for view in views:
                view.look(now_ns)
            self._look_again(loop, period_ns, at_ns + period_ns, views)

        handle = loop.call_at(at_ns / NS_PER_S, look)
        self._timers.add(handle)

    def _tick(self) -> None:
        if self._is_over is not None and self._is_over():
            self._over.set()
        share = min(1.0, (self.engine.now_ns() - self._start_ns) / self.duration_ns)
        if self._on_progress is not None:
            self._on_progress(share)
        if share < 1:
            step_ns = min(self.duration_ns // PROGRESS_STEPS + 1, PROGRESS_NS_MAX)
            asyncio.get_running_loop().call_later(step_ns / NS_PER_S, self._tick)

    # What is heard.

    def _served(self, name: str, device: SimulatedController, at_ns: int, unit: int, pdu: bytes, answer: bytes) -> None:
        self.busy_ns[name] += device.service_ns(pdu)
        function = pdu[0]
        if function in WRITES and answer and not answer[0] & 0x80:
            count = 1 if function in (0x05, 0x06, 0x16) else pdu[3] << 8 | pdu[4]
            key = (function, pdu[1] << 8 | pdu[2], count)
            writes = self.writes[name]
            writes[key] = writes.get(key, 0) + 1

    def _record(self, event: Event) -> None:
        self.jury.recorded(event)
        self.events.append(event)
        self.journal.append(f"{event.at_ns / NS_PER_MS:.6f} ms {event.kind}: {event.subject}: {event.message}")

    # The end.

    def ended_by(self, fault: LocalError) -> None:
        """The engine itself failed, so that the run could not go on."""
        self.jury.report("runs", self.plan.title, f"the run ended: {fault}")
        if not self.summary:
            self.summary = summary(self.engine, self.engine.now_ns())

    def result(self, cpu_s: float) -> Rehearsal:
        """What was found out."""
        transfers = self.summary["transfers"]
        followed = Followed(self.plan, self.events)
        return Rehearsal(
            plan=self.plan,
            seed=self.seed,
            faults_asked=self.faults_asked,
            duration_ns=self.duration_ns,
            liveness_ns=self.liveness_ns,
            transactions=self.simulated.request_count,
            faults=tuple(followed.of(each) for each in self.faults if each.start_ns < self.duration_ns),
            transfers=tuple(view.seen(transfers[name]) for name, view in self.views.items()),
            controllers=tuple(self._controller(each) for each in self.simulated.controllers.values()),
            writes=tuple(place_writes(self.plan, self.writes, self.duration_ns)),
            broken=tuple(self.jury.broken.values()),
            broken_count=self.jury.broken_count,
            journal=tuple(self.journal),
            cpu_s=cpu_s,
            was_stopped=self.was_stopped,
            commands=tuple(self._command(each) for each in self.programs),
            summary=self.summary,
        )

    def _command(self, programs: CommandPrograms) -> CommandSeen:
        figures = self.summary["commands"][programs.command.name]
        return CommandSeen(
            programs.command.name,
            **{outcome: figures[outcome] for outcome in CommandSeen.COUNTS},
            carried_out=sum(programs.carried_out.values()),
        )

    def _controller(self, device: SimulatedController) -> ControllerSeen:
        counts, name = device.counts, device.controller.name
        return ControllerSeen(
            name,
            requests=dict(sorted(counts.requests.items())),
            exceptions=dict(sorted(counts.exceptions.items())),
            reads=counts.reads,
            writes=counts.writes,
            unanswered=counts.unanswered,
            connections=counts.connections,
            connections_refused=counts.connections_refused,
            connections_open_max=counts.connections_open_max,
            in_flight_max=counts.in_flight_max,
            gap_ns_min=counts.gap_ns_min,
            busy_ns=self.busy_ns[name],
        )


def told_of(carry: Carry) -> Told:
    """What the engine says of one transfer at this instant."""
    return carry.quality is Quality.GOOD, carry.quality_reason


def place_writes(
    plan: Plan, writes: Mapping[str, Mapping[tuple[int, int, int], int]], duration_ns: int
) -> list[PlaceWrites]:
    """How often each place of the plan was written, from what the devices counted by function, address and quantity."""
    result: list[PlaceWrites] = []
    for transfer in plan.putting:
        seen = writes[transfer.destination]
        for value in transfer.values:
            count = _writes_to(seen, value.put.table.is_bits, value.put.address, value.put.count)
            result.append(
                PlaceWrites(
                    transfer.destination, transfer.name, value.name, str(value.put), count, duration_ns, value.put
                )
            )
        if transfer.status is not None:
            count = _writes_to(seen, False, transfer.status.start, transfer.status.count)
            result.append(
                PlaceWrites(transfer.destination, transfer.name, "status", str(transfer.status), count, duration_ns)
            )
    return result


def _writes_to(seen: Mapping[tuple[int, int, int], int], is_bits: bool, address: int, count: int) -> int:
    return sum(
        times
        for (function, start, quantity), times in seen.items()
        if (function in (0x05, 0x0F)) is is_bits and start < address + count and address < start + quantity
    )


def simulated_hours(rehearsal: Rehearsal) -> float:
    """Virtual time in hours."""
    return rehearsal.duration_ns / NS_PER_S / 3600


__all__ = ["EngineFactory", "Progress", "Simulated", "recovery_ns", "rehearse", "simulated_hours"]
