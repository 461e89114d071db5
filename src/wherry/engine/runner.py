"""The engine: lines, sweeps and transfers of a plan on the running event loop, real or virtual.

It waits only through the loop's own time and speaks only through the network it is given, so that the same engine runs
against controllers and in virtual time.
"""

from __future__ import annotations

import asyncio
from collections.abc import Iterable, Sequence
from functools import partial
from random import Random

from wherry.clock import LoopClock
from wherry.engine.building import build_carry, make_links, prepare_read
from wherry.engine.carry import Carry
from wherry.engine.command import Conclusion
from wherry.engine.command_runner import CommandRunner, build_commands
from wherry.engine.events import Event, EventKind, Listener
from wherry.engine.guard import guard_for
from wherry.engine.identity import Verdict, prove_again, verdict_text
from wherry.engine.ledger import Ledger, line_ledger
from wherry.engine.line import Line, Telling
from wherry.engine.schedule import Schedule
from wherry.engine.sweep import SweepRunner
from wherry.engine.torn import CarefulSweep
from wherry.engine.verification import Became
from wherry.engine.words import WordLine
from wherry.errors import LocalError
from wherry.packing.layout import Sweep, layout
from wherry.plan.model import BitWrites, Controller, Plan
from wherry.protocol.session import Prepared
from wherry.transports.network import Network
from wherry.values.quality import Quality, Reason

STOP_POLLS_MAX = 1000


class Engine:
    """Carries the values of one plan.

    ``armed`` names the controllers that may be written to; all others are only read. ``listeners`` hear every change of
    state, in order: put the record first, then whoever shows it.
    """

    def __init__(
        self,
        plan: Plan,
        network: Network,
        *,
        armed: Iterable[str] = (),
        listeners: Sequence[Listener] = (),
        seed: int | None = None,
        ledger: Ledger | None = None,
    ) -> None:
        """Must be called on the running event loop. LocalError when ``armed`` names a controller that is not there.

        ``ledger`` counts the writes that wear places out; whoever opened it closes it, after the stop.
        """
        self.plan = plan
        self.armed = frozenset(armed)
        names = {each.name for each in plan.controllers}
        for name in sorted(self.armed - names):
            raise LocalError(f"cannot arm `{name}`: the plan has no controller of that name")
        self._loop = asyncio.get_running_loop()
        self._clock = LoopClock(self._loop)
        self._listeners = tuple(listeners)
        self._rng = Random(seed)
        self._network = network
        self.started_ns = self._clock.now_ns()
        self.lines: dict[str, Line] = {}
        used = {name for each in plan.putting for name in (each.source, each.destination)}
        self.ledger = ledger
        self._make_lines([each for each in plan.controllers if each.name in used])
        for name in self.armed & self.lines.keys():
            self.lines[name].ledger = None if ledger is None else line_ledger(ledger, plan, name)
        self.carries: list[Carry] = []
        self._sweeps: list[SweepRunner | CarefulSweep | CommandRunner] = []
        sweeps = layout(plan)
        for sweep in sweeps:
            carries = [
                build_carry(
                    sweep,
                    index,
                    self.lines,
                    armed=self.armed,
                    clock=self._clock,
                    on_quality=self._quality_changed,
                    on_became=partial(self._write_became, sweep.transfers[index].transfer.name),
                )
                for index in range(len(sweep.transfers))
            ]
            source = self.lines[sweep.source]
            reads = [prepare_read(source.controller, each) for each in sweep.reads]
            self._sweeps.append(self._make_sweep(sweep, source, reads, carries))
            self.carries += carries
        order = {each.name: index for index, each in enumerate(plan.transfers)}
        self.carries.sort(key=lambda carry: order[carry.transfer.name])
        self._periods_ns = [sweep.period_ns for sweep in sweeps] + [command.period_ns for command in plan.commands]
        self.commands = build_commands(
            plan, self.lines, armed=self.armed, clock=self._clock, on_concluded=self._command_concluded
        )
        self._sweeps += self.commands
        self._schedule: Schedule | None = None
        self._unheard = set(self.lines)
        self._is_running = False
        self._timer: asyncio.TimerHandle | None = None

    def _make_lines(self, controllers: Sequence[Controller]) -> None:
        """One line for each controller, in the order of the plan; those of one address share a link."""
        telling = Telling(self._line_changed, self._unit_changed, self._identified, self._write_refused)
        links = make_links(controllers, self._network, self._rng, self._clock)
        for controller in controllers:
            guard = guard_for(self.plan, controller, armed=controller.name in self.armed)
            common = (controller, links[controller.name], guard, self._clock, telling)
            if controller.bit_writes is BitWrites.READ_CHANGE_WRITE:
                self.lines[controller.name] = WordLine(*common, on_foreign=self._foreign_bits)
            else:
                self.lines[controller.name] = Line(*common)

    def _make_sweep(
        self, sweep: Sweep, source: Line, reads: Sequence[Prepared], carries: Sequence[Carry]
    ) -> SweepRunner | CarefulSweep:
        if carries[0].transfer.careful is None:
            return SweepRunner(source, reads, carries, self._clock)
        guard = None if sweep.guard is None else prepare_read(source.controller, sweep.guard)
        return CarefulSweep(source, sweep, reads, guard, carries[0], self._clock)

    def now_ns(self) -> int:
        """The instant by the engine's clock."""
        return self._clock.now_ns()

    # Start and stop.

    def start(self) -> None:
        """Connect. The schedule begins when each line has come up, or has failed to for the first time."""
        self._is_running = True
        self._tell(EventKind.STARTED, self.plan.title or self.plan.file, "the exchange starts")
        for name in sorted(self.armed):
            self._tell(EventKind.ARMED, name, f"writing to {name} is armed")
        for line in self.lines.values():
            line.start()
        if not self.lines:
            self._begin()

    def _begin(self) -> None:
        self._schedule = Schedule(self._periods_ns, self._clock.now_ns())
        for carry in self.carries:
            carry.begin()
        self._arm()

    async def stop(self) -> None:
        """End cleanly: the cycles under way end, the status registers are set to Bad, the connections close."""
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
        self._schedule = None
        self._is_running = False
        for carry in self.carries:
            carry.is_stopping = True
        for command in self.commands:
            command.is_stopping = True
        await self._until_at_rest()
        for carry in self.carries:
            carry.say_stopped()
        await self._until_at_rest()
        for line in self.lines.values():
            await line.close()
        self._tell(EventKind.STOPPED, self.plan.title or self.plan.file, "the exchange has stopped")

    async def _until_at_rest(self) -> None:
        """Every request is answered or times out; the bound only guards against a fault of ours."""
        longest_s = max((each.controller.limits.timeout_ns for each in self.lines.values()), default=0) / 1e9
        for _ in range(STOP_POLLS_MAX):
            if all(carry.is_at_rest for carry in self.carries) and all(each.is_at_rest for each in self.commands):
                return
            await asyncio.sleep(max(0.001, longest_s / 200))

    # The schedule.

    def _arm(self) -> None:
        assert self._schedule is not None
        due_ns = self._schedule.next_due_ns
        if due_ns is not None:
            self._timer = self._clock.call_at(due_ns, self._due)

    def _due(self) -> None:
        if self._schedule is None:
            return
        now_ns = self._clock.now_ns()
        for release in self._schedule.pop_due(now_ns):
            try:
                self._sweeps[release.index].release(release.due_ns, release.missed, now_ns)
            except Exception as fault:  # noqa: BLE001 - a fault of ours in one sweep must not end the schedule of all
                context = {"message": "a fault in wherry itself, at a release", "exception": fault}
                self._loop.call_exception_handler(context)
        self._arm()

    def _begin_if_running(self) -> None:
        if self._is_running and self._schedule is None:
            self._begin()

    # What is told.

    def _tell(self, kind: EventKind, subject: str, message: str, **details: str | int | float | None) -> None:
        event = Event(self._clock.now_ns() - self.started_ns, kind, subject, message, details)
        for listener in self._listeners:
            try:
                listener(event)
            except Exception as fault:  # noqa: BLE001 - whatever it raises, the exchange is in the middle of its work
                context = {"message": f"a listener failed on: {message}", "exception": fault}
                self._loop.call_exception_handler(context)

    def _line_changed(self, line: Line, is_up: bool, reason: str) -> None:
        name = line.controller.name
        if is_up:
            self._tell(EventKind.LINE_UP, name, f"{name} is connected", connects=line.connects)
        else:
            self._tell(EventKind.LINE_DOWN, name, f"{name} is not connected: {reason}")
        if name in self._unheard:
            self._unheard.discard(name)
            if not self._unheard and self._is_running:
                # On the next turn, so that whoever is told of the connection has finished with it.
                self._loop.call_soon(self._begin_if_running)

    def _unit_changed(self, line: Line, is_answering: bool, reason: str) -> None:
        name = line.controller.name
        if is_answering:
            self._tell(EventKind.UNIT_UP, name, f"{name} answers again")
        else:
            self._tell(EventKind.UNIT_DOWN, name, f"{name} (unit {line.controller.unit}): {reason}")

    def _identified(self, line: Line, verdict: Verdict) -> None:
        name = line.controller.name
        unproven = [] if verdict.is_right and not verdict.alternates else prove_again(self.plan, line.controller)
        if unproven:
            for carry in self.carries:
                if carry.transfer.source == name:
                    carry.doubt = Reason.UNCERTAIN_IDENTITY
        self._tell(
            EventKind.IDENTITY,
            name,
            verdict_text(name, verdict, unproven),
            expected=verdict.expected,
            found=verdict.found,
            prove_again="; ".join(unproven),
        )

    def _write_refused(self, line: Line, frame: bytes) -> None:
        name = line.controller.name
        self._tell(EventKind.WRITE_REFUSED, name, f"a write to {name} outside the plan was refused", frame=frame.hex())

    def _command_concluded(self, runner: CommandRunner, conclusion: Conclusion | None) -> None:
        name = runner.declared.name
        if conclusion is None:
            number = runner.state.stood_before
            message = f"{name}: request {number} stood there before the start and is left alone"
            self._tell(EventKind.COMMAND, name, message, number=number)
            return
        outcome = conclusion.outcome.name.lower()
        self._tell(
            EventKind.COMMAND,
            name,
            f"{name}: request {conclusion.number} is {outcome}: {conclusion.reason}",
            number=conclusion.number,
            outcome=outcome,
            result=conclusion.result,
        )

    def _foreign_bits(self, line: Line, address: int, bits: int, after_write: bool) -> None:
        place = f"{line.controller.name} holding {address}"
        self._tell(
            EventKind.FOREIGN_BITS,
            line.controller.name,
            f"somebody else changes bits of {place}, which `owned` says is ours alone: updates of his may have been "
            "lost, and no bit of it is set any more",
            address=address,
            bits=f"{bits:04x}",
            after_write=int(after_write),
        )

    def _write_became(self, transfer: str, value: str, became: Became, words: str) -> None:
        self._tell(
            EventKind.WRITE_OUTCOME, transfer, f"{value} of {transfer}: {words}", value=value, became=became.value
        )

    def _quality_changed(self, carry: Carry, quality: Quality, reason: str) -> None:
        name = carry.transfer.name
        because = f": {reason}" if reason else ""
        self._tell(
            EventKind.TRANSFER_QUALITY, name, f"{name} is {quality.name.capitalize()}{because}", quality=int(quality)
        )
