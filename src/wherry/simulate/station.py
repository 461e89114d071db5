"""The network side of simulated controllers: one address that answers for one unit, or for several behind a gateway.

It serves one request at a time, in the order in which they come, whatever the connection: a small controller has one
processor, and a gateway has one serial line behind it.
"""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Callable, Sequence
from functools import partial
from typing import TYPE_CHECKING, Final, NamedTuple, cast

from wherry.clock import NS_PER_MS, NS_PER_S, LoopClock
from wherry.errors import LocalError
from wherry.limits import UNIT_BROADCAST
from wherry.protocol.functions import EXCEPTION_BIT, ExceptionCode, Framing
from wherry.protocol.server import Indication, ServerSession
from wherry.simulate.device import Door, Fault
from wherry.transports.network import Listener, Network, reset

if TYPE_CHECKING:
    from wherry.simulate.controller import SimulatedController

QUEUE_MAX: Final = 256
"""Requests of one connection that wait; then nothing more is read from it until it has got its answers."""
NO_FAULT: Final = Fault()
HOUR_NS: Final = 3600 * NS_PER_S


class Station:
    """One address with its controllers. LocalError when they cannot share it."""

    def __init__(self, controllers: Sequence[SimulatedController]) -> None:
        assert controllers
        self.controllers = tuple(controllers)
        self._units = {each.controller.unit: each for each in controllers}
        framings = {each.controller.framing for each in controllers}
        names = " and ".join(each.controller.name for each in controllers)
        if len(self._units) < len(controllers):
            raise LocalError(f"{names} have the same address and the same unit id: give each a unit id of its own")
        if len(framings) > 1:
            raise LocalError(f"{names} have the same address but not the same framing: it can only be one")
        self.framing: Framing = framings.pop()
        self.connections_max = max(each.controller.limits.connections for each in controllers)
        self.host = ""
        self.port = 0
        self.open: dict[_Served, None] = {}
        self.is_down = False
        self.door = Door()
        self._held_until_ns: list[int] = []
        self._connects_ns: deque[int] = deque()
        self.connects_in_an_hour_max = 0
        self._network: Network | None = None
        self._listener: Listener | None = None
        self._queue: deque[tuple[_Served, Indication]] = deque()
        self._is_busy = False
        self._clock: LoopClock | None = None

    @property
    def clock(self) -> LoopClock:
        """The time of the loop it was started on."""
        assert self._clock is not None, "the station has been started"
        return self._clock

    async def start(self, network: Network, host: str, port: int) -> None:
        """Serve. LinkError when the address cannot be had."""
        self._clock = LoopClock(asyncio.get_running_loop())
        self._network = network
        self.door = next((each.door for each in self.controllers if each.door is not None), self.door)
        self.connections_max = self.door.connections_max or self.connections_max
        self._listener = await network.serve(lambda: _Served(self), host, port)
        self.host, self.port = self._listener.host, self._listener.port
        self.is_down = False
        for each in self.controllers:
            each.started(self)

    async def stop(self) -> None:
        """Close every connection and accept no more."""
        self._close_listener()
        for served in list(self.open):
            served.link.close()
        self._queue.clear()
        # Let the connections hear of it before whoever waits goes on, perhaps to close the event loop.
        for _ in range(3):
            await asyncio.sleep(0)

    def kill(self) -> None:
        """Everything ends at once: connections are reset, new ones refused, what waits is forgotten."""
        self.is_down = True
        self._close_listener()
        for served in list(self.open):
            reset(served.link)
        self._queue.clear()
        self._held_until_ns.clear()
        self._connects_ns.clear()
        self.door.is_locked = False

    def lose_connections(self) -> None:
        """Every connection dies by itself, as by an error of the device's."""
        for served in list(self.open):
            self.ended(served, was_reset=True)
            reset(served.link)

    async def revive(self) -> None:
        """Serve again at the same address."""
        assert self._network is not None
        if self.is_down:
            self.is_down = False
            self._listener = await self._network.serve(lambda: _Served(self), self.host, self.port)

    def _close_listener(self) -> None:
        if self._listener is not None:
            self._listener.close()
            self._listener = None

    # Connections.

    def admit(self, served: _Served) -> bool:
        """Whether one more connection may stay."""
        now_ns = self.clock.now_ns()
        self._note_connect(now_ns)
        self._held_until_ns = [each for each in self._held_until_ns if each > now_ns]
        is_free = len(self.open) + len(self._held_until_ns) < self.connections_max
        is_welcome = self.door.is_locked or (is_free and self._listener is not None)
        if is_welcome:
            self.open[served] = None
            if self.door.idle_ns is not None:
                self._watch_idle(served, now_ns)
        for each in self.controllers:
            counts = each.counts
            if is_welcome:
                counts.connections += 1
                counts.connections_open_max = max(counts.connections_open_max, len(self.open))
            else:
                counts.connections_refused += 1
        return is_welcome

    def _note_connect(self, now_ns: int) -> None:
        most = self.door.connects_per_hour_max
        if most is None:
            return
        self._connects_ns.append(now_ns)
        while self._connects_ns[0] <= now_ns - HOUR_NS:
            self._connects_ns.popleft()
        self.connects_in_an_hour_max = max(self.connects_in_an_hour_max, len(self._connects_ns))
        self.door.is_locked = self.door.is_locked or len(self._connects_ns) > most

    def _watch_idle(self, served: _Served, since_ns: int) -> None:
        assert self.door.idle_ns is not None
        at_ns = since_ns + self.door.idle_ns

        def look() -> None:
            if served.is_lost or self.door.is_locked:
                return
            quiet_since_ns = max(since_ns, served.asked_ns)
            if quiet_since_ns > since_ns or served.waiting:
                self._watch_idle(served, max(quiet_since_ns, since_ns + NS_PER_MS))
            else:
                served.drop()

        self._call_at(at_ns, look)

    def ended(self, served: _Served, *, was_reset: bool) -> None:
        """A connection is over."""
        self.open.pop(served, None)
        if was_reset and self.door.held_ns:
            self._held_until_ns.append(self.clock.now_ns() + self.door.held_ns)

    # Requests.

    def take(self, served: _Served, request: Indication) -> None:
        """A request has come in whole."""
        if self.door.is_locked:
            return
        device = self._units.get(request.unit)
        if device is not None:
            device.arrived(request, served.waiting, served.last_answer_ns)
        served.asked_ns = self.clock.now_ns()
        served.waiting += 1
        if self.door.queue_max is not None and len(self._queue) >= self.door.queue_max:
            pdu = bytes((request.pdu[0] | EXCEPTION_BIT, ExceptionCode.SERVER_DEVICE_BUSY))
            if device is not None:
                device.counts.exceptions[ExceptionCode.SERVER_DEVICE_BUSY] += 1
            served.send(served.session.encode(request, pdu), True)
            return
        self._queue.append((served, request))
        if not self._is_busy:
            self._serve_next()

    def _serve_next(self) -> None:
        self._is_busy = True
        while self._queue:
            served, request = self._queue.popleft()
            now_ns = self.clock.now_ns()
            busy = self._begin(served, request, now_ns)
            if busy.until_ns > now_ns:
                self._call_at(busy.until_ns, partial(self._finish, busy))
                return
            served.send(busy.data, busy.is_answered)
        self._is_busy = False

    def _finish(self, busy: _Busy) -> None:
        busy.served.send(busy.data, busy.is_answered)
        self._serve_next()

    def _call_at(self, at_ns: int, action: Callable[[], None]) -> None:
        def call() -> None:
            # A loop with a coarse clock may call early.
            if self.clock.now_ns() < at_ns:
                self._call_at(at_ns, action)
            else:
                action()

        self.clock.call_at(at_ns, call)

    def _begin(self, served: _Served, request: Indication, now_ns: int) -> _Busy:
        """Carry out one request now; what is returned says until when that takes and what is sent then."""
        device = self._units.get(request.unit)
        if device is None:
            return self._begin_for_nobody(served, request, now_ns)
        if served.is_lost and self.door.answers_late and self.open:
            served = next(iter(self.open))
            served.waiting += 1
        if served.is_lost:
            device.counts.unanswered += 1
            return _Busy(now_ns, served)
        fault = device.fault_for(request) or NO_FAULT
        until_ns = now_ns + device.service_ns(request.pdu)
        pdu = device.carry_out(request, fault)
        if pdu is None or fault.is_silent or fault.closes:
            device.counts.unanswered += 1
            if fault.closes:
                self._call_at(until_ns + fault.delay_ns, served.drop)
            return _Busy(until_ns, served, is_answered=True)
        data = self._adu(served, request, pdu, fault)
        ready_ns = until_ns + fault.delay_ns
        if fault.repeats and not fault.repeat_ns:
            data *= 1 + fault.repeats
        elif fault.repeats:
            for number in range(fault.repeats):
                self._send_later(served, data, ready_ns + (1 + number) * fault.repeat_ns, False)
        if fault.joins_ns:
            self._call_at(until_ns, partial(served.keep, data))
            self._call_at(until_ns + fault.joins_ns, served.release)
            return _Busy(until_ns, served)
        if fault.split_ns is not None:
            for index in range(len(data) - 1):
                self._send_later(served, data[index : index + 1], ready_ns + index * fault.split_ns, False)
            until_ns = ready_ns + max(0, len(data) - 1) * fault.split_ns
            return _Busy(until_ns, served, data[-1:], is_answered=True)
        if fault.delay_ns and not fault.holds_up:
            self._send_later(served, data, ready_ns, True)
            return _Busy(until_ns, served)
        return _Busy(ready_ns, served, data, is_answered=True)

    def _send_later(self, served: _Served, data: bytes, at_ns: int, is_answered: bool) -> None:
        self._call_at(at_ns, lambda: served.send(data, is_answered))

    def _adu(self, served: _Served, request: Indication, pdu: bytes, fault: Fault) -> bytes:
        unit = request.unit if fault.unit is None else fault.unit
        transaction = (request.transaction + fault.transaction_shift) & 0xFFFF
        data = served.session.encode(Indication(transaction, unit, request.pdu), pdu)
        if fault.alter is not None:
            data = fault.alter(data)
        return data[: fault.truncate_bytes]

    def _begin_for_nobody(self, served: _Served, request: Indication, now_ns: int) -> _Busy:
        """A unit that is not here: a lone device keeps silent, a gateway says that it has no way there."""
        is_broadcast = request.unit == UNIT_BROADCAST and self.framing is Framing.RTU
        for each in self.controllers:
            if is_broadcast:
                each.carry_out_broadcast(request.pdu)
            else:
                each.counts.other_unit += 1
        answer = b""
        if len(self.controllers) > 1 and not is_broadcast:
            pdu = bytes((request.pdu[0] | EXCEPTION_BIT, ExceptionCode.GATEWAY_PATH_UNAVAILABLE))
            answer = served.session.encode(request, pdu)
        return _Busy(now_ns, served, answer, is_answered=True)


class _Busy(NamedTuple):
    """A request under way. ``is_answered``: with what is sent at the end, the client need not wait any more."""

    until_ns: int
    served: _Served
    data: bytes = b""
    is_answered: bool = False


class _Served(asyncio.Protocol):
    """One accepted connection."""

    def __init__(self, station: Station) -> None:
        self.station = station
        self.session = ServerSession(station.controllers[0].responder, framing=station.framing)
        self.waiting = 0
        self.last_answer_ns: int | None = None
        self.is_lost = False
        self.asked_ns = 0
        self._kept: list[bytes] = []
        self._is_paused = False
        self._transport: asyncio.Transport | None = None

    @property
    def link(self) -> asyncio.Transport:
        assert self._transport is not None
        return self._transport

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self._transport = cast("asyncio.Transport", transport)
        if not self.station.admit(self):
            self.is_lost = True
            self._transport.close()

    def data_received(self, data: bytes) -> None:
        if self.is_lost:
            return
        for request in self.session.take(data):
            self.station.take(self, request)
        if self.session.must_reset:
            self.link.abort()
        elif self.waiting > QUEUE_MAX and not self._is_paused:
            self._is_paused = True
            self.link.pause_reading()

    def send(self, data: bytes, is_answered: bool) -> None:
        """Send (a part of) a reply; ``is_answered`` with the last."""
        if self.is_lost:
            return
        answered = int(is_answered)
        if self._kept:
            answered += len(self._kept)
            data = b"".join(self._kept) + data
            self._kept.clear()
        if data:
            self.link.write(data)
        if answered:
            self.waiting -= answered
            self.last_answer_ns = self.station.clock.now_ns()
            if self._is_paused and self.waiting <= QUEUE_MAX // 2:
                self._is_paused = False
                self.link.resume_reading()

    def keep(self, data: bytes) -> None:
        """A reply that waits for the next one."""
        self._kept.append(data)

    def release(self) -> None:
        """It has waited long enough."""
        if self._kept:
            self.send(b"", False)

    def drop(self) -> None:
        """Close in place of an answer."""
        if not self.is_lost:
            self.link.close()

    def connection_lost(self, exc: Exception | None) -> None:
        self.is_lost = True
        if self in self.station.open:
            self.station.ended(self, was_reset=exc is not None)
