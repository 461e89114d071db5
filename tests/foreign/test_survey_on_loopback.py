"""The survey against other people's servers on real sockets: pymodbus, and a C server on libmodbus."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from random import Random
from typing import Any

import pytest

from wherry.plan.model import Framing, Span, Table
from wherry.survey.found import Found, Settings
from wherry.survey.items import Holes
from wherry.survey.job import survey_device
from wherry.survey.watching import Motion
from wherry.transports.tcp import TcpNetwork

pytestmark = [pytest.mark.foreign, pytest.mark.slow]
S = 1_000_000_000
READ_FUNCTIONS = {0x01, 0x02, 0x03, 0x04, 0x07, 0x08, 0x0B, 0x11, 0x2B}
SETTINGS = Settings(
    units=(1, 255), ranges=((0, 225),), watch_ns=S // 2, idle_ns=S // 4, in_flight=True, connections=True
)
ITEMS = {
    "c_server": dict.fromkeys(Table, 200),
    "pymodbus_server": {Table.COIL: 208, Table.DISCRETE: 208, Table.HOLDING: 200, Table.INPUT: 200},
}

Start = Callable[..., Any]


def surveyed(port: int, settings: Settings = SETTINGS, framing: Framing = Framing.MBAP) -> tuple[Found, list[bytes]]:
    frames: list[bytes] = []

    async def main() -> Found:
        return await survey_device(
            TcpNetwork(),
            "127.0.0.1",
            port,
            settings,
            framing=framing,
            rate=1000,
            timeout_ns=S // 2,
            on_sent=lambda _at_ns, frame: frames.append(frame),
        )

    return asyncio.run(main()), frames


@pytest.mark.parametrize("name", list(ITEMS))
def test_it_finds_what_they_serve(start_peer: Start, name: str) -> None:
    peer = start_peer(name)
    found, frames = surveyed(peer.port)
    assert found.ended == ""
    assert found.unit == 1
    for looked in found.looked:
        table = looked.items.table
        count = ITEMS[name][table]
        assert looked.readable == (Span(table, 0, count),), name
        assert looked.absent == (Span(table, count, 225 - count),)
        assert looked.holes is Holes.ANY
        assert looked.is_proved
        assert looked.limit is not None
        assert looked.limit.count == (count if table.is_bits else 125)
        assert looked.limit.is_proved is not table.is_bits
        assert set(looked.motions.values()) == {Motion.STILL}
    assert found.gap is not None
    assert found.gap.gap_ns < 20_000_000
    assert found.line is not None
    assert 0 < found.line.fixed_ns < 50_000_000
    assert found.in_flight is not None
    assert found.in_flight.count >= 1
    assert found.connections is not None
    assert found.connections.count == 8
    assert found.requests <= SETTINGS.budget
    assert {frame[7] for frame in frames} <= READ_FUNCTIONS
    counts = peer.finish()
    assert not counts["writes"]


def test_it_sees_what_moves(start_peer: Start) -> None:
    peer = start_peer("c_server", "--moving")
    settings = Settings(units=(1,), tables=(Table.HOLDING,), ranges=((0, 100),), watch_ns=S // 2, idle_ns=0)
    (looked,) = surveyed(peer.port, settings)[0].looked
    assert looked.moving(Motion.COUNTS_UP, Motion.MOVES) == (Span(Table.HOLDING, 0, 10),)


def test_serial_frames(start_peer: Start) -> None:
    peer = start_peer("pymodbus_server", "--framing", "rtu")
    settings = Settings(units=(1,), tables=(Table.HOLDING,), ranges=((190, 210),), watch_ns=0, idle_ns=0)
    found, frames = surveyed(peer.port, settings, Framing.RTU)
    assert found.ended == ""
    assert found.looked[0].readable == (Span(Table.HOLDING, 190, 10),)
    assert {frame[1] for frame in frames} <= READ_FUNCTIONS


@pytest.mark.parametrize("seed", range(4))
def test_a_random_map_of_holes(start_peer: Start, seed: int) -> None:
    rng = Random(seed)
    runs: list[tuple[int, int]] = []
    at = rng.randint(0, 20)
    while at < 260:
        count = min(rng.choice([1, 1, 2, 3, 10, 60, 130]), 300 - at)
        runs.append((at, count))
        at += count + rng.choice([1, 1, 2, 5, 9])
    peer = start_peer("pymodbus_server", "--holding", ",".join(f"{start}:{count}" for start, count in runs))
    settings = Settings(units=(1,), tables=(Table.HOLDING,), ranges=((0, 300),), watch_ns=0, idle_ns=0)
    found, _ = surveyed(peer.port, settings)
    assert found.ended == ""
    (looked,) = found.looked
    assert looked.readable == tuple(Span(Table.HOLDING, start, count) for start, count in runs)
    assert looked.holes is Holes.ANY
    assert looked.is_proved
    words = {at: word for _, start, words in looked.items.samples for at, word in enumerate(words, start)}
    assert words == {at: 0x1000 + at for start, count in runs for at in range(start, start + count)}
    peer.finish()
