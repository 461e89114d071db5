"""Chance plans, limits and faults; every law is judged by what the devices saw, whatever the seed brings.

Each source register holds the millisecond of the read, so that a written word tells when it was sampled.
"""

from __future__ import annotations

import asyncio
import random
import struct
from itertools import pairwise
from typing import Any

import pytest

from wherry.plan.model import Framing, Limits, OnLoss, Point, Table, Value
from wherry.simulate.virtual_loop import run_virtual
from wherry.values.types import BOOL, UINT16

MS = 1_000_000
S = 1000 * MS
WRAP_MS = 59_000
"""Source words count milliseconds up to here; what is above is a substitute."""
PUTS = (94, 95, 100, 101, 102, 300)
HARMS = ("drop", "late", "exception", "close", "garble", "foreign", "twice", "tail")


class Trouble:
    """Harms a share of a device's answers."""

    def __init__(self, rng: random.Random, framing: Framing) -> None:
        self.rng = rng
        self.is_mbap = framing is Framing.MBAP
        self.share = 0.0

    def answer(self, device: Any, seen: Any, adu: bytes | None) -> tuple[int, bytes | None] | None:
        rng = self.rng
        if rng.random() >= self.share or adu is None:
            return None
        harm = rng.choice(HARMS)
        if harm == "drop":
            return 0, None
        if harm == "late":
            return rng.randrange(50, 900) * MS, adu
        if harm == "exception" and self.is_mbap:
            body = bytes((seen.pdu[0] | 0x80, rng.choice((2, 4, 5, 6, 10, 11))))
            return 5 * MS, adu[:4] + b"\0\3" + adu[6:7] + body
        if harm == "close":
            for transport in list(device.open):
                (transport.close if rng.random() < 0.5 else transport.abort)()
            return 0, None
        if harm == "garble":
            # A changed data byte inside a whole frame can be found by nobody; RTU frames have a CRC for it.
            garbled = bytearray(adu)
            garbled[rng.randrange(min(9, len(adu)) if self.is_mbap else len(adu))] ^= 1 << rng.randrange(8)
            return 5 * MS, bytes(garbled)
        if harm == "foreign":
            return 5 * MS, bytes([adu[0] ^ 0x11]) + adu[1:]
        return 5 * MS, adu + (adu if harm == "twice" else b"\0")


def chance_values(rng: random.Random, is_substituting: bool) -> list[Value]:
    values = [
        Value(
            f"word {index}",
            Point(Table.HOLDING, rng.choice((index, 200 * index)), UINT16),
            Point(Table.HOLDING, put, UINT16),
            range=(0, WRAP_MS),
            substitute=60_000 + index if is_substituting else None,
        )
        for index, put in enumerate(PUTS)
    ]
    if rng.random() < 0.5:
        substitute = True if is_substituting else None
        values.append(Value("in", Point(Table.COIL, 3), Point(Table.HOLDING, 400, BOOL, bit=3), substitute=substitute))
        values.append(Value("out", Point(Table.HOLDING, 3, BOOL, bit=2), Point(Table.COIL, 9), substitute=substitute))
    return values


def chance_limits(rng: random.Random) -> Limits:
    return Limits(
        in_flight=rng.choice((1, 1, 2, 4)),
        read_registers=rng.choice((4, 125)),
        write_registers=rng.choice((4, 6, 123)),
        timeout_ns=rng.choice((150, 400, 1000)) * MS,
        gap_ns=rng.choice((0, 0, 7 * MS)),
        requests_per_s=rng.choice((None, None, 40)),
        reconnect_ns=200 * MS,
        reconnect_ns_max=S,
    )


def stamp(device: Any, seen: Any) -> None:
    if not seen.is_write:
        for address in (*range(10), *(200 * index for index in range(7)), 700):
            device.set_registers(address, [device.now_ns() // MS % WRAP_MS])


async def chance_plant(kit: Any, seed: int, rng: random.Random, troubles: list[Trouble]) -> Any:
    framing = rng.choice((Framing.MBAP, Framing.MBAP, Framing.RTU))
    troubles += [Trouble(rng, framing), Trouble(rng, framing)]
    is_substituting = rng.random() < 0.5
    return await kit.plant(
        chance_values(rng, is_substituting),
        framing=framing,
        limits=chance_limits(rng),
        receiver_limits=chance_limits(rng),
        source=kit.device(before=stamp, answer=troubles[0].answer, delay_ns=rng.choice((1, 5, 60)) * MS),
        receiver=kit.device(answer=troubles[1].answer, delay_ns=rng.choice((1, 5, 60)) * MS),
        period_ns=rng.choice((100, 200, 500)) * MS,
        max_age_ns=rng.choice((600, 1000, 3000)) * MS,
        status=rng.choice((90, 96, 500)),
        alive=Point(Table.HOLDING, rng.choice((2, 700)), UINT16) if rng.random() < 0.3 else None,
        on_loss=OnLoss.SUBSTITUTE if is_substituting else OnLoss.HOLD,
        seed=seed,
    )


async def stir(plant: Any, rng: random.Random, troubles: list[Trouble]) -> None:
    """Twelve rounds of trouble, then none."""
    for _ in range(12):
        for trouble in troubles:
            trouble.share = rng.choice((0, 0, 0.05, 0.3, 1.0))
        if rng.random() < 0.2:
            plant.source.kill()
        elif rng.random() < 0.5:
            plant.source.is_dead = rng.random() < 0.3
        if rng.random() < 0.1:
            plant.receiver.kill()
        else:
            plant.receiver.is_dead = rng.random() < 0.1
        if not troubles[0].is_mbap and rng.random() < 0.3:
            for transport in plant.source.open + plant.receiver.open:
                transport.write(rng.randbytes(rng.randrange(1, 30)))
        await asyncio.sleep(rng.uniform(0.5, 4))
    for trouble in troubles:
        trouble.share = 0
    plant.source.is_dead = plant.receiver.is_dead = False
    await asyncio.sleep(12)


def words_written(pdu: bytes) -> dict[int, int]:
    """The words of a multiple write by their address, decoded here by hand."""
    start, count = struct.unpack(">HH", pdu[1:5])
    return dict(enumerate(struct.unpack(f">{count}H", pdu[6:]), start))


def judge_the_wire(plant: Any) -> None:
    transfer = plant.plan.transfers[0]
    max_age_ms = transfer.max_age_ns // MS
    told: list[tuple[int, int, int, int]] = []
    for seen in plant.receiver.writes:
        if seen.pdu[0] != 0x10:
            continue
        words = words_written(seen.pdu)
        for address in PUTS:
            if words.get(address, 60_000) < 60_000:
                assert (seen.at_ns // MS - words[address]) % WRAP_MS <= max_age_ms, "an old value was written"
        if transfer.status.start in words:
            first = transfer.status.start
            told.append((words[first], words[first + 1], words[first + 2], words[first + 3]))
    for _, quality, age_ms, _ in told:
        assert not quality or age_ms <= max_age_ms, "a good word for what is old"
    for earlier, later in pairwise(told):
        assert 1 <= (later[0] - earlier[0]) & 0xFFFF <= 1000, "the heartbeat must move"
        assert later[3] >= earlier[3], "the sequence went back"


@pytest.mark.parametrize("seed", range(40))
def test_the_laws_hold_whatever_goes_wrong(kit: Any, seed: int) -> None:
    async def scenario() -> None:
        rng = random.Random(seed)
        troubles: list[Trouble] = []
        plant = await chance_plant(kit, seed, rng, troubles)
        await asyncio.sleep(2)
        await stir(plant, rng, troubles)
        judge_the_wire(plant)
        lines = plant.engine.lines.values()
        before_ns = plant.receiver.now_ns()
        await plant.engine.stop()
        longest_ns = max(line.controller.limits.timeout_ns for line in lines)
        assert plant.receiver.now_ns() - before_ns <= 10 * longest_ns + S
        await asyncio.sleep(0.1)
        assert plant.counts_are_exact()
        assert plant.receiver.registers(plant.plan.transfers[0].status.start + 1, 1) == [0]
        assert not plant.source.open
        assert not plant.receiver.open
        for line in lines:
            counts = line.counters
            ended = counts.replies + counts.exceptions + counts.timeouts + counts.faulty + counts.lost
            assert counts.requests == ended
            assert line.guard.refused == 0

    run_virtual(scenario)
