"""What the status registers tell comes after what it is about, and never goes back."""

from __future__ import annotations

import asyncio
import struct
from itertools import pairwise
from typing import Any

from wherry.plan.model import Point, Table, Value
from wherry.simulate.virtual_loop import run_virtual
from wherry.values.types import UINT16

MS = 1_000_000
STATUS = 96
"""Right before the values, so that one request carries both."""


def told(plant: Any) -> list[tuple[int, int]]:
    """Address and sequence of every write with the status registers in it."""
    found = []
    for seen in plant.receiver.writes:
        start, count = struct.unpack(">HH", seen.pdu[1:5])
        if start <= STATUS < start + count:
            found.append((start, struct.unpack_from(">H", seen.pdu, 6 + 2 * (STATUS + 3 - start))[0]))
    return found


def test_the_sequence_never_goes_back_after_a_write_whose_answer_was_lost(kit: Any) -> None:
    async def scenario() -> None:
        def answer(device: Any, seen: Any, adu: bytes | None) -> tuple[int, bytes | None] | None:
            return (0, None) if seen.is_write and len(device.writes) in (5, 9) else None

        plant = await kit.plant(kit.words(4), status=STATUS, receiver=kit.device(answer=answer))
        await asyncio.sleep(8)
        sequences = [sequence for _, sequence in told(plant)]
        assert plant.carry.failed >= 2
        assert len(sequences) > 20
        assert all(earlier <= later for earlier, later in pairwise(sequences))
        await plant.engine.stop()
        assert plant.counts_are_exact()

    run_virtual(scenario)


def test_a_request_in_two_parts_tells_only_when_both_are_over(kit: Any) -> None:
    """The value in the middle stands still and is left out, which parts the status registers from the other value."""

    async def scenario() -> None:
        still = Value(
            "still", Point(Table.HOLDING, 0, UINT16), Point(Table.HOLDING, 100, UINT16), deadband=0, is_on_change=True
        )
        moving = Value("moving", Point(Table.HOLDING, 1, UINT16), Point(Table.HOLDING, 101, UINT16))
        plant = await kit.plant([still, moving], status=STATUS)
        await asyncio.sleep(3)
        cycles: dict[int, list[int]] = {}
        for seen in plant.receiver.writes:
            cycles.setdefault(seen.at_ns // (200 * MS), []).append(struct.unpack(">H", seen.pdu[1:3])[0])
        # In every cycle but the first the value goes before what is told of it.
        assert list(cycles.values())[2:12] == [[101, STATUS]] * 10
        await plant.engine.stop()

    run_virtual(scenario)
