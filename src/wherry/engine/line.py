"""One connection to one controller: its queue, its pace, its time-outs, and coming back after a loss.

Nothing waits in the queue while the line is down: a job that cannot be sent is over at once, so that nothing old is
ever sent later. All instants are the event loop's. The guard stands between the session and the transport.
"""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Callable
from enum import StrEnum
from random import Random
from typing import Final, cast

from wherry.clock import LoopClock
from wherry.engine.guard import Guard
from wherry.engine.histogram import Histogram
from wherry.errors import LinkError
from wherry.plan.model import Controller, Framing
from wherry.protocol.functions import FunctionCode, exception_text
from wherry.protocol.session import (
    ClientSession,
    Counters,
    Faulty,
    Lost,
    Outcome,
    Prepared,
    Refusal,
    Reply,
    TimedOut,
)
from wherry.transports.network import Network, place, reset

NEVER_NS: Final = 1 << 62
AGE_MS_MAX: Final = 0xFFFF
"""The age register stands at this when the age is that or more, or when nothing has been delivered yet."""


class NotSent(StrEnum):
    """Why nothing came of a job although the other side did not fail: as a rule because no request left."""

    NOT_CONNECTED = "not connected"
    AGED = "older than max_age before it could be sent"
    GUARD = "refused by the guard"
    STOPPING = "stopping"
    TORN = "torn: the source was in the middle of an update each time it was looked at"
    """What came was never whole, so that nothing of it counts."""
    FOREIGN = "somebody else changes bits of this register, so it is left alone; see `owned`"


class Overwritten(Lost):
    """A write that was answered, but is not proven: the register reads otherwise now, or cannot be read."""

    __slots__ = ()

    def __init__(self, prepared: Prepared, tag: object, sent_ns: int) -> None:
        super().__init__(prepared, tag, "read back otherwise than written, or not at all", sent_ns)


NO_MASK_WRITE: Final = (
    'the controller refused it: it has no function 16 (hex); `bit_writes = "read-change-write"` sets bits without it'
)


def reason_of(failure: Exception) -> str:
    """The system's words for a failure, without its number."""
    if not isinstance(failure, OSError | ValueError):
        # Not the network's doing: what failed is a callback of ours.
        return f"a fault in wherry itself: {type(failure).__name__}: {failure}"
    return (failure.strerror if isinstance(failure, OSError) and failure.strerror else str(failure)).lower()


def describe(outcome: Outcome | NotSent) -> str:
    """Why a request brought nothing, in the words that are counted and shown."""
    if isinstance(outcome, NotSent):
        return outcome.value
    if isinstance(outcome, Overwritten):
        return outcome.reason
    if isinstance(outcome, Refusal):
        if outcome.prepared.function == FunctionCode.MASK_WRITE_REGISTER and outcome.code == 1:
            return NO_MASK_WRITE
        return f"the controller refused it: {exception_text(outcome.code)}"
    if isinstance(outcome, TimedOut):
        return "no reply in time"
    if isinstance(outcome, Lost):
        return "the connection was lost while a reply was awaited"
    if isinstance(outcome, Faulty):
        return "the reply did not fit the request"
    return type(outcome).__name__


class Job:
    """One request to send. ``done`` is called exactly once, with the session's outcome or with why it was not sent.

    ``expires_ns`` is the instant after which it must not be sent any more. Once done it may be submitted again. A write
    that tells an age has ``age_at``, where the age register lies in its data: it is filled in when the request leaves,
    from ``sample_ns`` (None: nothing was ever sampled).
    """

    __slots__ = ("age_at", "done", "expires_ns", "is_write", "prepared", "sample_ns")

    def __init__(self, prepared: Prepared, done: Callable[[Outcome | NotSent], None], *, is_write: bool) -> None:
        self.prepared = prepared
        self.done = done
        self.is_write = is_write
        self.expires_ns = NEVER_NS
        self.age_at: int | None = None
        self.sample_ns: int | None = None

    def tell_age(self, now_ns: int) -> None:
        """Fill the age register in, rounded up, so that waiting in the queue does not make values look younger."""
        assert self.age_at is not None
        age_ms = AGE_MS_MAX if self.sample_ns is None else min(AGE_MS_MAX, -((self.sample_ns - now_ns) // 1_000_000))
        data = self.prepared.data
        told = data[: self.age_at] + age_ms.to_bytes(2, "big") + data[self.age_at + 2 :]
        self.prepared = self.prepared.with_data(told)


def _meet(one: Job, other: Job) -> bool:
    """Whether two writes touch the same place."""
    bits, start, stop = _touched(one.prepared)
    other_bits, other_start, other_stop = _touched(other.prepared)
    return bits is other_bits and start < other_stop and other_start < stop


def _touched(prepared: Prepared) -> tuple[bool, int, int]:
    """What a write touches: whether coils, and from where to where."""
    pdu, function = prepared.pdu, prepared.function
    start = int.from_bytes(pdu[1:3], "big")
    is_many = function in (FunctionCode.WRITE_MULTIPLE_COILS, FunctionCode.WRITE_MULTIPLE_REGISTERS)
    count = int.from_bytes(pdu[3:5], "big") if is_many else 1
    return function in (FunctionCode.WRITE_SINGLE_COIL, FunctionCode.WRITE_MULTIPLE_COILS), start, start + count


class LineState(StrEnum):
    """Where a line stands."""

    WAITING = "waiting to connect"
    CONNECTING = "connecting"
    UP = "connected"
    RESTING = "closed by the controller while idle"
    CLOSED = "closed"


class Line(asyncio.Protocol):
    """A line of the engine. ``on_change(line, is_up, reason)`` is called when it comes up or goes down."""

    def __init__(
        self,
        controller: Controller,
        network: Network,
        guard: Guard,
        rng: Random,
        clock: LoopClock,
        on_change: Callable[[Line, bool, str], None],
        on_refused: Callable[[Line, bytes], None],
    ) -> None:
        self.controller = controller
        self.guard = guard
        self.state = LineState.WAITING
        self.reason = "not connected yet"
        self.response = Histogram()
        self.counters = Counters()
        self.connects = 0
        self.connections_made = 0
        self.connections_lost = 0
        self.last_reply_ns: int | None = None
        self._network = network
        self._rng = rng
        self._on_change = on_change
        self._on_refused = on_refused
        self._loop = asyncio.get_running_loop()
        self._clock = clock
        self._now_ns = clock.now_ns
        # RTU framing has no transaction ids: requests go one at a time, whatever the plan allows.
        self._is_rtu = controller.framing is Framing.RTU
        self._in_flight_max = 1 if self._is_rtu else controller.limits.in_flight
        self._session = self._new_session()
        self._transport: asyncio.Transport | None = None
        self._reads: deque[Job] = deque()
        self._writes: deque[Job] = deque()
        self._is_pipelined = self._in_flight_max > 1
        self._written: list[Job] = []
        self._timer: asyncio.TimerHandle | None = None
        self._pace_timer: asyncio.TimerHandle | None = None
        self._connect_timer: asyncio.TimerHandle | None = None
        self._connecting: asyncio.Task[None] | None = None
        limits = controller.limits
        self._timeout_ns = limits.timeout_ns
        self._gap_ns = limits.gap_ns
        self._spacing_ns = int(1e9 / limits.requests_per_s) if limits.requests_per_s else 0
        self._is_paced = bool(self._gap_ns or self._spacing_ns)
        self._next_allowed_ns = 0
        self._attempts = 0
        self._answered = False
        self._is_waking = False

    # Work.

    @property
    def is_up(self) -> bool:
        """Connected, or able to be as soon as there is something to ask."""
        return self.state in (LineState.UP, LineState.RESTING) or self._is_waking

    def submit(self, job: Job) -> None:
        """Queue a job; writes go before reads, because what they carry is ageing.

        On a line that rests the job waits for one attempt to connect, and is over if that fails.
        """
        if self._transport is None and not (self._is_waking or self.state is LineState.RESTING):
            job.done(NotSent.NOT_CONNECTED)
            return
        (self._writes if job.is_write else self._reads).append(job)
        if self._transport is not None:
            self._pump()
        elif not self._is_waking:
            self._is_waking = True
            self._begin_connect()

    def _pump(self) -> None:
        """Send what may be sent now."""
        session = self._session
        while session.can_send and self._transport is not None:
            queue = self._writes or self._reads
            if self._written and queue is self._writes and any(_meet(queue[0], each) for each in self._written):
                # Writes to one place go one after the other, so that the last to leave is the last to arrive.
                queue = self._reads
            if not queue:
                return
            now_ns = self._now_ns()
            if self._is_paced and now_ns < self._next_allowed_ns:
                self._arm_pace(self._next_allowed_ns)
                return
            job = queue.popleft()
            if job.expires_ns <= now_ns:
                job.done(NotSent.AGED)
            else:
                self._send(job, now_ns)
            session = self._session

    def _send(self, job: Job, now_ns: int) -> None:
        if job.age_at is not None:
            job.tell_age(now_ns)
        frame = self._session.send(job.prepared, now_ns, now_ns + self._timeout_ns, job)
        # The last gate: from here on only the transport.
        if not self.guard.permits(frame):
            self._session.withdraw(job)
            self._on_refused(self, frame)
            job.done(NotSent.GUARD)
            return
        assert self._transport is not None
        if self._is_pipelined and job.is_write:
            self._written.append(job)
        self._transport.write(frame)
        if self._spacing_ns:
            self._next_allowed_ns = now_ns + self._spacing_ns
        if self._timer is None:
            self._arm_timer()

    def _arm_pace(self, at_ns: int) -> None:
        if self._pace_timer is None:
            self._pace_timer = self._clock.call_at(at_ns, self._pace_passed)

    def _pace_passed(self) -> None:
        self._pace_timer = None
        self._pump()

    # Time.

    def _arm_timer(self) -> None:
        deadline_ns = self._session.next_deadline_ns
        if deadline_ns is not None:
            self._timer = self._clock.call_at(deadline_ns, self._time_passed)

    def _time_passed(self) -> None:
        # One timer for the line, armed for what was the earliest deadline then; most have been answered since.
        self._timer = None
        deadline_ns = self._session.next_deadline_ns
        if deadline_ns is None:
            return
        now_ns = self._now_ns()
        if deadline_ns <= now_ns:
            self._handle(self._session.time_passed(now_ns), now_ns)
        if self._timer is None:
            self._arm_timer()

    # What comes in.

    def data_received(self, data: bytes) -> None:
        now_ns = self._now_ns()
        self._handle(self._session.receive(data, now_ns), now_ns)

    def _handle(self, outcomes: list[Outcome], now_ns: int) -> None:
        if self._gap_ns:
            self._next_allowed_ns = max(self._next_allowed_ns, now_ns + self._gap_ns)
        session = self._session
        timed_out = False
        for outcome in outcomes:
            kind = type(outcome)
            timed_out = timed_out or kind is TimedOut
            if kind is Reply or kind is Refusal:
                self.last_reply_ns = now_ns
                if not self._answered:
                    self._answered = True
                    self._attempts = 0
                self.response.record(outcome.received_ns - outcome.sent_ns)  # type: ignore[union-attr]
            job = cast("Job | None", outcome.tag)
            if job is not None:
                if self._written and job.is_write:
                    self._written.remove(job)
                job.done(outcome)
        if session.must_reset and session is self._session:
            self._reset("its answers cannot be trusted any more: " + (session.reset_reason or "framing lost"))
            return
        if timed_out and self._is_rtu and session is self._session:
            # Without transaction ids a reply that comes still later would look like the answer to the next request.
            self._reset("a reply did not come in time, and on this framing a late one could not be told apart")
            return
        if self._writes or self._reads:
            self._pump()
        if self._timer is None:
            # Nothing waits, but the line may have to become quiet before it may be used again.
            self._arm_timer()

    # Connection.

    def start(self) -> None:
        """Begin to connect."""
        self._schedule_connect(0)

    def _new_session(self) -> ClientSession:
        return ClientSession(
            framing=self.controller.framing.value,
            in_flight_max=self._in_flight_max,
            first_transaction=self._rng.randrange(1, 65536),
            counters=self.counters,
        )

    def _schedule_connect(self, wait_ns: int) -> None:
        self.state = LineState.WAITING
        self._connect_timer = self._clock.call_at(self._now_ns() + wait_ns, self._begin_connect)

    def _begin_connect(self) -> None:
        self._connect_timer = None
        self.state = LineState.CONNECTING
        self._connecting = self._loop.create_task(self._connect())

    async def _connect(self) -> None:
        self.connects += 1
        self._attempts += 1
        controller = self.controller
        try:
            await self._network.connect(
                lambda: self, controller.host, controller.port, controller.limits.timeout_ns / 1e9
            )
        except LinkError as failed:
            failure = str(failed)
        except (OSError, ValueError) as failed:
            # What no sentence was foreseen for: a line that gave up for good would hold up all the others.
            failure = f"cannot connect to {place(controller.host, controller.port)}: {reason_of(failed)}"
        else:
            return
        was_waking, self._is_waking = self._is_waking, False
        self._went_down(failure, is_first=was_waking or self.reason == "not connected yet")
        if was_waking:
            self._fail_all()

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        if self.state is LineState.CLOSED:
            cast("asyncio.Transport", transport).abort()
            return
        self._transport = cast("asyncio.Transport", transport)
        self._session = self._new_session()
        self._answered = False
        self.state = LineState.UP
        self.connections_made += 1
        self.reason = ""
        if self._is_waking:
            # Nobody was told that it rested, so nobody need be told that it does not.
            self._is_waking = False
            self._pump()
        else:
            self._on_change(self, True, "")

    def connection_lost(self, exc: Exception | None) -> None:
        if self._transport is None:
            return
        self._transport = None
        if exc is None and self._was_idle():
            self.state = LineState.RESTING
            self._fail_all()
            return
        self.connections_lost += 1
        self._fail_all()
        if self.state is LineState.CLOSED:
            return
        if exc is not None:
            why = f"the connection was lost: {reason_of(exc)}"
        elif self._answered:
            why = "the controller closed the connection"
        else:
            why = "the controller closed the connection unasked; check that no other client holds its last free one"
        self._went_down(why, is_first=True)

    def _was_idle(self) -> bool:
        """Whether a close by the controller is only its idle time-out: nothing was asked, and not for a while.

        A controller that closes right after an answer is not connected to again at once: many connects can lock it up.
        """
        nothing_asked = not (self._session.in_flight or self._writes or self._reads)
        if self.state is not LineState.UP or not nothing_asked or not self._answered or self.last_reply_ns is None:
            return False
        return self._now_ns() - self.last_reply_ns >= self.controller.limits.reconnect_ns

    def _reset(self, reason: str) -> None:
        """Give the connection up. A reset, not a polite close: a device must not keep a dead session."""
        transport, self._transport = self._transport, None
        if transport is not None:
            self.connections_lost += 1
            reset(transport)
        self._fail_all()
        if self.state is not LineState.CLOSED:
            self._went_down(reason, is_first=True)

    def _fail_all(self) -> None:
        waiting = [*self._writes, *self._reads]
        self._writes.clear()
        self._reads.clear()
        self._written.clear()
        now_ns = self._now_ns()
        for outcome in self._session.link_lost(now_ns):
            job = cast("Job | None", outcome.tag)
            if job is not None:
                job.done(outcome)
        for job in waiting:
            job.done(NotSent.NOT_CONNECTED)

    def _went_down(self, reason: str, *, is_first: bool) -> None:
        """Wait before the next attempt: growing with each that brought no answer, and jittered so that many spread."""
        limits = self.controller.limits
        wait_ns = min(limits.reconnect_ns_max, limits.reconnect_ns << min(max(self._attempts - 1, 0), 16))
        self._schedule_connect(int(wait_ns * self._rng.uniform(0.5, 1.0)))
        self.reason = reason
        if is_first:
            self._on_change(self, False, reason)

    async def close(self) -> None:
        """End the line for good."""
        self.state = LineState.CLOSED
        for timer in (self._timer, self._pace_timer, self._connect_timer):
            if timer is not None:
                timer.cancel()
        self._timer = self._pace_timer = self._connect_timer = None
        if self._connecting is not None and not self._connecting.done():
            self._connecting.cancel()
            await asyncio.gather(self._connecting, return_exceptions=True)
        transport, self._transport = self._transport, None
        if transport is not None:
            transport.close()
        self._fail_all()
