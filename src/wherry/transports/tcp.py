"""Connections over TCP, on whichever event loop runs (the selector and the proactor loops of asyncio, uvloop)."""

from __future__ import annotations

import asyncio
import errno
import os
import socket
from collections.abc import Sequence
from typing import Any, Final

from wherry.errors import LinkError
from wherry.transports.network import Listener, ProtocolFactory, in_use, place, refused, timed_out

KEEPALIVE_IDLE_S: Final = 10
"""Quiet time before the first probe. Of ours: requests notice a dead peer sooner, this is for a line at rest."""
KEEPALIVE_INTERVAL_S: Final = 5
KEEPALIVE_COUNT: Final = 3

_UNREACHABLE: Final = {errno.EHOSTUNREACH, errno.ENETUNREACH, errno.ENETDOWN, getattr(errno, "EHOSTDOWN", -1)}
_UNREACHABLE_WINDOWS: Final = {1231, 1232}
"""ERROR_NETWORK_UNREACHABLE and ERROR_HOST_UNREACHABLE (Windows system error codes), as the proactor loop has them."""
_TIMED_OUT_WINDOWS: Final = {121}  # ERROR_SEM_TIMEOUT

_AddressInfo = tuple[socket.AddressFamily, socket.SocketKind, int, str, Any]


class TcpListener:
    """A listening TCP port."""

    def __init__(self, server: asyncio.Server) -> None:
        self._server = server
        name = server.sockets[0].getsockname()
        self._host, self._port = str(name[0]), int(name[1])

    @property
    def host(self) -> str:
        return self._host

    @property
    def port(self) -> int:
        return self._port

    def close(self) -> None:
        self._server.close()


class TcpNetwork:
    """The real network."""

    async def connect(self, factory: ProtocolFactory, host: str, port: int, timeout_s: float) -> asyncio.Transport:
        """Connect to the first address of ``host`` that answers. LinkError with a sentence when none does."""
        loop = asyncio.get_running_loop()
        try:
            async with asyncio.timeout(timeout_s):
                ours = await _connect_any(loop, await _resolve(loop, host, port))
        except TimeoutError:
            raise timed_out(host, port, timeout_s) from None
        except OSError as failed:
            raise connect_error(failed, host, port, timeout_s) from None
        # Outside the time-out: once the protocol knows of the connection, nothing may call the attempt a failure.
        try:
            tune(ours)
            transport, _ = await loop.create_connection(factory, sock=ours)
        except BaseException:
            ours.close()
            raise
        return transport

    async def serve(self, factory: ProtocolFactory, host: str, port: int) -> Listener:
        """Listen on one address. LinkError with a sentence when the port cannot be had."""
        loop = asyncio.get_running_loop()
        try:
            return TcpListener(await loop.create_server(factory, host, port))
        except OSError as failed:
            raise serve_error(failed, host, port) from None


async def _resolve(loop: asyncio.AbstractEventLoop, host: str, port: int) -> Sequence[_AddressInfo]:
    kind = socket.SOCK_STREAM
    try:
        # A numeric address needs no look-up, hence no thread: a thousand controllers may connect at once.
        return socket.getaddrinfo(host, port, type=kind, flags=socket.AI_NUMERICHOST)
    except socket.gaierror:
        return await loop.getaddrinfo(host, port, type=kind)


async def _connect_any(loop: asyncio.AbstractEventLoop, places: Sequence[_AddressInfo]) -> socket.socket:
    """A connected socket to the first place that accepts; the first failure when none does."""
    first: OSError | None = None
    for family, kind, protocol, _, address in places:
        try:
            ours = socket.socket(family, kind, protocol)
        except OSError as failed:
            first = first or failed
            continue
        try:
            ours.setblocking(False)
            await loop.sock_connect(ours, address)
        except OSError as failed:
            ours.close()
            first = first or failed
        except BaseException:
            ours.close()
            raise
        else:
            return ours
    raise first or OSError(errno.EADDRNOTAVAIL, os.strerror(errno.EADDRNOTAVAIL))


def tune(ours: socket.socket) -> None:
    """Send every request at once, and find out about a dead peer even while nothing is asked."""
    ours.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    ours.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
    for name, value in (
        ("TCP_KEEPIDLE", KEEPALIVE_IDLE_S),
        ("TCP_KEEPINTVL", KEEPALIVE_INTERVAL_S),
        ("TCP_KEEPCNT", KEEPALIVE_COUNT),
    ):
        option = getattr(socket, name, None)
        if option is not None:
            ours.setsockopt(socket.IPPROTO_TCP, option, value)


def connect_error(failed: OSError, host: str, port: int, timeout_s: float) -> LinkError:
    """The sentence for a failed connection."""
    where = place(host, port)
    windows = getattr(failed, "winerror", None)
    if isinstance(failed, socket.gaierror):
        return LinkError(
            f"the name `{host}` leads to no address ({failed.strerror}); check its spelling, or give the IP address"
        )
    if isinstance(failed, ConnectionRefusedError):
        return refused(host, port)
    if isinstance(failed, TimeoutError) or windows in _TIMED_OUT_WINDOWS:
        return timed_out(host, port, timeout_s)
    if failed.errno in _UNREACHABLE or windows in _UNREACHABLE_WINDOWS:
        return LinkError(
            f"{where} cannot be reached: no way leads there from this computer ({failed.strerror}); "
            "check the network address, mask and gateway on both sides, and the cable"
        )
    if failed.errno in (errno.EMFILE, errno.ENFILE):
        return LinkError(
            f"cannot connect to {where}: this computer allows no more open connections ({failed.strerror}); "
            "raise the limit of open files (`ulimit -n`)"
        )
    if failed.errno in (errno.EACCES, errno.EPERM):
        return LinkError(f"cannot connect to {where}: this computer forbids it ({failed.strerror}); check its firewall")
    return LinkError(f"cannot connect to {where}: {failed.strerror or failed}")


def serve_error(failed: OSError, host: str, port: int) -> LinkError:
    """The sentence for a port that cannot be served."""
    where = place(host, port)
    if isinstance(failed, socket.gaierror):
        return LinkError(
            f"the name `{host}` leads to no address ({failed.strerror}); check its spelling, or give the IP address"
        )
    if failed.errno == errno.EADDRINUSE:
        return in_use(host, port)
    if failed.errno == errno.EADDRNOTAVAIL:
        return LinkError(f"cannot serve {where}: {host} is not an address of this computer; use one that is")
    if failed.errno in (errno.EACCES, errno.EPERM):
        return LinkError(
            f"cannot serve {where}: permission denied (ports below 1024 usually need an administrator); "
            "choose a port from 1024 on"
        )
    return LinkError(f"cannot serve {where}: {failed.strerror or failed}")
