"""What a network is to everything above it: connections made and accepted as plain asyncio transports and protocols.

There is no layer of ours between a transport and its protocol: bytes come in through ``data_received`` and leave
through ``transport.write``. Only making, accepting and giving up a connection go through here, and their failures
become sentences that say what to look at.
"""

from __future__ import annotations

import asyncio
import contextlib
import socket
import struct
import sys
from collections.abc import Callable
from typing import Final, Protocol

from wherry.errors import LinkError

ProtocolFactory = Callable[[], asyncio.Protocol]

_LINGER_NONE: Final = struct.pack("hh" if sys.platform == "win32" else "ii", 1, 0)
"""SO_LINGER on with zero seconds: close sends a reset (common practice, no source; the layout is the platform's)."""


class Listener(Protocol):
    """A place where connections are accepted."""

    @property
    def host(self) -> str:
        """The address served."""
        ...

    @property
    def port(self) -> int:
        """The port served; the one chosen by the system when 0 was asked for."""
        ...

    def close(self) -> None:
        """Accept no more. Connections already made stay."""
        ...


class Network(Protocol):
    """Makes and accepts connections."""

    async def connect(self, factory: ProtocolFactory, host: str, port: int, timeout_s: float) -> asyncio.Transport:
        """Connect within ``timeout_s``. ``connection_made`` has been called on return.

        LinkError with a sentence when it cannot be done; then the factory's protocol has heard nothing.
        """
        ...

    async def serve(self, factory: ProtocolFactory, host: str, port: int) -> Listener:
        """Accept connections; ``port`` 0 takes a free one. LinkError when the place cannot be had."""
        ...


def reset(transport: asyncio.Transport) -> None:
    """Give a connection up with a reset rather than a polite close, so that the peer frees its end at once.

    ``abort`` alone still says goodbye politely on a socket. Written bytes that have not left are dropped.
    """
    ours = transport.get_extra_info("socket")
    if ours is not None:
        # The socket may be closed already, or the event loop keep it to itself: then a plain abort is what is left.
        with contextlib.suppress(OSError, NotImplementedError):
            ours.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, _LINGER_NONE)
    transport.abort()


def place(host: str, port: int) -> str:
    """``host:port``, with an IPv6 address in brackets."""
    return f"[{host}]:{port}" if ":" in host else f"{host}:{port}"


def refused(host: str, port: int) -> LinkError:
    """The failure when a device actively refuses."""
    return LinkError(
        f"{place(host, port)} refused the connection: a device is there, but nothing accepts connections on port "
        f"{port}; check the port, that Modbus TCP is switched on, and that no other client holds the last free "
        "connection"
    )


def timed_out(host: str, port: int, timeout_s: float) -> LinkError:
    """The failure when nothing answers."""
    return LinkError(
        f"no answer from {place(host, port)} within {timeout_s:g} s; "
        "check the device's power and cable, its address, and firewalls between here and there"
    )


def in_use(host: str, port: int) -> LinkError:
    """The failure when a port to be served is taken."""
    return LinkError(
        f"port {port} on {host or 'this computer'} is in use by another program; end that one, or choose another port"
    )
