"""Foreign peers as child processes on loopback, and our client session on a plain socket.

A peer prints one line of JSON when it listens, and one with its counts when its standard input is closed; nothing here
waits for luck. A peer that is not there skips its tests and says why, or fails them where WHERRY_FOREIGN=required.
"""

from __future__ import annotations

import contextlib
import json
import os
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, NoReturn

import pytest

from wherry.protocol.pdu import Request
from wherry.protocol.session import ClientSession, Outcome, prepare

HERE = Path(__file__).resolve().parent
SOURCES = HERE / "peers"
BINARIES = HERE / "bin"
PATIENCE_S = 20.0
"""How long a peer may take for anything. Only a fault makes it take that long."""


def missing(reason: str) -> NoReturn:
    """Skip, loudly; or fail where nothing may be missing."""
    if os.environ.get("WHERRY_FOREIGN") == "required":
        pytest.fail(f"a foreign peer is missing: {reason}", pytrace=False)
    pytest.skip(reason)


def command_of(name: str) -> list[str]:
    """How to start the peer of that name."""
    if (SOURCES / f"{name}.py").exists():
        return [sys.executable, str(SOURCES / f"{name}.py")]
    binary = BINARIES / name
    if not binary.exists():
        missing(f"{name} is not built: needs a C compiler, pkg-config and libmodbus, then `make peers`")
    if binary.stat().st_mtime < (SOURCES / f"{name}.c").stat().st_mtime:
        missing(f"{name} is older than its source: `make peers`")
    return [str(binary)]


class Peer:
    """A server in a process of its own."""

    def __init__(self, name: str, *arguments: str) -> None:
        self.name = name
        command = command_of(name) + list(arguments)
        if name == "c_server":
            command.append("--until-eof")
        self.process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
        self.counts: dict[str, Any] | None = None
        assert self.process.stdout is not None
        line = self.process.stdout.readline()
        assert line, f"{name} ended before it listened"
        self.port = int(json.loads(line)["port"])

    def finish(self) -> dict[str, Any]:
        """End it; its counts."""
        if self.counts is None:
            rest, _ = self.process.communicate(timeout=PATIENCE_S)
            assert self.process.returncode == 0, f"{self.name} ended with {self.process.returncode}"
            self.counts = json.loads(rest) if rest.strip() else {}
        return self.counts

    def kill(self) -> None:
        """End it whatever it does."""
        if self.process.poll() is None:
            self.process.kill()
        with contextlib.suppress(ValueError):  # its pipes are closed already
            self.process.communicate(timeout=PATIENCE_S)


StartPeer = Callable[..., Peer]


@pytest.fixture
def start_peer() -> Iterator[StartPeer]:
    """Start a server: ``start_peer("c_server", "--moving")``. It is gone after the test."""
    started: list[Peer] = []

    def start(name: str, *arguments: str) -> Peer:
        peer = Peer(name, *arguments)
        started.append(peer)
        return peer

    yield start
    for peer in started:
        peer.kill()


@pytest.fixture
def ask_with() -> Callable[..., list[dict[str, Any]]]:
    """Carry out requests with a foreign client: ``ask_with("c_client", port, "03:0:10")``, one answer for each."""

    def ask(name: str, port: int, *requests: str, unit: int = 1, options: tuple[str, ...] = ()) -> list[dict[str, Any]]:
        command = [*command_of(name), *options, str(port), str(unit), *requests]
        done = subprocess.run(command, capture_output=True, text=True, timeout=PATIENCE_S, check=False)
        assert done.returncode == 0, done.stderr
        answers = [json.loads(line) for line in done.stdout.splitlines()]
        assert len(answers) == len(requests), done.stdout
        return answers

    return ask


class OurClient:
    """Our client session on a plain blocking socket."""

    def __init__(self, port: int, framing: str, unit: int, in_flight_max: int) -> None:
        self.unit = unit
        self.session = ClientSession(framing=framing, in_flight_max=in_flight_max)
        self.socket = socket.create_connection(("127.0.0.1", port), timeout=PATIENCE_S)

    def ask(self, request: Request) -> Outcome:
        """Send one request and wait for what becomes of it."""
        return self.ask_at_once(request)[0]

    def ask_at_once(self, *requests: Request) -> list[Outcome]:
        """Send several requests without waiting in between; their outcomes in the order of the requests."""
        now_ns = time.monotonic_ns()
        deadline_ns = now_ns + int(PATIENCE_S * 1e9)
        frames = [
            self.session.send(prepare(self.unit, request), now_ns, deadline_ns, tag)
            for tag, request in enumerate(requests)
        ]
        self.socket.sendall(b"".join(frames))
        outcomes: dict[object, Outcome] = {}
        while len(outcomes) < len(requests):
            data = self.socket.recv(4096)
            assert data, "the peer closed the connection"
            for outcome in self.session.receive(data, time.monotonic_ns()):
                outcomes[outcome.tag] = outcome
            assert not self.session.must_reset, self.session.reset_reason
        return [outcomes[tag] for tag in range(len(requests))]


@pytest.fixture
def connect() -> Iterator[Callable[..., OurClient]]:
    """Our client on a peer: ``connect(peer.port)``."""
    made: list[OurClient] = []

    def make(port: int, *, framing: str = "mbap", unit: int = 1, in_flight_max: int = 1) -> OurClient:
        client = OurClient(port, framing, unit, in_flight_max)
        made.append(client)
        return client

    yield make
    for client in made:
        client.socket.close()
