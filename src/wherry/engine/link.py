"""One connection, and the lines of the controllers that are reached through it: turns, pace, time-outs, coming back.

Usually that is one controller. Behind a gateway it is every unit of its address: they share one connection and one
reconnection, take turns, and one of them that does not answer does not take the connection from the others.

Nothing waits in the queues while the connection is down: a job that cannot be sent is over at once, so that nothing old
is ever sent later. All instants are the event loop's. A line's guard stands between the session and the transport.
"""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Sequence
from random import Random
from typing import TYPE_CHECKING, cast

from wherry.clock import LoopClock
from wherry.engine.job import Job, NotSent, meet, prepare_poll, reason_of
from wherry.engine.link_limits import LineState
from wherry.engine.waits import LINGER_FIRST_NS, ConnectBudget, Silence, patience_with
from wherry.errors import LinkError
from wherry.limits import SILENT_TIMEOUTS_MAX
from wherry.plan.model import Controller, Framing
from wherry.protocol.session import ClientSession, Counters, Late, Outcome, Refusal, Reply, TimedOut
from wherry.timing.link_limits import CLOSING_NS, LINGER_NS, LinkLimits, idle_wait_ns
from wherry.timing.order import first_of
from wherry.transports.network import Network, place, reset

if TYPE_CHECKING:
    from wherry.engine.line import Line


class _Connection(asyncio.Protocol):
    """One connection of a link. What it hears after the link has given it up concerns nobody."""

    def __init__(self, link: Link) -> None:
        self._link = link
        self._transport: asyncio.BaseTransport | None = None
        # Straight to the link: this is on the way of every reply.
        self.data_received = link.data_received  # type: ignore[method-assign]

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self._transport = transport
        self._link.connected(cast("asyncio.Transport", transport))

    def connection_lost(self, exc: Exception | None) -> None:
        if self._link.transport is self._transport:
            self._link.lost(exc)


class Link:
    """The connection to the address of ``controllers``. Each gets a ``Line``, which adds itself to ``lines``.

    ``budget`` counts the attempts to connect to the address, for all its ``links``.
    """

    def __init__(
        self,
        controllers: Sequence[Controller],
        network: Network,
        rng: Random,
        clock: LoopClock,
        budget: ConnectBudget,
        links: int = 1,
    ) -> None:
        first = controllers[0]
        self.host, self.port = first.host, first.port
        self.limits = LinkLimits.of(controllers, links)
        self.is_shared = len(controllers) > 1
        self.lines: list[Line] = []
        self.ring: deque[Line] = deque()
        """The lines that have something to send, in the order of their turns."""
        self.state = LineState.WAITING
        self.reason = "not connected yet"
        self.counters = Counters()
        self.connects = 0
        self.connections_made = 0
        self.connections_lost = 0
        self.path_refusals = 0
        """How often the gateway had no path to a unit (exception 0A)."""
        self.transport: asyncio.Transport | None = None
        self.is_waking = False
        self.connect_at_ns: int | None = None
        """When the next attempt to connect is due, while it waits for it."""
        self.is_pipelined = self.limits.in_flight > 1
        self._framing = first.framing
        self._is_rtu = first.framing is Framing.RTU
        self._network = network
        self._rng = rng
        self._loop = asyncio.get_running_loop()
        self._clock = clock
        self.now_ns = clock.now_ns
        self._tolerates = tuple(dict.fromkeys(word for each in controllers for word in each.tolerate))
        self._fruitless = 0
        """Connections in a row that brought no answer."""
        self._began_ns = 0
        self._session = self._new_session()
        self._silence = Silence([each.name for each in controllers]) if self.is_shared else None
        self._timer: asyncio.TimerHandle | None = None
        self._pace_timer: asyncio.TimerHandle | None = None
        self._connect_timer: asyncio.TimerHandle | None = None
        self._doubt_timer: asyncio.TimerHandle | None = None
        self._idle_timer: asyncio.TimerHandle | None = None
        self._connecting: asyncio.Task[None] | None = None
        self._budget = budget
        self._is_per_exchange = self.limits.is_per_exchange
        self._idle_wait_ns = LINGER_NS if self._is_per_exchange else 0
        if self.limits.idle_ns is not None and not self._is_per_exchange:
            self._idle_wait_ns = idle_wait_ns(self.limits.idle_ns)
        self._used_ns = 0
        self._rested_ns = -CLOSING_NS
        self._last_job: Job | None = None
        self._is_told_used_up = False
        self._gap_ns = self.limits.gap_ns
        self._spacing_ns = self.limits.spacing_ns
        self._is_paced = bool(self._gap_ns or self._spacing_ns)
        self._next_allowed_ns = 0
        self._attempts = 0
        self._answered = self._has_asked = False
        self._heard_late_ns = 0

    # Work.

    @property
    def is_up(self) -> bool:
        """Connected, or able to be as soon as there is something to ask."""
        return self.state in (LineState.UP, LineState.RESTING) or self.is_waking

    def wake(self) -> None:
        """Something waits while the connection rests: one attempt to connect, and it is over if that fails."""
        if self.is_waking:
            return
        if self._budget.wait_ns(self.now_ns()):
            self._went_down("it was closed while nothing was asked", is_first=True)
            self._fail_all()
            return
        self.is_waking = True
        wait_ns = self._rested_ns + CLOSING_NS - self.now_ns()
        if wait_ns > 0:
            self._connect_timer = self._clock.call_at(self.now_ns() + wait_ns, self._begin_connect)
        else:
            self._begin_connect()

    def pump(self) -> None:
        """Send what may be sent now, a request of each line in turn."""
        ring = self.ring
        tries = len(ring)
        while tries > 0 and self._session.can_send and self.transport is not None:
            line = ring[0]
            now_ns = self.now_ns()
            queue = first_of(line.writes, line.reads, now_ns)
            if line.written and queue is line.writes and any(meet(queue[0], each) for each in line.written):
                # Writes to one place go one after the other, so that the last to leave is the last to arrive.
                queue = line.reads
                if not queue:
                    ring.rotate(-1)
                    tries -= 1
                    continue
            if self._is_paced and now_ns < self._next_allowed_ns:
                self._arm_pace(self._next_allowed_ns)
                return
            job = queue.popleft()
            if line.writes or line.reads:
                ring.rotate(-1)
            else:
                ring.popleft()
                line.is_listed = False
            if job.expires_ns <= now_ns:
                line.end(job, NotSent.AGED)
            else:
                self._send(line, job, now_ns)
            tries = len(ring)

    def _send(self, line: Line, job: Job, now_ns: int) -> None:
        if line.ledger is not None and job.is_write:
            if not line.ledger.allows(job.prepared):
                line.end(job, NotSent.LEDGER)
                return
            # The disk may have taken its time.
            now_ns = self.now_ns()
            if job.expires_ns <= now_ns:
                line.end(job, NotSent.AGED)
                return
        if job.age_at is not None:
            job.tell_age(now_ns)
        frame = self._session.send(job.prepared, now_ns, now_ns + line.timeout_ns, job)
        # The last gate: from here on only the transport.
        if not line.guard.permits(frame):
            self._session.withdraw(job)
            line.refused_by_guard(frame)
            line.end(job, NotSent.GUARD)
            return
        assert self.transport is not None
        if self.is_pipelined and job.is_write:
            line.written.append(job)
        if self.is_shared:
            line.counters.requests += 1
        self.transport.write(frame)
        if self._idle_wait_ns:
            self._used_ns = now_ns
            self._last_job = job
            self._has_asked = True
        if self._spacing_ns:
            self._next_allowed_ns = now_ns + self._spacing_ns
        if self._timer is None:
            self._arm_timer()

    def _arm_pace(self, at_ns: int) -> None:
        if self._pace_timer is None:
            self._pace_timer = self._clock.call_at(at_ns, self._pace_passed)

    def _pace_passed(self) -> None:
        self._pace_timer = None
        self.pump()

    # Time.

    def _arm_timer(self) -> None:
        deadline_ns = self._session.next_deadline_ns
        if deadline_ns is not None:
            self._timer = self._clock.call_at(deadline_ns, self._time_passed)

    def _time_passed(self) -> None:
        # One timer for the link, armed for what was the earliest deadline then; most have been answered since.
        self._timer = None
        deadline_ns = self._session.next_deadline_ns
        if deadline_ns is None:
            return
        now_ns = self.now_ns()
        if deadline_ns <= now_ns:
            self._handle(self._session.time_passed(now_ns), now_ns)
        if self._timer is None:
            self._arm_timer()

    # What comes in.

    def data_received(self, data: bytes) -> None:
        now_ns = self.now_ns()
        self._handle(self._session.receive(data, now_ns), now_ns)

    def _handle(self, outcomes: list[Outcome], now_ns: int) -> None:
        if self._gap_ns:
            self._next_allowed_ns = max(self._next_allowed_ns, now_ns + self._gap_ns)
        session = self._session
        is_shared = self.is_shared
        timed_out = False
        for outcome in outcomes:
            kind = type(outcome)
            job: Job | None = outcome.tag  # type: ignore[assignment]
            if is_shared:
                self._note(job, outcome, now_ns)
            if job is None:
                if kind is Late:
                    self._heard_late_ns = now_ns
                continue
            line = job.line
            if kind is Reply or kind is Refusal:
                if not self._answered:
                    self._answered = True
                    self._attempts = self._fruitless = 0
                    session.answers()
                line.last_reply_ns = now_ns
                line.response.record(now_ns - outcome.sent_ns)
            timed_out = timed_out or kind is TimedOut
            if line.written and job.is_write:
                line.written.remove(job)
            if kind is Reply and not line.setbacks:
                job.done(outcome)
            else:
                line.over(job, outcome, now_ns)
        if session is not self._session:
            return
        if (timed_out or session.must_reset) and self._must_end(timed_out, now_ns):
            return
        if self.ring:
            self.pump()
        elif self._is_per_exchange and not self._is_asked:
            # What follows at once may still share the connection.
            if self._idle_timer is not None:
                self._idle_timer.cancel()
                self._idle_timer = None
            self._used_ns = now_ns
            self._watch_idle()
        if self._timer is None:
            # Nothing waits, but the line may have to become quiet before it may be used again.
            self._arm_timer()

    def _must_end(self, timed_out: bool, now_ns: int) -> bool:
        """Give the connection up where nothing it brings can be trusted any more, or nothing comes. True if so."""
        session = self._session
        if session.must_reset:
            self._reset("its answers cannot be trusted any more: " + (session.reset_reason or "framing lost"))
        elif timed_out and self._silence is not None and self._silence.is_suspect:
            self._forgive()
            self._reset("none of its units answers any more")
        elif timed_out and self._is_rtu:
            # Without transaction ids a reply that comes still later would look like the answer to the next request.
            why = "a reply did not come in time, and on this framing a late one could not be told apart"
            if self.is_shared and self._answered:
                self._renew()
            else:
                self._reset(why)
        else:
            if timed_out and self._doubt_timer is None:
                # Requests that come seldom must not take long to find out that nobody answers any more.
                patience = 0 if self._answered else patience_with(self._fruitless - 1)
                wait_ns = max(SILENT_TIMEOUTS_MAX - 1, patience) * self.limits.timeout_ns
                self._doubt_timer = self._clock.call_at(now_ns + wait_ns, lambda: self._doubt(now_ns))
            return False
        return True

    def _doubt(self, since_ns: int) -> None:
        """A request was not answered at ``since_ns``, and there was time for others to be."""
        self._doubt_timer = None
        if self.transport is None or self._heard_late_ns >= since_ns:
            return
        if any(each.last_reply_ns is not None and each.last_reply_ns >= since_ns for each in self.lines):
            return
        if self._silence is None or self._silence.is_whole:
            self._forgive()
            self._reset(f"no answer for several time-outs{self._session.hint}")

    def _forgive(self) -> None:
        """It is the connection that failed, so that nothing is known against the units that had answered on it."""
        if self._silence is not None:
            for line in self.lines:
                if line.controller.name in self._silence.heard:
                    line.forgive()

    def _note(self, job: Job | None, outcome: Outcome, now_ns: int) -> None:
        """Several units share the session: whose outcome is it?"""
        assert self._silence is not None
        if job is not None:
            job.line.count(outcome)
            if isinstance(outcome, Reply | Refusal):
                self._silence.answered(job.line.controller.name)
            elif isinstance(outcome, TimedOut):
                self._silence.timed_out(job.line.controller.name)
        elif isinstance(outcome, Late):
            self._silence.heard_late()
            for line in self.lines:
                if line.controller.unit == outcome.prepared.unit:
                    line.counters.late_replies += 1

    # A connection on which nothing is asked.

    @property
    def _is_asked(self) -> bool:
        """Whether something is under way or waits."""
        return self._session.in_flight > 0 or any(each.has_jobs for each in self.lines)

    def _rest(self) -> None:
        """Close politely until there is something to ask again."""
        if self._has_asked and not self._answered:
            # Made again at once it would be one attempt after the other without an answer.
            self._reset("nothing that was asked on this connection was answered")
            return
        transport, self.transport = self.transport, None
        if transport is not None:
            self.state = LineState.RESTING
            self._rested_ns = self.now_ns()
            self._session.link_lost(self._rested_ns)
            transport.close()

    def _watch_idle(self) -> None:
        if self._idle_wait_ns and self._idle_timer is None:
            self._idle_timer = self._clock.call_at(self._used_ns + self._idle_wait_ns, self._idle_passed)

    def _idle_passed(self) -> None:
        """Be quicker than the device that closes a connection which nobody uses."""
        self._idle_timer = None
        if self.transport is None:
            return
        now_ns = self.now_ns()
        if self._is_asked:
            self._used_ns = now_ns
        elif now_ns >= self._used_ns + self._idle_wait_ns:
            if self._last_job is None or self._is_per_exchange or self._budget.per_hour is None:
                self._rest()
                return
            # Connecting again is what the device stands least: keep the connection in use.
            line = self._last_job.line
            self._used_ns = now_ns
            line.submit(Job(prepare_poll(self._last_job.prepared), _nothing, is_write=False))
        self._watch_idle()

    # Connection.

    def start(self) -> None:
        """Begin to connect."""
        self._schedule_connect(0)

    def _new_session(self) -> ClientSession:
        return ClientSession(
            framing=self._framing.value,
            in_flight_max=self.limits.in_flight,
            first_transaction=self._rng.randrange(1, 65536),
            counters=self.counters,
            is_shared=self.is_shared,
            timeouts_max=patience_with(self._fruitless),
            one_first=True,
            tolerates=self._tolerates,
        )

    def _schedule_connect(self, wait_ns: int) -> None:
        self.state = LineState.WAITING
        self.connect_at_ns = self.now_ns() + wait_ns
        self._connect_timer = self._clock.call_at(self.now_ns() + wait_ns, self._begin_connect)

    def _begin_connect(self) -> None:
        self._connect_timer = None
        self.connect_at_ns = None
        self.state = LineState.CONNECTING
        self._connecting = self._loop.create_task(self._connect())

    async def _connect(self) -> None:
        self.connects += 1
        self._attempts += 1
        self._began_ns = began_ns = self.now_ns()
        self._budget.spend(began_ns)
        try:
            await self._network.connect(lambda: _Connection(self), self.host, self.port, self.limits.timeout_ns / 1e9)
        except LinkError as failed:
            failure = str(failed)
        except (OSError, ValueError) as failed:
            # What no sentence was foreseen for: a line that gave up for good would hold up all the others.
            failure = f"cannot connect to {place(self.host, self.port)}: {reason_of(failed)}"
        else:
            return
        was_waking, self.is_waking = self.is_waking, False
        is_silent = self.now_ns() - began_ns >= self.limits.timeout_ns
        self._went_down(failure, is_first=was_waking or self.reason == "not connected yet", is_silent=is_silent)
        if was_waking:
            self._fail_all()

    def connected(self, transport: asyncio.Transport) -> None:
        """A connection is there."""
        if self.state is LineState.CLOSED:
            transport.abort()
            return
        self.transport = transport
        self._session = self._new_session()
        self._answered = self._has_asked = False
        self.state = LineState.UP
        self.connections_made += 1
        self.reason = ""
        if self._silence is not None:
            self._silence.connected(patience_with(self._fruitless))
        self._fruitless += 1
        self._used_ns = self.now_ns() + (LINGER_FIRST_NS - LINGER_NS if self._is_per_exchange else 0)
        self._watch_idle()
        for line in self.lines:
            line.connected()
        for line in self.lines:
            line.ask_identity()
        if self.is_waking:
            # Nobody was told that it rested, so nobody need be told that it does not.
            self.is_waking = False
            self.pump()
        else:
            for line in self.lines:
                line.told(True, "")

    def lost(self, exc: Exception | None) -> None:
        """The connection has ended without our doing."""
        self.transport = None
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
            why = (
                "the controller closed the connection before any answer: waiting for a free session; "
                "check that no other client holds its last free one"
            )
        self._went_down(why, is_first=True)

    def _was_idle(self) -> bool:
        """Whether a close by the controller is only its idle time-out: nothing was asked, and not for a while.

        A controller that closes right after an answer is not connected to again at once: many connects can lock it up.
        """
        if self.state is not LineState.UP or self._is_asked or not self._answered:
            return False
        return self.now_ns() - max(each.last_reply_ns or 0 for each in self.lines) >= self.limits.reconnect_ns

    def _end(self) -> None:
        """End the connection with a reset, not a polite close: a device must not keep a dead session."""
        transport, self.transport = self.transport, None
        if transport is not None:
            self.connections_lost += 1
            reset(transport)

    def _reset(self, reason: str) -> None:
        """Give the connection up."""
        self._end()
        self._fail_all()
        if self.state is not LineState.CLOSED:
            self._went_down(reason, is_first=True)

    def _renew(self) -> None:
        """Begin a new connection for the sake of what the old one might still bring; those that wait may go on."""
        self._end()
        self._rested_ns = self.now_ns()
        if self.state is not LineState.CLOSED:
            self.wake()
        self._lose_asked()

    def _fail_all(self) -> None:
        self._lose_asked()
        for line in self.lines:
            line.fail_waiting(NotSent.NOT_CONNECTED)

    def _lose_asked(self) -> None:
        """What was under way is lost."""
        now_ns = self.now_ns()
        outcomes = self._session.link_lost(now_ns)
        for line in self.lines:
            line.connection_ended()
        for outcome in outcomes:
            job = cast("Job | None", outcome.tag)
            if job is not None:
                if self.is_shared:
                    job.line.count(outcome)
                job.done(outcome)

    def _went_down(self, reason: str, *, is_first: bool, is_silent: bool = False) -> None:
        """Wait before the next attempt: jittered so that many spread, and growing with each that brought no answer.

        What grows is the time from one attempt to the next: where the one before took long, the wait need not be. An
        attempt that nobody answered at all cost the device nothing, and tells at once when the way is free again: it is
        repeated without growing waits.
        """
        limits, budget = self.limits, self._budget
        doublings = 0 if is_silent and budget.per_hour is None else min(max(self._attempts - 1, 0), 16)
        longest_ns = budget.longest_wait_ns(limits.reconnect_ns_max)
        share, now_ns = self._rng.uniform(0.5, 1.0), self.now_ns()
        interval_ns = int(min(longest_ns, limits.reconnect_ns << doublings) * share)
        wait_ns = max(int(limits.reconnect_ns * share), self._began_ns + interval_ns - now_ns)
        needed_ns = budget.wait_ns(now_ns)
        is_used_up = needed_ns > wait_ns
        if is_used_up:
            wait_ns = needed_ns
            reason = f"all {budget.per_hour} connects of the hour are used up; before that: {reason}"
        self._schedule_connect(wait_ns)
        self.reason = reason
        if is_first or (is_used_up and not self._is_told_used_up):
            for line in self.lines:
                line.told(False, reason)
        self._is_told_used_up = is_used_up

    async def close(self) -> None:
        """End the link for good."""
        if self.state is LineState.CLOSED:
            return
        self.state = LineState.CLOSED
        for timer in (self._timer, self._pace_timer, self._connect_timer, self._doubt_timer, self._idle_timer):
            if timer is not None:
                timer.cancel()
        self._timer = self._pace_timer = self._connect_timer = self._doubt_timer = self._idle_timer = None
        if self._connecting is not None and not self._connecting.done():
            self._connecting.cancel()
            await asyncio.gather(self._connecting, return_exceptions=True)
        transport, self.transport = self.transport, None
        if transport is not None:
            if self._session.in_flight or not self._answered:
                # Nobody answers: the device may hold the session for long if nobody tells it in a word.
                reset(transport)
            else:
                transport.close()
        self._fail_all()


def _nothing(_outcome: Outcome | NotSent) -> None:
    """Nobody waits for what only kept a connection in use."""
