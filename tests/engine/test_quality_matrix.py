"""The matrix of docs/run.md, cell by cell, on a plant in virtual time: the document is the expectation."""

from __future__ import annotations

import asyncio
import re
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

import pytest

from wherry.plan.model import Direction, Limits, OnLoss, Point, Table, Value
from wherry.simulate.virtual_loop import run_virtual
from wherry.values.types import BCD16, UINT16

PAGE: Final = Path(__file__).parents[2] / "docs" / "run.md"
MS = 1_000_000
S = 1000 * MS
BEFORE, GOOD, CLAMPED, SUBSTITUTE = 777, 50, 1000, 123
"""What lies in the receiver's register at first; the values that are put in the different cases."""

Set = Callable[["Source"], None]


@dataclass
class Source:
    """The source of the plant: what its value is, whether its program lives, and how its link behaves."""

    level: int = GOOD
    counts: bool = True
    link: str = "up"  # up, cut, silent
    heard: asyncio.Event = field(default_factory=asyncio.Event)

    def before(self, device: Any, seen: Any) -> None:
        self.heard.set()
        if self.counts:
            device.set_registers(9, [(device.registers(9, 1)[0] + 1) & 0xFFFF])
        device.set_registers(0, [self.level])

    def answer(self, device: Any, seen: Any, adu: bytes | None) -> tuple[int, bytes | None] | None:
        if self.link == "cut":
            for transport in list(device.open):
                transport.abort()
        return None if self.link == "up" else (0, None)


def of(**settings: Any) -> Set:
    """The case in which the source has these settings."""

    def put_on(source: Source) -> None:
        for key, setting in settings.items():
            setattr(source, key, setting)

    return put_on


CASES: Final[dict[str, Set]] = {
    "good": of(),
    "clamped": of(level=1200),
    "out of range": of(level=1200),
    "does not fit": of(level=12000),
    "not available": of(level=0x8000),
    "stepped too far": of(level=900),
    "counted the wrong way": of(level=40),
    "no communication": of(link="cut"),
    "timeout": of(link="silent"),
    "source not alive": of(counts=False),
}
WHEN: Final = ("at first start", "in running", "later than `max_age`", "after a return")


def matrix() -> dict[tuple[str, str], str]:
    """The table of the document: case and when -> cell."""
    block = re.search(r"<!-- matrix -->\n(.*?)<!-- end -->", PAGE.read_text(encoding="utf-8"), re.DOTALL)
    assert block is not None
    head, _, *rows = ([cell.strip() for cell in line.strip("|").split("|")] for line in block[1].splitlines())
    return {(row[0], when): cell for row in rows for when, cell in zip(head[1:], row[1:], strict=True)}


def value_of(case: str) -> Value:
    take, put = Point(Table.HOLDING, 0, UINT16), Point(Table.HOLDING, 100, UINT16)
    if case in ("clamped", "out of range"):
        return Value("level", take, put, range=(0, CLAMPED), clamp=case == "clamped", substitute=SUBSTITUTE)
    if case == "does not fit":
        return Value("level", take, Point(Table.HOLDING, 100, BCD16), range=(0, 60000), substitute=SUBSTITUTE)
    if case == "counted the wrong way":
        return Value("level", take, put, counter=Direction.UP, substitute=SUBSTITUTE)
    jump = 100.0 if case == "stepped too far" else None
    return Value("level", take, put, not_available=(0x8000,), jump=jump, substitute=SUBSTITUTE)


async def look(kit: Any, case: str, when: str, on_loss: OnLoss) -> tuple[str, str, str]:
    """What became of the value, of its place, and what the status registers say, once it has settled."""
    source = Source()
    device = kit.device(before=source.before, answer=source.answer)
    receiver = kit.device()
    receiver.set_registers(100, [BEFORE])
    apply = CASES[case]
    if when == "at first start":
        apply(source)
    plant = await kit.plant(
        [value_of(case)],
        source=device,
        receiver=receiver,
        on_loss=on_loss,
        alive=Point(Table.HOLDING, 9, UINT16),
        limits=Limits(timeout_ns=150 * MS),
    )
    if when == "at first start":
        await asyncio.sleep(0.05)
    elif when == "after a return":
        await asyncio.sleep(2.05)
        source.link = "cut"
        await asyncio.sleep(4)
        source.link = "up"
        source.counts = case != "source not alive"
        apply(source)
        source.heard.clear()
        await source.heard.wait()
        await asyncio.sleep(0.05)
    else:
        await asyncio.sleep(2.05)
        apply(source)
        await asyncio.sleep(0.1 if when == "in running" else 2.1)
    # What is written now, not what was some time ago: more than two periods of two hundred milliseconds.
    receiver.set_registers(100, [BEFORE])
    await asyncio.sleep(0.45)
    result = plant.carry.results[0]
    register = receiver.registers(100, 1)[0]
    shown = receiver.registers(91, 1)[0]
    await plant.engine.stop()
    written = {BEFORE: "left alone", SUBSTITUTE: "substitute", source.level: "written", CLAMPED: "clamped"}
    if case == "does not fit":
        written[int(str(SUBSTITUTE), 16)] = "substitute"
    return result.reason.words, written[register], ("Bad", "Uncertain", "Good")[shown]


def test_the_document_has_every_cell() -> None:
    assert list(matrix()) == [(case, when) for case in CASES for when in WHEN]


@pytest.mark.parametrize("case", CASES)
@pytest.mark.parametrize("when", WHEN)
def test_cell(kit: Any, case: str, when: str) -> None:
    async def scenario() -> None:
        value, place, status = await look(kit, case, when, OnLoss.HOLD)
        other_value, other_place, other_status = await look(kit, case, when, OnLoss.SUBSTITUTE)
        assert (value, status) == (other_value, other_status)
        places = place if place == other_place else f"{place} / {other_place}"
        assert f"{value}: {places}, {status}" == matrix()[case, when]

    run_virtual(scenario)
