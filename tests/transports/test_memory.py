"""Connections in memory behave as asyncio's own, and as badly as they are told to."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from itertools import pairwise
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wherry.clock import NS_PER_MS
from wherry.errors import LinkError
from wherry.simulate.virtual_loop import run_virtual
from wherry.transports.behaviour import LinkBehaviour, exponential_ns, mostly_ns, uniform_ns
from wherry.transports.memory import Connection, MemoryNetwork
from wherry.transports.network import reset

HOST, PORT = "10.20.0.11", 502


class Recorder(asyncio.Protocol):
    """Notes everything it is told."""

    def __init__(self) -> None:
        self.transport: asyncio.Transport | None = None
        self.pieces: list[bytes] = []
        self.at_ns: list[int] = []
        self.ended = False
        self.lost: list[Exception | None] = []
        self.pauses = 0
        self.resumes = 0
        self.stays_open = False

    @property
    def data(self) -> bytes:
        return b"".join(self.pieces)

    @property
    def link(self) -> asyncio.Transport:
        assert self.transport is not None
        return self.transport

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)
        self.transport = transport

    def data_received(self, data: bytes) -> None:
        self.pieces.append(data)
        self.at_ns.append(round(asyncio.get_running_loop().time() * 1e9))

    def eof_received(self) -> bool:
        self.ended = True
        return self.stays_open

    def connection_lost(self, exc: Exception | None) -> None:
        self.lost.append(exc)

    def pause_writing(self) -> None:
        self.pauses += 1

    def resume_writing(self) -> None:
        self.resumes += 1


class Echo(Recorder):
    """Sends back what comes."""

    def data_received(self, data: bytes) -> None:
        super().data_received(data)
        self.link.write(data)


async def pair(
    network: MemoryNetwork, server: Callable[[], Recorder] = Recorder
) -> tuple[Recorder, Recorder, Connection]:
    """A client and a server that are connected."""
    made: list[Recorder] = []

    def accept() -> Recorder:
        made.append(server())
        return made[-1]

    listener = await network.serve(accept, HOST, PORT)
    client = Recorder()
    await network.connect(lambda: client, HOST, PORT, 1.0)
    await asyncio.sleep(0)
    listener.close()
    return client, made[0], network.connections(HOST, PORT)[0]


def test_bytes_go_both_ways_in_order() -> None:
    async def main() -> None:
        client, server, _ = await pair(MemoryNetwork(), Echo)
        client.link.write(b"one")
        client.link.writelines([b"two", bytearray(b"three")])
        client.link.write(memoryview(b"four"))
        await asyncio.sleep(0.001)
        assert server.pieces == [b"one", b"twothree", b"four"]
        assert client.data == b"onetwothreefour"

    run_virtual(main)


def test_names_of_both_ends_fit() -> None:
    async def main() -> None:
        client, server, _ = await pair(MemoryNetwork())
        assert client.link.get_extra_info("peername") == (HOST, PORT)
        assert server.link.get_extra_info("sockname") == (HOST, PORT)
        assert client.link.get_extra_info("sockname") == server.link.get_extra_info("peername")

    run_virtual(main)


def test_latency_is_exact_and_its_own_for_each_direction() -> None:
    async def main() -> None:
        network = MemoryNetwork()
        network.route(HOST, PORT).to_server.latency_ns = 3 * NS_PER_MS
        network.route(HOST, PORT).to_client.latency_ns = 4 * NS_PER_MS
        client, server, _ = await pair(network, Echo)
        client.link.write(b"a")
        await asyncio.sleep(1)
        assert (server.at_ns, client.at_ns) == ([3 * NS_PER_MS], [7 * NS_PER_MS])

    run_virtual(main)


@pytest.mark.parametrize(
    "delay",
    [uniform_ns(0, 5 * NS_PER_MS), exponential_ns(NS_PER_MS, 3 * NS_PER_MS), mostly_ns(0, 50 * NS_PER_MS, 0.2)],
)
def test_random_latency_keeps_order_and_repeats(delay: Callable[[Random], int]) -> None:
    async def main() -> tuple[list[bytes], list[int]]:
        network = MemoryNetwork(Random(7))
        network.route(HOST, PORT).to_server.latency_ns = delay
        client, server, _ = await pair(network)
        for number in range(50):
            client.link.write(bytes([number]))
            await asyncio.sleep(0.001)
        await asyncio.sleep(1)
        return server.pieces, server.at_ns

    pieces, at_ns = run_virtual(main)
    assert pieces == [bytes([number]) for number in range(50)]
    assert at_ns == sorted(at_ns)
    assert len({b - a for a, b in pairwise(at_ns)}) > 1
    assert (pieces, at_ns) == run_virtual(main)


def test_order_is_given_up_only_when_asked() -> None:
    async def main() -> list[bytes]:
        network = MemoryNetwork(Random(7))
        network.route(HOST, PORT).to_server = LinkBehaviour(latency_ns=uniform_ns(0, 9 * NS_PER_MS), keeps_order=False)
        client, server, _ = await pair(network)
        for number in range(50):
            client.link.write(bytes([number]))
        await asyncio.sleep(1)
        return server.pieces

    pieces = run_virtual(main)
    assert pieces != sorted(pieces)
    assert sorted(pieces) == [bytes([number]) for number in range(50)]


@settings(max_examples=30, deadline=None)
@given(st.binary(min_size=1, max_size=300), st.integers(0, 1 << 32))
def test_splitting_and_joining_change_no_byte(data: bytes, seed: int) -> None:
    async def main() -> None:
        network = MemoryNetwork(Random(seed))
        route = network.route(HOST, PORT)
        route.to_server = LinkBehaviour(split_share=0.7, split_gap_ns=uniform_ns(0, NS_PER_MS))
        route.to_client = LinkBehaviour(split_bytes=1, joins=True)
        client, server, _ = await pair(network, Echo)
        for at in range(0, len(data), 17):
            client.link.write(data[at : at + 17])
        await asyncio.sleep(5)
        assert server.data == data
        assert client.data == data

    run_virtual(main)


def test_one_byte_at_a_time() -> None:
    async def main() -> None:
        network = MemoryNetwork()
        network.route(HOST, PORT).to_server = LinkBehaviour(split_bytes=1, split_gap_ns=NS_PER_MS)
        client, server, _ = await pair(network)
        client.link.write(b"abc")
        await asyncio.sleep(1)
        assert server.pieces == [b"a", b"b", b"c"]
        assert server.at_ns == [0, NS_PER_MS, 2 * NS_PER_MS]

    run_virtual(main)


@pytest.mark.parametrize(
    ("behaviour", "arrived"),
    [
        (LinkBehaviour(drop_share=1), []),
        (LinkBehaviour(duplicate_share=1), [b"ab", b"ab", b"cd", b"cd"]),
        (LinkBehaviour(half_open=True), []),
        (LinkBehaviour(joins=True), [b"abcd"]),
    ],
)
def test_what_can_become_of_a_write(behaviour: LinkBehaviour, arrived: list[bytes]) -> None:
    async def main() -> None:
        network = MemoryNetwork()
        network.route(HOST, PORT).to_server = behaviour
        client, server, _ = await pair(network)
        client.link.write(b"ab")
        client.link.write(b"cd")
        await asyncio.sleep(1)
        assert server.pieces == arrived
        assert not client.lost

    run_virtual(main)


def test_corruption_flips_one_bit() -> None:
    async def main() -> None:
        network = MemoryNetwork()
        network.route(HOST, PORT).to_server.corrupt_share = 1.0
        client, server, _ = await pair(network)
        client.link.write(bytes(10))
        await asyncio.sleep(1)
        assert int.from_bytes(server.data, "big").bit_count() == 1

    run_virtual(main)


def test_half_open_hides_the_end_and_fills_the_buffer() -> None:
    async def main() -> None:
        network = MemoryNetwork()
        client, server, _ = await pair(network)
        network.route(HOST, PORT).to_server.half_open = True
        client.link.write(bytes(100_000))
        assert client.pauses == 1
        client.link.abort()
        await asyncio.sleep(100)
        assert client.lost == [None]
        assert (server.data, server.lost) == (b"", [])

    run_virtual(main)


def test_held_bytes_arrive_late_but_whole() -> None:
    async def main() -> None:
        client, server, connection = await pair(MemoryNetwork())
        client.link.write(b"before")
        connection.hold()
        client.link.write(b"after")
        await asyncio.sleep(3)
        assert not server.pieces
        connection.release()
        await asyncio.sleep(0.001)
        assert server.pieces == [b"before", b"after"]

    run_virtual(main)


async def close(client: Recorder, _: Connection) -> None:
    client.link.write(b"last words")
    client.link.close()
    client.link.write(b"ignored")


async def write_eof(client: Recorder, _: Connection) -> None:
    client.link.write(b"last words")
    client.link.write_eof()


@pytest.mark.parametrize("end", [close, write_eof])
def test_what_was_written_before_the_end_arrives(end: Callable[[Recorder, Connection], Awaitable[None]]) -> None:
    async def main() -> None:
        network = MemoryNetwork()
        network.route(HOST, PORT).to_server.latency_ns = NS_PER_MS
        client, server, connection = await pair(network)
        await end(client, connection)
        await asyncio.sleep(1)
        assert server.data == b"last words"
        assert server.ended
        assert (client.lost, server.lost) == ([None], [None])
        assert not network.connections()

    run_virtual(main)


def test_half_closed_is_possible() -> None:
    async def main() -> None:
        client, server, _ = await pair(MemoryNetwork())
        server.stays_open = True
        client.link.write_eof()
        await asyncio.sleep(1)
        assert server.ended
        with pytest.raises(RuntimeError, match="write_eof"):
            client.link.write(b"no")
        server.link.write(b"still here")
        await asyncio.sleep(1)
        assert client.data == b"still here"

    run_virtual(main)


def test_connection_lost_comes_in_a_turn_of_its_own() -> None:
    async def main() -> None:
        client, _, _ = await pair(MemoryNetwork())
        client.link.close()
        assert not client.lost
        assert client.link.is_closing()
        await asyncio.sleep(0)
        assert client.lost == [None]
        client.link.close()
        client.link.abort()
        await asyncio.sleep(1)
        assert client.lost == [None]

    run_virtual(main)


@pytest.mark.parametrize("abort", [lambda transport: transport.abort(), reset])
def test_abort_resets_the_peer_and_loses_what_is_under_way(abort: Callable[[asyncio.Transport], None]) -> None:
    async def main() -> None:
        network = MemoryNetwork()
        network.route(HOST, PORT).to_server.latency_ns = NS_PER_MS
        client, server, _ = await pair(network)
        client.link.write(b"lost")
        abort(client.link)
        await asyncio.sleep(1)
        assert client.lost == [None]
        assert isinstance(server.lost[0], ConnectionResetError)
        assert not server.pieces

    run_virtual(main)


def test_a_reset_on_the_way_ends_both() -> None:
    async def main() -> None:
        network = MemoryNetwork()
        network.route(HOST, PORT).to_server.reset_share = 1.0
        client, server, _ = await pair(network)
        client.link.write(b"lost")
        await asyncio.sleep(1)
        assert [type(each) for each in client.lost + server.lost] == [ConnectionResetError] * 2
        assert not server.pieces

    run_virtual(main)


def test_writing_to_an_end_that_has_closed_gives_a_reset() -> None:
    async def main() -> None:
        client, server, _ = await pair(MemoryNetwork())
        client.stays_open = True
        server.link.close()
        await asyncio.sleep(1)
        client.link.write(b"anybody there?")
        await asyncio.sleep(1)
        assert isinstance(client.lost[0], ConnectionResetError)

    run_virtual(main)


def test_a_slow_reader_pauses_the_writer() -> None:
    async def main() -> None:
        client, server, _ = await pair(MemoryNetwork())
        client.link.set_write_buffer_limits(high=100, low=10)
        server.link.pause_reading()
        client.link.write(bytes(90))
        assert client.pauses == 0
        client.link.write(bytes(90))
        assert (client.pauses, client.resumes, client.link.get_write_buffer_size()) == (1, 0, 180)
        await asyncio.sleep(1)
        assert not server.pieces
        server.link.resume_reading()
        await asyncio.sleep(1)
        assert (len(server.data), client.pauses, client.resumes) == (180, 1, 1)
        assert client.link.get_write_buffer_size() == 0

    run_virtual(main)


def test_a_fault_of_the_protocol_ends_the_connection_and_is_reported() -> None:
    class Broken(Recorder):
        def data_received(self, data: bytes) -> None:
            raise ValueError("broken")

    reported: list[object] = []

    async def main() -> None:
        loop = asyncio.get_running_loop()
        loop.set_exception_handler(lambda _, context: reported.append(context["exception"]))
        client, server, _ = await pair(MemoryNetwork(), Broken)
        client.link.write(b"x")
        await asyncio.sleep(1)
        assert isinstance(server.lost[0], ValueError)
        assert isinstance(client.lost[0], ConnectionResetError)

    run_virtual(main)
    assert len(reported) == 1


async def fail_to_connect(network: MemoryNetwork, timeout_s: float = 1.0) -> tuple[str, float]:
    client = Recorder()
    with pytest.raises(LinkError) as caught:
        await network.connect(lambda: client, HOST, PORT, timeout_s)
    assert client.transport is None
    return str(caught.value), asyncio.get_running_loop().time()


def test_refused_when_nobody_listens_or_told_to() -> None:
    async def main() -> None:
        network = MemoryNetwork()
        message, at_s = await fail_to_connect(network)
        assert message.startswith(f"{HOST}:{PORT} refused the connection: ")
        assert at_s == 0
        await network.serve(Recorder, HOST, PORT)
        network.route(HOST, PORT).refuses = True
        network.route(HOST, PORT).connect_ns = 20 * NS_PER_MS
        assert await fail_to_connect(network) == (message, 0.02)

    run_virtual(main)


@pytest.mark.parametrize("slow", [True, False])
def test_no_answer_to_a_connection(slow: bool) -> None:
    async def main() -> None:
        network = MemoryNetwork()
        await network.serve(Recorder, HOST, PORT)
        route = network.route(HOST, PORT)
        route.hangs, route.connect_ns = not slow, 2000 * NS_PER_MS
        message, at_s = await fail_to_connect(network, 1.5)
        assert message.startswith(f"no answer from {HOST}:{PORT} within 1.5 s; check ")
        assert at_s == 1.5

    run_virtual(main)


def test_ports_are_given_out_and_taken_back() -> None:
    async def main() -> None:
        network = MemoryNetwork()
        first = await network.serve(Recorder, HOST, 0)
        second = await network.serve(Recorder, HOST, 0)
        assert first.port != second.port
        with pytest.raises(LinkError, match=f"port {first.port} on {HOST} is in use"):
            await network.serve(Recorder, HOST, first.port)
        first.close()
        assert (await network.serve(Recorder, HOST, first.port)).port == first.port

    run_virtual(main)


def test_a_listener_on_every_address_is_found_by_any() -> None:
    async def main() -> None:
        network = MemoryNetwork()
        await network.serve(Recorder, "0.0.0.0", PORT)
        client = Recorder()
        await network.connect(lambda: client, HOST, PORT, 1.0)
        assert client.transport is not None

    run_virtual(main)


def test_each_connection_can_have_its_own_behaviour() -> None:
    async def main() -> None:
        network = MemoryNetwork()

        def second_is_slow(connection: Connection) -> None:
            if network.connections():
                connection.to_server.behaviour = LinkBehaviour(latency_ns=NS_PER_MS)

        network.on_connect = second_is_slow
        servers: list[Recorder] = []

        def accept() -> Recorder:
            servers.append(Recorder())
            return servers[-1]

        await network.serve(accept, HOST, PORT)
        for _ in range(2):
            client = Recorder()
            transport = await network.connect(lambda client=client: client, HOST, PORT, 1.0)  # type: ignore[misc]
            transport.write(b"x")
        await asyncio.sleep(1)
        assert [each.at_ns for each in servers] == [[0], [NS_PER_MS]]

    run_virtual(main)
