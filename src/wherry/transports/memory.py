"""Connections in memory: pairs of asyncio transports whose bytes travel on the running loop's own time.

They behave as asyncio's socket transports do (what is written after ``close`` is ignored, ``connection_lost`` comes
once and later, a full buffer pauses the writer), so that the same protocols run on both. What happens on the way is
decided by a ``LinkBehaviour`` for each direction; nothing here waits on the real clock or opens a socket.
"""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from random import Random
from typing import Any, Final

from wherry.clock import LoopClock
from wherry.errors import LocalError
from wherry.transports.behaviour import DelayNs, LinkBehaviour, draw_ns
from wherry.transports.network import Listener, ProtocolFactory, in_use, refused, timed_out

HIGH_WATER_BYTES: Final = 65536
"""Bytes under way at which a writer is paused, as asyncio's default."""
FIRST_FREE_PORT: Final = 49152
"""Where free ports begin (RFC 6335, section 6: dynamic ports)."""

_EVERYWHERE: Final = ("", "0.0.0.0", "::")


@dataclass(slots=True)
class Route:
    """How connections to one address behave. What is changed inside a behaviour applies to open connections as well."""

    to_server: LinkBehaviour = field(default_factory=LinkBehaviour)
    to_client: LinkBehaviour = field(default_factory=LinkBehaviour)
    connect_ns: DelayNs = 0
    """Time until a connection is made."""
    refuses: bool = False
    hangs: bool = False
    """A connection is neither made nor refused."""


class MemoryNetwork:
    """A network in memory. ``rng`` decides what is left to chance; without one the same chance every time.

    ``on_connect`` is called with every new connection before anybody hears of it, to give it behaviours of its own.
    """

    def __init__(self, rng: Random | None = None) -> None:
        self.rng = rng or Random(0)
        self.on_connect: Callable[[Connection], None] | None = None
        self.attempts = 0
        self._routes: dict[tuple[str, int], Route] = {}
        self._listeners: dict[tuple[str, int], MemoryListener] = {}
        self._open: dict[Connection, None] = {}
        self._client_port = FIRST_FREE_PORT

    def route(self, host: str, port: int) -> Route:
        """How connections to this address behave, to be changed at will."""
        return self._routes.setdefault((_plain(host), port), Route())

    def connections(self, host: str | None = None, port: int | None = None) -> list[Connection]:
        """The open connections (to one address), oldest first."""
        return [
            each
            for each in self._open
            if (host is None or each.host == _plain(host)) and (port is None or each.port == port)
        ]

    async def connect(self, factory: ProtocolFactory, host: str, port: int, timeout_s: float) -> asyncio.Transport:
        """As ``Network.connect``."""
        self.attempts += 1
        route = self.route(host, port)
        wait_s = draw_ns(route.connect_ns, self.rng) / 1e9
        if route.hangs or wait_s > timeout_s:
            await asyncio.sleep(timeout_s)
            raise timed_out(host, port, timeout_s)
        if wait_s:
            await asyncio.sleep(wait_s)
        listener = self._listener_at(_plain(host), port)
        if listener is None or route.refuses:
            raise refused(host, port)
        connection = Connection(self, listener, factory(), route, _plain(host), port, self._next_client_port())
        if self.on_connect is not None:
            self.on_connect(connection)
        self._open[connection] = None
        connection.client.begin()
        # The server hears of it in a turn of its own, as it does on a real network, and before any byte.
        asyncio.get_running_loop().call_soon(connection.server.begin)
        return connection.client

    async def serve(self, factory: ProtocolFactory, host: str, port: int) -> Listener:
        """As ``Network.serve``."""
        host = _plain(host)
        if port == 0:
            port = FIRST_FREE_PORT
            while (host, port) in self._listeners:
                port += 1
        if (host, port) in self._listeners:
            raise in_use(host, port)
        listener = MemoryListener(self, factory, host, port)
        self._listeners[host, port] = listener
        return listener

    def _listener_at(self, host: str, port: int) -> MemoryListener | None:
        for each in (host, *_EVERYWHERE):
            listener = self._listeners.get((each, port))
            if listener is not None:
                return listener
        return None

    def _next_client_port(self) -> int:
        self._client_port = self._client_port + 1 if self._client_port < 65535 else FIRST_FREE_PORT
        return self._client_port


def _plain(host: str) -> str:
    return "127.0.0.1" if host == "localhost" else host


class MemoryListener:
    """A place in a ``MemoryNetwork`` where connections are accepted."""

    def __init__(self, network: MemoryNetwork, factory: ProtocolFactory, host: str, port: int) -> None:
        self._network = network
        self.factory = factory
        self.host = host
        self.port = port

    def close(self) -> None:
        """Accept no more."""
        if self._network._listeners.get((self.host, self.port)) is self:
            del self._network._listeners[self.host, self.port]


class Connection:
    """One connection: the two transports, and the direction from each to the other."""

    def __init__(
        self,
        network: MemoryNetwork,
        listener: MemoryListener,
        client_protocol: asyncio.Protocol,
        route: Route,
        host: str,
        port: int,
        client_port: int,
    ) -> None:
        self.host = host
        self.port = port
        self._network = network
        client_name, server_name = ("127.0.0.1", client_port), (host, port)
        self.client = MemoryTransport(self, client_protocol, {"sockname": client_name, "peername": server_name})
        self.server = MemoryTransport(self, listener.factory(), {"sockname": server_name, "peername": client_name})
        self.to_server = Direction(self, self.client, self.server, route.to_server, network.rng)
        self.to_client = Direction(self, self.server, self.client, route.to_client, network.rng)
        self.client.out, self.server.out = self.to_server, self.to_client

    def reset(self) -> None:
        """Both ends lose the connection with an error, and what is under way is lost."""
        for direction in (self.to_server, self.to_client):
            direction.clear()
        for end in (self.client, self.server):
            end.lose(ConnectionResetError("connection reset by peer"))

    def hold(self) -> None:
        """Unplug the cable: what is written stays under way, in both directions, until ``release``."""
        self.to_server.hold()
        self.to_client.hold()

    def release(self) -> None:
        """Plug the cable in again: what was held arrives now, however late it is."""
        self.to_server.release()
        self.to_client.release()

    def ended(self) -> None:
        """One end is done; when both are, the network forgets the connection."""
        if self.client.is_lost and self.server.is_lost:
            self._network._open.pop(self, None)


class _Mark:
    """What travels besides bytes."""

    __slots__ = ()


EOF: Final = _Mark()
RESET: Final = _Mark()

_Item = tuple[int, bytes | _Mark]


class Direction:
    """Bytes on their way from one end to the other. ``behaviour`` may be replaced at any time."""

    def __init__(
        self,
        connection: Connection,
        sender: MemoryTransport,
        receiver: MemoryTransport,
        behaviour: LinkBehaviour,
        rng: Random,
    ) -> None:
        self.behaviour = behaviour
        self.bytes_under_way = 0
        self.writes = 0
        self._connection = connection
        self._sender = sender
        self._receiver = receiver
        self._rng = rng
        self._loop = asyncio.get_running_loop()
        self._clock = LoopClock(self._loop)
        self._now_ns = self._clock.now_ns
        self._queue: deque[_Item] = deque()
        self._handle: asyncio.Handle | None = None
        self._strays: set[asyncio.TimerHandle] = set()
        self._last_ns = 0
        self._is_held = False

    def send(self, data: bytes) -> None:
        """Take bytes from the sender."""
        self.writes += 1
        behaviour = self.behaviour
        if behaviour.half_open:
            # Nobody acknowledges them, so they fill the sender's buffer for good.
            self.bytes_under_way += len(data)
            return
        if behaviour.is_plain and behaviour.keeps_order:
            # The usual case: it simply arrives, no sooner than what was sent before it.
            latency_ns = behaviour.latency_ns
            at_ns = self._now_ns() + (latency_ns if isinstance(latency_ns, int) else latency_ns(self._rng))
            if at_ns < self._last_ns:
                at_ns = self._last_ns
            self._last_ns = at_ns
            self.bytes_under_way += len(data)
            self._queue.append((at_ns, data))
            if self._handle is None:
                self._arm()
            return
        pieces = behaviour.pieces(data, self._rng)
        if pieces is None:
            self._loop.call_soon(self._connection.reset)
            return
        for delay_ns, part in pieces:
            self._post(delay_ns, part)

    def finish(self, mark: _Mark) -> None:
        """Send the end of the stream after everything that is under way."""
        if not self.behaviour.half_open:
            self._post(draw_ns(self.behaviour.latency_ns, self._rng), mark)

    def _post(self, delay_ns: int, item: bytes | _Mark) -> None:
        at_ns = self._now_ns() + delay_ns
        if isinstance(item, bytes):
            self.bytes_under_way += len(item)
            if not self.behaviour.keeps_order:
                self._post_alone(at_ns, item)
                return
        # No byte overtakes another of its direction.
        self._last_ns = at_ns = max(at_ns, self._last_ns)
        self._queue.append((at_ns, item))
        self._arm()

    def _post_alone(self, at_ns: int, data: bytes) -> None:
        def arrive() -> None:
            self._strays.discard(handle)
            self._queue.appendleft((at_ns, data))
            self._disarm()
            self._arm()

        handle = self._clock.call_at(at_ns, arrive)
        self._strays.add(handle)

    def _arm(self) -> None:
        if self._handle is not None or not self._queue or self._is_held or not self._receiver.takes:
            return
        at_ns = self._queue[0][0]
        if at_ns <= self._now_ns():
            self._handle = self._loop.call_soon(self._deliver)
        else:
            self._handle = self._clock.call_at(at_ns, self._deliver)

    def _disarm(self) -> None:
        if self._handle is not None:
            self._handle.cancel()
            self._handle = None

    def _deliver(self) -> None:
        """Give the receiver what is due. The first item is, or this would not have been called."""
        self._handle = None
        queue, receiver = self._queue, self._receiver
        now_ns = max(self._now_ns(), queue[0][0] if queue else 0)
        while queue and queue[0][0] <= now_ns and not self._is_held and receiver.takes:
            item = queue.popleft()[1]
            if not isinstance(item, bytes):
                receiver.end(item)
                continue
            if self.behaviour.joins:
                item = b"".join([item, *self._due_bytes(now_ns)])
            self.bytes_under_way -= len(item)
            receiver.take(item)
        if self._sender.is_writer_paused:
            self._sender.drained()
        if queue:
            self._arm()

    def _due_bytes(self, now_ns: int) -> Iterable[bytes]:
        while self._queue and self._queue[0][0] <= now_ns:
            item = self._queue[0][1]
            if not isinstance(item, bytes):
                return
            self._queue.popleft()
            yield item

    def clear(self) -> None:
        """Lose what is under way."""
        self._queue.clear()
        for handle in self._strays:
            handle.cancel()
        self._strays.clear()
        self._disarm()
        self.bytes_under_way = 0

    def hold(self) -> None:
        """Keep everything under way until ``release``."""
        self._is_held = True
        self._disarm()

    def release(self) -> None:
        """Deliver what was held, and go on as before."""
        self._is_held = False
        self._arm()

    def wake(self) -> None:
        """The receiver reads again."""
        self._arm()


class MemoryTransport(asyncio.Transport):
    """One end of a connection in memory."""

    out: Direction

    def __init__(self, connection: Connection, protocol: asyncio.Protocol, extra: dict[str, Any]) -> None:
        super().__init__(extra)
        self.connection = connection
        self._loop = asyncio.get_running_loop()
        self._protocol: asyncio.BaseProtocol = protocol
        self._is_begun = False
        self._is_closing = False
        self.is_lost = False
        self._has_ended = False  # no more bytes will be written
        self._is_paused = False
        self.is_writer_paused = False
        self._low = HIGH_WATER_BYTES // 4
        self._high = HIGH_WATER_BYTES

    def begin(self) -> None:
        """Tell the protocol that it is connected."""
        if self._is_closing:
            return
        self._is_begun = True
        self._call(self._protocol.connection_made, self)
        self._in.wake()

    @property
    def _in(self) -> Direction:
        connection = self.connection
        return connection.to_client if self is connection.client else connection.to_server

    # From the other end.

    @property
    def takes(self) -> bool:
        """Whether bytes may be given to this end now. An end that is closed takes them too: to answer with a reset."""
        return self._is_closing or (self._is_begun and not self._is_paused)

    def take(self, data: bytes) -> None:
        """Bytes have arrived."""
        if self._is_closing:
            # Nobody reads them here any more: the sender is told by a reset, as TCP does (RFC 9293, 3.6.1).
            self.out.finish(RESET)
            return
        assert isinstance(self._protocol, asyncio.Protocol)
        self._call(self._protocol.data_received, data)

    def end(self, mark: _Mark) -> None:
        """The other end has finished, or has reset the connection."""
        if mark is RESET:
            self.out.clear()
            self.lose(ConnectionResetError("connection reset by peer"))
            return
        if self._is_closing:
            return
        assert isinstance(self._protocol, asyncio.Protocol)
        if not self._call(self._protocol.eof_received):
            self.close()

    def drained(self) -> None:
        """Some of what was written has arrived."""
        if self.is_writer_paused and self.out.bytes_under_way <= self._low:
            self.is_writer_paused = False
            self._call(self._protocol.resume_writing)

    def lose(self, failure: Exception | None) -> None:
        """Tell the protocol, once and in a turn of its own, that the connection is over."""
        if self.is_lost:
            return
        self.is_lost = True
        self._is_closing = True
        self._loop.call_soon(self._tell_lost, failure)

    def _tell_lost(self, failure: Exception | None) -> None:
        if self._is_begun:
            self._call(self._protocol.connection_lost, failure)
        self.connection.ended()

    def _call(self, function: Callable[..., Any], *arguments: Any) -> Any:
        """Call into the protocol; its faults end the connection and are reported, as asyncio's transports do."""
        try:
            return function(*arguments)
        except Exception as fault:  # noqa: BLE001 - whatever the protocol raises
            self._loop.call_exception_handler(
                {
                    "message": f"fatal error: the protocol's {function.__name__} failed",
                    "exception": fault,
                    "transport": self,
                    "protocol": self._protocol,
                }
            )
            self.out.clear()
            self.out.finish(RESET)
            self.lose(fault)
            return True

    # asyncio.Transport.

    def write(self, data: bytes | bytearray | memoryview) -> None:
        if not isinstance(data, bytes | bytearray | memoryview):
            raise TypeError(f"data must be bytes, not {type(data).__name__}")
        if self._has_ended and not self._is_closing:
            raise RuntimeError("cannot write after write_eof")
        if self._is_closing or not data:
            return
        self.out.send(bytes(data))
        if not self.is_writer_paused and self.out.bytes_under_way > self._high:
            self.is_writer_paused = True
            self._call(self._protocol.pause_writing)

    def writelines(self, list_of_data: Iterable[bytes | bytearray | memoryview]) -> None:
        self.write(b"".join(list_of_data))

    def can_write_eof(self) -> bool:
        return True

    def write_eof(self) -> None:
        if not (self._is_closing or self._has_ended):
            self._has_ended = True
            self.out.finish(EOF)

    def close(self) -> None:
        if self._is_closing:
            return
        self._is_closing = True
        if not self._has_ended:
            self.out.finish(EOF)
        self._in.wake()
        self.lose(None)

    def abort(self) -> None:
        if self.is_lost:
            return
        self.out.clear()
        self.out.finish(RESET)
        self._in.clear()
        self.lose(None)

    def is_closing(self) -> bool:
        return self._is_closing

    def is_reading(self) -> bool:
        return not (self._is_paused or self._is_closing)

    def pause_reading(self) -> None:
        self._is_paused = True

    def resume_reading(self) -> None:
        if self._is_paused:
            self._is_paused = False
            self._in.wake()

    def set_write_buffer_limits(self, high: int | None = None, low: int | None = None) -> None:
        if high is None:
            high = HIGH_WATER_BYTES if low is None else 4 * low
        if low is None:
            low = high // 4
        if not 0 <= low <= high:
            raise LocalError(f"write buffer limits must be 0 <= low <= high, not low {low}, high {high}")
        self._low, self._high = low, high

    def get_write_buffer_limits(self) -> tuple[int, int]:
        return self._low, self._high

    def get_write_buffer_size(self) -> int:
        return self.out.bytes_under_way

    def set_protocol(self, protocol: asyncio.BaseProtocol) -> None:
        self._protocol = protocol

    def get_protocol(self) -> asyncio.BaseProtocol:
        return self._protocol
