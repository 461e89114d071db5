"""Real connections, on loopback only; and the sentences for what can go wrong."""

from __future__ import annotations

import asyncio
import errno
import socket
from collections.abc import Awaitable, Callable
from typing import cast

import pytest

from wherry.errors import LinkError
from wherry.transports.network import reset
from wherry.transports.tcp import TcpNetwork, connect_error, serve_error

TIMEOUT_S = 10.0

Main = Callable[[], Awaitable[None]]


class End(asyncio.Protocol):
    """One end of a connection: sends back what comes if told to, and remembers how it ended."""

    def __init__(self, *, echoes: bool = False) -> None:
        loop = asyncio.get_running_loop()
        self.echoes = echoes
        self.came: asyncio.Future[bytes] = loop.create_future()
        self.lost: asyncio.Future[Exception | None] = loop.create_future()
        self.transport: asyncio.Transport | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        # uvloop's transports only look like asyncio's.
        self.transport = cast("asyncio.Transport", transport)

    def data_received(self, data: bytes) -> None:
        self.came.set_result(data)
        if self.echoes:
            assert self.transport is not None
            self.transport.write(data)
            self.transport.close()

    def connection_lost(self, exc: Exception | None) -> None:
        self.lost.set_result(exc)


@pytest.fixture(params=["asyncio", "uvloop"])
def run(request: pytest.FixtureRequest) -> Callable[[Main], None]:
    """Runs a coroutine function on each event loop there is."""
    factory = None
    if request.param == "uvloop":
        factory = pytest.importorskip("uvloop").new_event_loop

    def run_on_loop(main: Main) -> None:
        async def with_end() -> None:
            async with asyncio.timeout(TIMEOUT_S):
                await main()

        with asyncio.Runner(loop_factory=factory) as runner:
            runner.run(with_end())

    return run_on_loop


def test_bytes_there_and_back(run: Callable[[Main], None]) -> None:
    async def main() -> None:
        network = TcpNetwork()
        client, server = End(), End(echoes=True)
        listener = await network.serve(lambda: server, "127.0.0.1", 0)
        transport = await network.connect(lambda: client, listener.host, listener.port, TIMEOUT_S)
        assert client.transport is transport
        transport.write(b"oxygen")
        assert await client.came == b"oxygen"
        assert await client.lost is None
        assert await server.lost is None
        listener.close()

    run(main)


def test_no_delay_and_keep_alive_are_on(run: Callable[[Main], None]) -> None:
    async def main() -> None:
        network = TcpNetwork()
        client, server = End(), End()
        listener = await network.serve(lambda: server, "127.0.0.1", 0)
        transport = await network.connect(lambda: client, "localhost", listener.port, TIMEOUT_S)
        ours = transport.get_extra_info("socket")
        assert ours.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY)
        assert ours.getsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE)
        transport.close()
        await client.lost
        await server.lost
        listener.close()

    run(main)


def test_reset_frees_the_peer_with_an_error(run: Callable[[Main], None]) -> None:
    async def main() -> None:
        network = TcpNetwork()
        client, server = End(), End()
        listener = await network.serve(lambda: server, "127.0.0.1", 0)
        transport = await network.connect(lambda: client, listener.host, listener.port, TIMEOUT_S)
        transport.write(b"x")
        await server.came
        reset(transport)
        assert isinstance(await server.lost, ConnectionResetError)
        assert await client.lost is None
        listener.close()

    run(main)


def free_port() -> int:
    with socket.socket() as ours:
        ours.bind(("127.0.0.1", 0))
        return int(ours.getsockname()[1])


def test_a_port_where_nobody_listens(run: Callable[[Main], None]) -> None:
    async def main() -> None:
        port = free_port()
        with pytest.raises(LinkError, match=rf"^127\.0\.0\.1:{port} refused the connection: .*check the port"):
            await TcpNetwork().connect(asyncio.Protocol, "127.0.0.1", port, TIMEOUT_S)

    run(main)


def test_a_port_that_is_in_use(run: Callable[[Main], None]) -> None:
    async def main() -> None:
        network = TcpNetwork()
        listener = await network.serve(End, "127.0.0.1", 0)
        with pytest.raises(LinkError, match=rf"^port {listener.port} on 127\.0\.0\.1 is in use by another program"):
            await network.serve(End, "127.0.0.1", listener.port)
        listener.close()

    run(main)


def test_an_address_that_is_not_ours(run: Callable[[Main], None]) -> None:
    async def main() -> None:
        # 192.0.2.0/24 is set aside for documents (RFC 5737): no computer has it. Nothing is sent when binding fails.
        with pytest.raises(LinkError, match=r"192\.0\.2\.1 is not an address of this computer"):
            await TcpNetwork().serve(End, "192.0.2.1", 0)

    run(main)


@pytest.mark.parametrize(
    ("failed", "said"),
    [
        (OSError(errno.EHOSTUNREACH, "No route to host"), "cannot be reached: no way leads there"),
        (OSError(errno.ENETUNREACH, "Network is unreachable"), "cannot be reached: no way leads there"),
        (OSError(errno.EMFILE, "Too many open files"), "ulimit -n"),
        (OSError(errno.EACCES, "Permission denied"), "check its firewall"),
        (OSError(errno.EIO, "Input/output error"), "Input/output error"),
        (socket.gaierror(-2, "Name or service not known"), "the name `skid` leads to no address"),
        (TimeoutError(errno.ETIMEDOUT, "timed out"), "no answer from skid:502 within 2 s"),
        (ConnectionRefusedError(errno.ECONNREFUSED, "refused"), "skid:502 refused the connection"),
    ],
)
def test_every_failure_to_connect_is_a_sentence(failed: OSError, said: str) -> None:
    message = str(connect_error(failed, "skid", 502, 2.0))
    assert said in message
    assert "skid" in message


@pytest.mark.parametrize(
    ("failed", "said"),
    [
        (OSError(errno.EADDRINUSE, "in use"), "port 502 on fe80::1 is in use"),
        (PermissionError(errno.EACCES, "Permission denied"), "choose a port from 1024 on"),
        (OSError(errno.EIO, "Input/output error"), "cannot serve [fe80::1]:502: Input/output error"),
    ],
)
def test_every_failure_to_serve_is_a_sentence(failed: OSError, said: str) -> None:
    assert said in str(serve_error(failed, "fe80::1", 502))
