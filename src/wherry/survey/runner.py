"""Carries out what a procedure asks for, on any network and on its event loop's own time.

One connection, one request at a time (but for a burst), never faster than the pace, and every frame through the guard.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from typing import Final, cast

from wherry.clock import NS_PER_S, LoopClock
from wherry.errors import LinkError
from wherry.limits import IN_FLIGHT_MAX
from wherry.plan.model import Framing
from wherry.protocol.outcome import Faulty, Lost, Outcome, Refusal, Reply, TimedOut
from wherry.protocol.prepared import Prepared
from wherry.protocol.session import ClientSession
from wherry.protocol.tolerance import ID_TOLERANCES, Tolerance
from wherry.survey import guard
from wherry.survey.asking import (
    NOTHING,
    Answer,
    Ask,
    Burst,
    Doors,
    Exchange,
    Kind,
    Pace,
    Phase,
    Procedure,
    R,
    Rest,
    Tolerate,
)
from wherry.transports.network import Network, reset

CONNECTS_MAX: Final = 20
"""Connections that one survey makes at most: small devices lock up after some tens in an hour (common practice, no
source)."""
RECONNECT_NS: Final = 500_000_000
"""Least time from the end of a connection to the next."""
DOOR_WAIT_NS: Final = 200_000_000
"""How long a new connection is watched before it is asked on: a device that has no room for it closes it at once."""

Sent = Callable[[int, bytes], None]
"""Told of every frame as it leaves, with the instant in nanoseconds."""


class Wire(asyncio.Protocol):
    """One connection with its session."""

    def __init__(self, session: ClientSession, framing: Framing, clock: LoopClock, on_sent: Sent | None) -> None:
        self.session = session
        self.lost: str | None = None
        self.lost_ns = 0
        self.sent_ns = 0
        self._framing = framing
        self._clock = clock
        self._on_sent = on_sent
        self._transport: asyncio.Transport | None = None
        self._outcomes: dict[int, Outcome] = {}
        self._moved = asyncio.Event()

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self._transport = cast("asyncio.Transport", transport)

    def data_received(self, data: bytes) -> None:
        self._take(self.session.receive(data, self._clock.now_ns()))

    def connection_lost(self, exc: Exception | None) -> None:
        if self.lost is None:
            self.lost = "the device reset the connection" if exc is not None else "the device closed the connection"
            self.lost_ns = self._clock.now_ns()
        self._take(self.session.link_lost(self._clock.now_ns()))

    def _take(self, outcomes: Sequence[Outcome]) -> None:
        for each in outcomes:
            if isinstance(each.tag, int):
                self._outcomes[each.tag] = each
        self._moved.set()

    def close(self) -> None:
        """End the connection, with a reset: some devices keep a place for what was closed politely and not heard."""
        if self._transport is not None and self.lost is None:
            self.lost = "closed by the survey"
            self.lost_ns = self._clock.now_ns()
            reset(self._transport)

    async def settle(self) -> None:
        """Wait until the session may send: a serial line must be quiet after a reply that did not come."""
        while not self.session.can_send and self.lost is None and not self.session.must_reset:
            await self._wait()

    async def ask(self, prepared: Sequence[Prepared], timeout_ns: int) -> list[Answer]:
        """Send requests at once; what became of each."""
        now_ns = self._clock.now_ns()
        self._outcomes.clear()
        for tag, each in enumerate(prepared):
            if self.lost is not None:
                break
            frame = self.session.send(each, now_ns, now_ns + timeout_ns, tag)
            guard.check(frame, self._framing)
            if self._on_sent is not None:
                self._on_sent(now_ns, frame)
            assert self._transport is not None
            self._transport.write(frame)
            self.sent_ns = now_ns
        while self.session.in_flight and self.lost is None:
            await self._wait()
        return [self._answer(self._outcomes.get(tag)) for tag in range(len(prepared))]

    async def _wait(self) -> None:
        """Until something comes, or the next deadline of the session."""
        self._moved.clear()
        deadline_ns = self.session.next_deadline_ns
        timer = None if deadline_ns is None else self._clock.call_at(deadline_ns, self._moved.set)
        await self._moved.wait()
        if timer is not None:
            timer.cancel()
        self._take(self.session.time_passed(self._clock.now_ns()))

    async def rest(self, duration_ns: int) -> Answer:
        """Ask nothing; see whether the connection is closed."""
        end_ns = self._clock.now_ns() + duration_ns
        while self.lost is None and self._clock.now_ns() < end_ns:
            self._moved.clear()
            timer = self._clock.call_at(end_ns, self._moved.set)
            await self._moved.wait()
            timer.cancel()
        if self.lost is None:
            return Answer(Kind.DATA, elapsed_ns=end_ns - self.sent_ns, at_ns=end_ns)
        return Answer(Kind.LOST, why=self.lost, elapsed_ns=self.lost_ns - self.sent_ns, at_ns=self.lost_ns)

    def _answer(self, outcome: Outcome | None) -> Answer:
        now_ns = self._clock.now_ns()
        match outcome:
            case Reply():
                took_ns = outcome.received_ns - outcome.sent_ns
                return Answer(Kind.DATA, outcome.payload, elapsed_ns=took_ns, at_ns=outcome.received_ns)
            case Refusal():
                took_ns = outcome.received_ns - outcome.sent_ns
                return Answer(Kind.REFUSED, code=outcome.code, elapsed_ns=took_ns, at_ns=outcome.received_ns)
            case TimedOut():
                why = self.session.hint.removeprefix("; ")
                return Answer(Kind.SILENT, why=why, elapsed_ns=now_ns - outcome.sent_ns, at_ns=now_ns)
            case Faulty():
                return Answer(Kind.BROKEN, why=str(outcome.error), payload=outcome.error.data, at_ns=now_ns)
            case Lost() if self.lost is None:
                # What came cannot be told apart any more: a new connection is made for the next request.
                return Answer(Kind.BROKEN, why=outcome.reason, at_ns=now_ns)
            case Lost():
                return Answer(Kind.LOST, why=self.lost or outcome.reason, at_ns=now_ns)
            case _:
                return Answer(Kind.LOST, why=self.lost or "the connection is gone", at_ns=now_ns)


class Runner:
    """One survey's connection to ``host``. ``rate`` is the most requests a second, ``gap_ns`` the least time from an
    answer to the next request; it may be changed on the way. ``on_sent`` is told of every frame that leaves."""

    def __init__(
        self,
        network: Network,
        host: str,
        port: int,
        framing: Framing,
        *,
        rate: float,
        timeout_ns: int,
        on_sent: Sent | None = None,
        on_phase: Callable[[Phase], None] | None = None,
    ) -> None:
        assert rate > 0, rate
        self.requests = 0
        self.connects = 0
        self.gap_ns = 0
        self.tolerates: tuple[Tolerance, ...] = ()
        self._network = network
        self._host, self._port, self._framing = host, port, framing
        self._spacing_ns = round(NS_PER_S / rate)
        self._timeout_ns = timeout_ns
        self._on_sent = on_sent
        self._on_phase = on_phase
        self._clock = LoopClock(asyncio.get_running_loop())
        self._wire: Wire | None = None
        self._next_ns = self._clock.now_ns()
        self._answered_ns = self._next_ns
        self._began_ns = self._next_ns

    @property
    def elapsed_ns(self) -> int:
        """Time since it began."""
        return self._clock.now_ns() - self._began_ns

    async def drive(self, procedure: Procedure[R]) -> R:
        """Carry a procedure out to its end; what it returns. LinkError when the first connection cannot be made."""
        try:
            ask = next(procedure)
            while True:
                ask = procedure.send(await self.do(ask))
        except StopIteration as over:
            return cast("R", over.value)
        finally:
            procedure.close()

    async def do(self, ask: Ask) -> Answer:
        """Carry out one ask."""
        if isinstance(ask, Phase):
            if self._on_phase is not None:
                self._on_phase(ask)
            return NOTHING
        if isinstance(ask, Pace):
            self.gap_ns = ask.gap_ns
            return NOTHING
        if isinstance(ask, Tolerate):
            self.tolerates = ask.ways
            await self.close()
            return NOTHING
        answer = await self._do(ask)
        self._answered_ns = self._clock.now_ns()
        return Answer(
            answer.kind, answer.payload, answer.code, answer.why, answer.elapsed_ns, answer.at_ns - self._began_ns
        )

    async def _do(self, ask: Exchange | Burst | Rest | Doors) -> Answer:
        try:
            wire = await self._connected()
        except LinkError as failed:
            if not self.requests:
                raise
            return Answer(Kind.LOST, why=str(failed), at_ns=self._clock.now_ns())
        match ask:
            case Rest():
                return await wire.rest(ask.duration_ns)
            case Doors():
                return await self._doors(wire, ask)
            case Exchange():
                await self._pace(ask.gap_ns, 1)
                answers = await self._ask(wire, [ask.prepared])
                return answers[0]
            case Burst():
                await self._pace(None, len(ask.prepared))
                answers = await self._ask(wire, ask.prepared)
                good = bytes(int(each.is_data) for each in answers)
                worst = next((each for each in answers if not each.is_data), answers[0])
                return Answer(worst.kind, good, worst.code, worst.why, worst.elapsed_ns, worst.at_ns)

    async def _ask(self, wire: Wire, prepared: Sequence[Prepared]) -> list[Answer]:
        await wire.settle()
        self.requests += len(prepared)
        answers = await wire.ask(prepared, self._timeout_ns)
        self._answered_ns = self._clock.now_ns()
        if wire.session.must_reset or wire.session.is_mid_frame:
            # Of half a reply the rest may come with the next one, and nothing would fit any more.
            wire.close()
        return answers

    async def _pace(self, gap_ns: int | None, count: int) -> None:
        """Wait for the turn of the next request."""
        if gap_ns is None:
            due_ns = max(self._next_ns, self._answered_ns + self.gap_ns)
        else:
            due_ns = self._answered_ns + gap_ns
        await self._sleep_until(due_ns)
        self._next_ns = max(self._next_ns, self._clock.now_ns()) + count * self._spacing_ns

    async def _sleep_until(self, due_ns: int) -> None:
        now_ns = self._clock.now_ns()
        while now_ns < due_ns:
            await asyncio.sleep((due_ns - now_ns) / NS_PER_S)
            now_ns = self._clock.now_ns()

    # Connections.

    async def _connected(self) -> Wire:
        if self._wire is not None and self._wire.lost is not None:
            # The device must have heard that the last one has ended, or it has no room for another.
            await self._sleep_until(self._wire.lost_ns + RECONNECT_NS)
            self._wire = None
        if self._wire is None:
            self._wire = await self._connect()
        return self._wire

    async def _connect(self) -> Wire:
        if self.connects >= CONNECTS_MAX:
            raise LinkError(f"{self.connects} connections were made already, and more might lock the device up")
        self.connects += 1
        has_no_ids = self._framing is Framing.RTU or not ID_TOLERANCES.isdisjoint(self.tolerates)
        in_flight = 1 if has_no_ids else IN_FLIGHT_MAX
        session = ClientSession(
            framing=self._framing,
            in_flight_max=in_flight,
            is_shared=True,
            tolerates=self.tolerates,
            first_transaction=1 + 1000 * self.connects,
        )
        wire = Wire(session, self._framing, self._clock, self._on_sent)
        await self._network.connect(lambda: wire, self._host, self._port, self._timeout_ns / NS_PER_S)
        self._answered_ns = self._clock.now_ns()
        return wire

    async def _doors(self, first: Wire, ask: Doors) -> Answer:
        """Open connections until a new one does not work, or the first one does not any more."""
        wires, ended, works = [first], "", 1
        await self._all_work(wires, ask.prepared)
        try:
            while len(wires) < ask.most and not ended:
                try:
                    wires.append(await self._connect())
                except LinkError as failed:
                    ended = str(failed)
                    break
                await wires[-1].rest(DOOR_WAIT_NS)
                ended = await self._all_work(wires, ask.prepared)
                if not ended:
                    # One in the middle may have been closed because nothing was asked on it: it does not count.
                    works = max(works, sum(1 for each in wires if each.lost is None))
        finally:
            for each in wires[1:]:
                each.close()
        kind = Kind.DATA if first.lost is None else Kind.LOST
        return Answer(kind, code=works, why=ended, at_ns=self._clock.now_ns())

    async def _all_work(self, wires: Sequence[Wire], prepared: Prepared) -> str:
        """What does not work any more: the new one first, then the first. Empty when both do."""
        for which, wire in (("the new one", wires[-1]), ("the first one", wires[0]))[: len(wires)]:
            if wire.lost is None:
                await self._pace(None, 1)
                (answer,) = await self._ask(wire, [prepared])
                if answer.is_answer:
                    continue
            return f"{which} was {'closed' if wire.lost is not None else 'not answered'}"
        return ""

    async def close(self) -> None:
        """End the connection."""
        if self._wire is not None:
            self._wire.close()
        await asyncio.sleep(0)
