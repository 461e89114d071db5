"""A passive tap on the engine's connections: every request that leaves, every reply that comes, with its instant.

It reads frames by itself, with nothing of the protocol core, and tells an observer. What passes is never changed, and
no time passes here.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterable, Mapping
from typing import Any, Final, Protocol, cast

from wherry.plan.model import Connection, Controller, Framing, Plan
from wherry.transports.network import Listener, Network, ProtocolFactory

WAITING_MAX: Final = 64
"""Requests remembered on one connection: more than any line remembers as late."""
HEADS_MAX: Final = 4096
RTU_KEY: Final = b""
BROKEN: Final = b"?"
"""In place of the transaction of a frame whose head or check bytes are wrong."""
WRITES: Final = frozenset({0x05, 0x06, 0x0F, 0x10, 0x15, 0x16, 0x17})
"""The function codes that change something (Application Protocol V1.1b3, chapter 6)."""
ONE_ITEM: Final = frozenset({0x05, 0x06, 0x16})
EXCEPTION_BIT: Final = 0x80
CRC_BYTES: Final = 2
MBAP_HEAD: Final = 6
"""Transaction, protocol and length, before the unit."""


class Head:
    """What stands before the data of a request, read once for all requests that begin so."""

    __slots__ = ("address", "count", "data_at", "function", "is_write", "parts", "reply_bytes", "unit")

    def __init__(self, unit: int, pdu: bytes) -> None:
        self.unit = unit
        self.function = function = pdu[0]
        self.is_write = function in WRITES
        has_place = function in WRITES or function in (1, 2, 3, 4)
        self.address = int.from_bytes(pdu[1:3], "big") if has_place else 0
        self.count = 0
        if has_place:
            self.count = 1 if function in ONE_ITEM else int.from_bytes(pdu[3:5], "big")
        self.data_at = 6 if function in (0x0F, 0x10) else 3
        """Where the data of a write begins in its PDU."""
        self.reply_bytes = reply_bytes(function, self.count)
        """Length of the right reply's PDU; 0 where it may be any."""
        self.parts: Any = None
        """Room for what an observer makes of it."""

    @property
    def is_bits(self) -> bool:
        """Whether it is about coils or discrete inputs."""
        return self.function in (1, 2, 5, 0x0F)


def reply_bytes(function: int, count: int) -> int:
    """Length of the right reply's PDU (Application Protocol V1.1b3, chapter 6)."""
    if function in (1, 2):
        return 2 + (count + 7) // 8
    if function in (3, 4):
        return 2 + 2 * count
    return {0x05: 5, 0x06: 5, 0x0F: 5, 0x10: 5, 0x16: 7}.get(function, 0)


def identification_bytes(pdu: bytes) -> int:
    """Length of an answer to function 2B/0E, from its objects (6.21); more than has come while it is not known."""
    size = 7
    for _ in range(pdu[6] if len(pdu) > 6 else 1):
        size += 2 + (pdu[size + 1] if len(pdu) > size + 1 else len(pdu))
    return size


class Ask:
    """One request as it left. ``index`` counts the requests of the run, ``deadline_ns`` is when it has timed out."""

    __slots__ = ("at_ns", "controller", "deadline_ns", "head", "index", "is_over", "pdu", "puts", "statuses")

    def __init__(self, at_ns: int, controller: Controller, head: Head, pdu: bytes, index: int) -> None:
        self.at_ns = at_ns
        self.controller = controller
        self.deadline_ns = at_ns + controller.limits.timeout_ns
        self.head = head
        self.pdu = pdu
        self.index = index
        self.is_over = False
        """Answered, rightly or not."""
        self.puts: Any = ()
        self.statuses: Any = ()


class Observer(Protocol):
    """What a tap tells, in the order in which it happens."""

    def connecting(self, controllers: tuple[Controller, ...], at_ns: int) -> None:
        """A connection is tried."""

    def failed(self, controllers: tuple[Controller, ...], at_ns: int) -> None:
        """It could not be made."""

    def opened(self, link: Link, at_ns: int) -> None:
        """It is there."""

    def closed(self, link: Link, at_ns: int) -> None:
        """It is over, from either side."""

    def asked(self, link: Link, ask: Ask) -> None:
        """A request has left."""

    def answered(self, ask: Ask, pdu: bytes, at_ns: int) -> None:
        """A right reply has come."""

    def refused(self, ask: Ask, code: int, at_ns: int) -> None:
        """An exception response has come."""

    def ill(self, link: Link, ask: Ask | None, pdu: bytes, at_ns: int, why: str) -> None:
        """A reply has come that answers nothing. ``ask``: what it claims to answer."""


class TapNetwork:
    """A network with a tap on every connection that is made over it. ``instant`` tells the time without taking any."""

    def __init__(self, network: Network, plan: Plan, observer: Observer, instant: Callable[[], int]) -> None:
        self._network = network
        self.observer = observer
        self.instant = instant
        self.request_count = 0
        self.heads: dict[tuple[str, bytes], Head] = {}
        self._places: dict[tuple[str, int], list[Controller]] = {}
        used = {name for each in plan.putting for name in (each.source, each.destination)}
        for each in plan.controllers:
            # One that nothing is carried from or to is not connected to, and has no say in how others are.
            if each.name in used:
                self._places.setdefault((each.host, each.port), []).append(each)

    async def connect(self, factory: ProtocolFactory, host: str, port: int, timeout_s: float) -> asyncio.Transport:
        """As ``Network.connect``."""
        controllers = tuple(self._places.get((host, port), ()))
        self.observer.connecting(controllers, self.instant())
        link = Link(self, factory, controllers)
        try:
            await self._network.connect(lambda: link, host, port, timeout_s)
        except BaseException:
            self.observer.failed(controllers, self.instant())
            raise
        assert link.transport is not None
        return link.transport

    async def serve(self, factory: ProtocolFactory, host: str, port: int) -> Listener:
        """As ``Network.serve``."""
        return await self._network.serve(factory, host, port)

    def head(self, controller: Controller, unit: int, pdu: bytes) -> Head:
        """The head of a request, from memory where it was seen before."""
        key = (controller.name, bytes((unit,)) + pdu[: 3 if pdu[0] in ONE_ITEM else 5])
        head = self.heads.get(key)
        if head is None:
            if len(self.heads) >= HEADS_MAX:
                self.heads.clear()
            head = self.heads[key] = Head(unit, pdu)
        return head


class Link(asyncio.Protocol):
    """One tapped connection. It stands between the engine and the transport, in both directions."""

    def __init__(self, tap: TapNetwork, factory: ProtocolFactory, controllers: Iterable[Controller]) -> None:
        self.tap = tap
        self.controllers = tuple(controllers)
        self.transport: _Transport | None = None
        self.waiting: dict[bytes, Ask] = {}
        self.is_open = False
        self.last_answer_ns: int | None = None
        self._is_spoilt = False
        self.was_clean = False
        """Whether it was closed politely, while nothing was asked, by the peer or as the plan says."""
        self.is_rtu = any(each.framing is Framing.RTU for each in self.controllers)
        self._tolerates = frozenset(word.value for each in self.controllers for word in each.tolerate)
        self._units: Mapping[int, Controller] = {each.unit: each for each in self.controllers}
        self._factory = factory
        self._inner: asyncio.Protocol = self
        self._data = b""

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self._inner = self._factory()
        self.transport = _Transport(cast("asyncio.Transport", transport), self)
        self.is_open = True
        self.tap.observer.opened(self, self.tap.instant())
        self._inner.connection_made(self.transport)

    def connection_lost(self, exc: Exception | None) -> None:
        self.was_clean = exc is None and not self.in_flight(self.tap.instant())
        self.over()
        self._inner.connection_lost(exc)

    def put_down(self) -> None:
        """The engine closes it politely, which it may do while nothing is asked where the plan says so."""
        limits = [each.limits for each in self.controllers]
        may = any(each.idle_ns or each.connection is Connection.PER_EXCHANGE for each in limits)
        self.was_clean = may and (self._is_spoilt or not self.in_flight(self.tap.instant()))
        self.over()

    def over(self) -> None:
        """Closed from either side."""
        if self.is_open:
            self.is_open = False
            self.tap.observer.closed(self, self.tap.instant())

    def sent(self, frame: bytes) -> None:
        """The engine has sent a frame."""
        tap = self.tap
        if self.is_rtu:
            key, unit, pdu = RTU_KEY, frame[0], frame[1:-CRC_BYTES]
            self._data = b""  # what came before a request is no answer to it
        else:
            key, unit, pdu = frame[:2], frame[MBAP_HEAD], frame[MBAP_HEAD + 1 :]
        controller = self._units.get(unit) or self.controllers[0]
        tap.request_count += 1
        self._is_spoilt = False
        ask = Ask(tap.instant(), controller, tap.head(controller, unit, pdu), pdu, tap.request_count)
        waiting = self.waiting
        waiting.pop(key, None)
        waiting[key] = ask
        if len(waiting) > WAITING_MAX:
            del waiting[next(iter(waiting))]
        tap.observer.asked(self, ask)

    def data_received(self, data: bytes) -> None:
        # One at a time, whatever comes is taken for the answer, and ends what it was to answer.
        self._is_spoilt = self.is_rtu
        if self._data:
            self._data += data
        else:
            self._data = data
        while True:
            frame = self._next_rtu() if self.is_rtu else self._next()
            if frame is None:
                break
            self._judge(*frame)
        self._inner.data_received(data)

    def _next(self) -> tuple[bytes, int, bytes] | None:
        data = self._data
        if len(data) < MBAP_HEAD + 2:
            return None
        stop = MBAP_HEAD + (data[4] << 8 | data[5])
        if len(data) < stop:
            return None
        self._data = data[stop:]
        if data[2] or data[3]:
            return BROKEN, data[MBAP_HEAD], data[MBAP_HEAD + 1 : stop]
        return data[:2], data[MBAP_HEAD], data[MBAP_HEAD + 1 : stop]

    def _next_rtu(self) -> tuple[bytes, int, bytes] | None:
        data, ask = self._data, self.waiting.get(RTU_KEY)
        if len(data) < 5 or ask is None:
            return None
        pdu_bytes = ask.head.reply_bytes or identification_bytes(data[1:])
        size = 5 if data[1] & EXCEPTION_BIT else pdu_bytes + 1 + CRC_BYTES
        if len(data) < size:
            return None
        self._data = data[size:]
        if crc(data[: size - CRC_BYTES]) != data[size - CRC_BYTES : size]:
            return BROKEN, data[0], data[1 : size - CRC_BYTES]
        return RTU_KEY, data[0], data[1 : size - CRC_BYTES]

    def _judge(self, key: bytes, unit: int, pdu: bytes) -> None:
        observer, now_ns = self.tap.observer, self.tap.instant()
        if key == BROKEN and self.is_rtu:
            # With one request at a time this was to be its answer, and no other comes.
            self.waiting.clear()
        ask = self.waiting.get(key)
        if ask is None and self._tolerates and len(self.waiting) == 1:
            # The plan takes it for the answer to the only request that waits.
            (asked_key,) = self.waiting
            if is_tolerated(self._tolerates, asked_key, key):
                key, ask = asked_key, self.waiting[asked_key]
        if ask is None or not pdu:
            observer.ill(self, ask, pdu, now_ns, "nothing asked for it")
            return
        if now_ns >= ask.deadline_ns:
            observer.ill(self, ask, pdu, now_ns, "it came after its time-out")
            return
        why = misfit(ask, ask.head.unit if "unit id" in self._tolerates else unit, pdu)
        del self.waiting[key]
        ask.is_over = True
        if why:
            observer.ill(self, ask, pdu, now_ns, why)
            return
        self.last_answer_ns = now_ns
        if pdu[0] & EXCEPTION_BIT:
            observer.refused(ask, pdu[1], now_ns)
        else:
            observer.answered(ask, pdu, now_ns)

    def in_flight(self, now_ns: int) -> int:
        """Requests that wait for their reply."""
        return sum(now_ns < each.deadline_ns for each in self.waiting.values())

    def eof_received(self) -> bool | None:
        return self._inner.eof_received()

    def pause_writing(self) -> None:
        self._inner.pause_writing()

    def resume_writing(self) -> None:
        self._inner.resume_writing()


def is_tolerated(tolerates: Iterable[str], asked: bytes, came: bytes) -> bool:
    """Whether the plan takes a reply with one transaction id for the answer to a request with another."""
    forms = {
        "transaction id 0": b"\0\0",
        "only transaction id 0": b"\0\0",
        "transaction id swapped": asked[::-1],
        "transaction id plus one": (int.from_bytes(asked, "big") + 1 & 0xFFFF).to_bytes(2, "big"),
    }
    return any(forms.get(each) == came for each in tolerates)


def misfit(ask: Ask, unit: int, pdu: bytes) -> str:
    """What does not fit about a reply; "" for a right one (Application Protocol V1.1b3, chapter 6)."""
    head = ask.head
    if unit != head.unit:
        return f"unit {unit} answered for unit {head.unit}"
    if pdu[0] == head.function | EXCEPTION_BIT:
        return "" if len(pdu) == 2 else "its length does not fit"
    if pdu[0] != head.function:
        return f"function {pdu[0]:02x} answered function {head.function:02x}"
    if head.reply_bytes and len(pdu) != head.reply_bytes:
        return "its length does not fit"
    if head.is_write:
        return "" if pdu[1:5] == ask.pdu[1:5] else "it echoes another place"
    if head.reply_bytes and pdu[1] != len(pdu) - 2:
        return "its byte count does not fit"
    return ""


def crc(data: bytes) -> bytes:
    """The check bytes of a frame on a serial line, computed bit by bit (Modbus over serial line V1.02, 6.2.2)."""
    register = 0xFFFF
    for byte in data:
        register ^= byte
        for _ in range(8):
            register = register >> 1 ^ (0xA001 if register & 1 else 0)
    return register.to_bytes(2, "little")


class _Transport(asyncio.Transport):
    """Passes everything on."""

    def __init__(self, transport: asyncio.Transport, link: Link) -> None:
        super().__init__()
        self._transport = transport
        self._link = link

    def write(self, data: bytes | bytearray | memoryview) -> None:
        self._link.sent(bytes(data))
        self._transport.write(data)

    def close(self) -> None:
        self._link.put_down()
        self._transport.close()

    def abort(self) -> None:
        self._link.over()
        self._transport.abort()

    def is_closing(self) -> bool:
        return self._transport.is_closing()

    def get_extra_info(self, name: str, default: Any = None) -> Any:
        return self._transport.get_extra_info(name, default)
