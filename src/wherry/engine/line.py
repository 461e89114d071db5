"""The line to one controller: what is asked of it, how it does, and when it had better be left alone.

The connection is a ``Link``, which several controllers may share.
"""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import Final

from wherry.clock import LoopClock
from wherry.engine.guard import Guard
from wherry.engine.histogram import Histogram
from wherry.engine.identity import Identification, Verdict
from wherry.engine.job import AGE_MS_MAX, NEVER_NS, Job, NotSent, Overwritten, describe, reason_of
from wherry.engine.ledger import LineLedger
from wherry.engine.link import Link
from wherry.engine.link_limits import LineState
from wherry.engine.waits import busy_wait_ns, probe_wait_ns
from wherry.limits import FAILURES_BEFORE_BACKOFF
from wherry.plan.model import Controller
from wherry.protocol.functions import ExceptionCode
from wherry.protocol.session import Counters, Faulty, Lost, Outcome, Refusal, Reply, TimedOut
from wherry.timing.order import enqueue

__all__ = [
    "AGE_MS_MAX",
    "NEVER_NS",
    "Job",
    "Line",
    "LineState",
    "NotSent",
    "Overwritten",
    "Telling",
    "describe",
    "reason_of",
]

_MEANS_WAIT: Final = frozenset({ExceptionCode.ACKNOWLEDGE, ExceptionCode.SERVER_DEVICE_BUSY})
_SILENT: Final = {
    ExceptionCode.GATEWAY_TARGET_FAILED: NotSent.UNIT_UNREACHED,
    ExceptionCode.GATEWAY_PATH_UNAVAILABLE: NotSent.NO_PATH,
}
_COUNTED_AS: Final = {
    Reply: "replies",
    Refusal: "exceptions",
    TimedOut: "timeouts",
    Faulty: "faulty",
    Lost: "lost",
}


@dataclass(frozen=True, slots=True)
class Telling:
    """Whom a line tells what. ``connected`` and ``answers``: (line, whether it is so, why not)."""

    connected: Callable[[Line, bool, str], None]
    answers: Callable[[Line, bool, str], None]
    identified: Callable[[Line, Verdict], None]
    refused: Callable[[Line, bytes], None]
    """The guard has held this frame back."""


class Line:
    """A line of the engine. Only the link calls what is below "For the link"."""

    def __init__(self, controller: Controller, link: Link, guard: Guard, clock: LoopClock, telling: Telling) -> None:
        self.controller = controller
        self.link = link
        self.guard = guard
        self.ledger: LineLedger | None = None
        """Where writes are counted that wear places out; None where none do."""
        self.response = Histogram()
        self.counters = Counters() if link.is_shared else link.counters
        self.last_reply_ns: int | None = None
        self.timeout_ns = controller.limits.timeout_ns
        self.writes: deque[Job] = deque()
        self.reads: deque[Job] = deque()
        self.written: list[Job] = []
        """Writes under way, where more than one request may be."""
        self.is_listed = False
        """Whether it is in the link's ring, or kept out of it for a while."""
        self.setbacks = 0
        """Requests in a row that were not served: without an answer, or put off."""
        self.busy_answers = 0
        self.unreached = 0
        """Times that the gateway could not reach the unit (exception 0B)."""
        self._telling = telling
        self._clock = clock
        self.identification: Identification | None = None
        if controller.identity is not None:
            self.identification = Identification(self, controller.identity, partial(telling.identified, self))
        self._is_special = self.identification is not None
        """Whether a job needs a closer look before it is queued."""
        self._why_not: NotSent | None = None
        """Why the unit is left alone now; None in the plain case."""
        self._ask_again_ns = 0
        self._failures = 0
        self._failing_since_ns = 0
        self._put_off = 0
        self._silences = 0
        self._probe: Job | None = None
        self._is_told_silent = False
        self._unit_reason = ""
        self._pause_timer: asyncio.TimerHandle | None = None
        link.lines.append(self)

    # How it stands.

    @property
    def state(self) -> LineState:
        """Where the line stands."""
        if self._is_told_silent and self.link.state is LineState.UP:
            return LineState.SILENT
        return self.link.state

    @property
    def reason(self) -> str:
        """Why it is not up, why the unit does not answer, or who answers instead; empty when all is well."""
        if self.link.reason or self._unit_reason or self.identification is None or not self.identification.is_barred:
            return self.link.reason or self._unit_reason
        return f"another device than the plan names: {self.identification.found}"

    @property
    def is_up(self) -> bool:
        """Connected and answering, or able to be as soon as there is something to ask."""
        return self.link.is_up and not self._is_told_silent

    @property
    def connects(self) -> int:
        """Attempts to connect; like the connections below those of the address."""
        return self.link.connects

    @property
    def connections_made(self) -> int:
        return self.link.connections_made

    @property
    def connections_lost(self) -> int:
        return self.link.connections_lost

    @property
    def connect_wait_ns(self) -> int | None:
        """How long until the next attempt to connect; None while none is waited for."""
        at_ns = self.link.connect_at_ns
        return None if at_ns is None else max(0, at_ns - self._clock.now_ns())

    @property
    def losses(self) -> int:
        """Events after which nothing is known of what the controller holds: connections lost, silences of the unit."""
        return self.link.connections_lost + self._silences

    @property
    def has_jobs(self) -> bool:
        """Whether something waits to be sent."""
        return bool(self.writes or self.reads or (self.identification is not None and self.identification.parked))

    # Work.

    def submit(self, job: Job) -> None:
        """Queue a job in its order (``wherry.timing.order``).

        On a connection that rests the job waits for one attempt to connect, and is over if that fails.
        """
        link = self.link
        if link.transport is None and not (link.is_waking or link.state is LineState.RESTING):
            job.done(NotSent.NOT_CONNECTED)
            return
        if self._is_special and not self._admits(job):
            return
        job.line = self
        job.asked_ns = link.now_ns()
        enqueue(self.writes if job.is_write else self.reads, job, job.asked_ns)
        if not self.is_listed:
            self.is_listed = True
            link.ring.append(self)
        if link.transport is not None:
            link.pump()
        else:
            link.wake()

    def _admits(self, job: Job) -> bool:
        """Whether a job may be queued; if not, it is over or waits elsewhere."""
        if job.is_write and self.identification is not None and self.identification.is_barred:
            job.done(NotSent.OTHER_DEVICE)
            return False
        if self._why_not is not None and not self._may_probe(job):
            job.done(self._why_not)
            return False
        return self.identification is None or self.identification.admit(job)

    def ask(self, job: Job) -> None:
        """Queue a read that finds out who answers, whatever waits for that."""
        if self._why_not is not None:
            self._probe = job
        job.line = self
        job.asked_ns = self.link.now_ns()
        enqueue(self.reads, job, job.asked_ns)
        if not self.is_listed:
            self.is_listed = True
            self.link.ring.append(self)
        self.link.pump()

    def identified(self) -> None:
        """It is known who answers."""
        self._look_closer()

    def _look_closer(self) -> None:
        identification = self.identification
        is_known = identification is None or identification.is_right
        self._is_special = self._why_not is not None or not is_known

    def start(self) -> None:
        """Begin to connect, once for all lines of the link."""
        if self.link.lines[0] is self:
            self.link.start()

    async def close(self) -> None:
        """End the line for good, and with it the others of its link."""
        if self._pause_timer is not None:
            self._pause_timer.cancel()
            self._pause_timer = None
        await self.link.close()

    # A unit that does not answer, or is busy.

    def _may_probe(self, job: Job) -> bool:
        """Whether this job may find out if the unit answers again."""
        if self._probe is not None or self._clock.now_ns() < self._ask_again_ns:
            return False
        self._probe = job
        return True

    def _suffer(self, outcome: Outcome, why: NotSent, now_ns: int) -> None:
        """A request found no answer from the unit."""
        self.setbacks += 1
        self._failures += 1
        assert isinstance(outcome, Refusal | TimedOut)
        if self._failures == 1:
            self._failing_since_ns = outcome.sent_ns
        dead = sum(each._why_not is not None for each in self.link.lines if each is not self) + 1
        wait_ns = probe_wait_ns(self._failures, now_ns - outcome.sent_ns, dead)
        if not wait_ns:
            return
        others = [each for each in self.link.lines if each is not self]
        if not any(each.answers_since(self._failing_since_ns) for each in others):
            # There is nobody whom asking in vain could hold up, and perhaps it is not the unit that has failed.
            for each in others:
                each.forgive()
            return
        self._why_not = why
        self._is_special = True
        self._unit_reason = why.value
        self._ask_again_ns = now_ns + wait_ns
        if not self._is_told_silent:
            self._is_told_silent = True
            self._silences += 1
            if self.identification is not None:
                # What answers after a silence may be another device, or another program of it.
                self.identification.connected()
            self._telling.answers(self, False, why.value)

    def answers_since(self, since_ns: int) -> bool:
        """Whether the unit has answered since then, and still does, but for a single lost reply."""
        is_well = self._failures < FAILURES_BEFORE_BACKOFF
        return is_well and self.last_reply_ns is not None and self.last_reply_ns > since_ns

    def _recover(self) -> None:
        """The unit has answered."""
        self.forgive()
        if self._is_told_silent:
            self._is_told_silent = False
            self._telling.answers(self, True, "")

    def forgive(self) -> None:
        """Nothing is held against the unit any more."""
        self.setbacks = self._failures = self._put_off = 0
        self._why_not = None
        self._probe = None
        self._unit_reason = ""
        self._look_closer()

    def _pause(self, now_ns: int) -> None:
        """The unit is busy: keep out of the ring for a while. What is asked meanwhile waits."""
        self.setbacks += 1
        self._put_off += 1
        self.busy_answers += 1
        if self._pause_timer is None:
            if self.is_listed and self in self.link.ring:
                self.link.ring.remove(self)
            self.is_listed = True
            self._pause_timer = self._clock.call_at(now_ns + busy_wait_ns(self._put_off), self._resume)

    def _resume(self) -> None:
        if self._pause_timer is not None:
            self._pause_timer.cancel()
            self._pause_timer = None
            self.is_listed = bool(self.writes or self.reads)
            if self.is_listed:
                self.link.ring.append(self)
                self.link.pump()

    # For the link.

    def over(self, job: Job, outcome: Outcome, now_ns: int) -> None:
        """A request has ended in another way than by the plain answer, or after some that did."""
        was_left_alone = self._why_not
        if job is self._probe:
            self._probe = None
        if isinstance(outcome, Refusal) and outcome.code in _MEANS_WAIT:
            self._pause(now_ns)
        elif isinstance(outcome, Refusal) and outcome.code in _SILENT:
            if outcome.code == ExceptionCode.GATEWAY_TARGET_FAILED:
                self.unreached += 1
            else:
                self.link.path_refusals += 1
            self._suffer(outcome, _SILENT[ExceptionCode(outcome.code)], now_ns)
        elif isinstance(outcome, TimedOut):
            self._suffer(outcome, NotSent.UNIT_SILENT, now_ns)
        elif self.setbacks and isinstance(outcome, Reply | Refusal):
            self._recover()
        job.done(outcome)
        if self._why_not is not None and was_left_alone is None:
            self.fail_waiting(self._why_not)

    def end(self, job: Job, why: NotSent) -> None:
        """A job whose turn had come is not sent."""
        if job is self._probe:
            self._probe = None
        job.done(why)

    def count(self, outcome: Outcome) -> None:
        """Count the outcome of a request on a session that several units share."""
        name = _COUNTED_AS[type(outcome)]
        setattr(self.counters, name, getattr(self.counters, name) + 1)

    def refused_by_guard(self, frame: bytes) -> None:
        """The guard has held this frame back."""
        self._telling.refused(self, frame)

    def told(self, is_up: bool, reason: str) -> None:
        """The connection has come up or gone down."""
        self._telling.connected(self, is_up, reason)

    def connected(self) -> None:
        """There is a new connection. Nothing that waits goes on before it is known who answers."""
        if self.identification is not None:
            self.identification.connected()
            self._look_closer()

    def ask_identity(self) -> None:
        """Every line of the connection has been told of it, and holds back what waits: ask who is there."""
        if self.identification is not None and self._why_not is None:
            self.identification.begin()

    @property
    def is_barred(self) -> bool:
        """Whether another device answers than the plan names."""
        return self.identification is not None and self.identification.is_barred

    def connection_ended(self) -> None:
        """Whatever was under way is lost."""
        self.written.clear()
        self._probe = None

    def fail_waiting(self, why: NotSent) -> None:
        """Everything that waits is over."""
        waiting = self.take_waiting()
        if self.identification is not None:
            waiting += self.identification.take_parked()
        for job in waiting:
            job.done(why)

    def take_waiting(self) -> list[Job]:
        """Everything that waits, taken out of the queues."""
        waiting = [*self.writes, *self.reads]
        self.writes.clear()
        self.reads.clear()
        if self._pause_timer is not None:
            self._pause_timer.cancel()
            self._pause_timer = None
        elif self.is_listed and self in self.link.ring:
            self.link.ring.remove(self)
        self.is_listed = False
        return waiting
