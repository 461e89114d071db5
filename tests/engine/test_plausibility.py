"""Steps that a value cannot make, and counters that go the wrong way."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from typing import Any

import pytest

from wherry.engine.plausibility import SLACK_FLOAT32, Plausibility
from wherry.plan.model import Direction, Point, Table, Value
from wherry.simulate.virtual_loop import run_virtual
from wherry.values.quality import Reason
from wherry.values.types import UINT16

MS = 1_000_000
S = 1000 * MS
GOOD, JUMPED, WRONG = Reason.GOOD, Reason.BAD_JUMPED, Reason.BAD_COUNTED_WRONG
WAITING, OUTSIDE = Reason.BAD_WAITING_FOR_INITIAL_DATA, Reason.BAD_OUT_OF_RANGE


def judged(numbers: Sequence[float | None], **rules: Any) -> list[Reason | None]:
    """One reading a period of 200 ms, None for one that was missed; forgotten after a second."""
    watch = Plausibility(period_ns=200 * MS, forget_ns=S, **rules)
    return [
        None if number is None else watch.judge(number, index * 200 * MS + 3 * MS * (index % 2))
        for index, number in enumerate(numbers)
    ]


def test_the_first_reading_waits_for_a_second_that_fits_it() -> None:
    assert judged([5, 6, 7], jump=1) == [WAITING, GOOD, GOOD]
    assert judged([0, 500, 501], jump=1) == [WAITING, JUMPED, GOOD]


def test_a_single_false_number_is_bad_and_changes_nothing() -> None:
    assert judged([5, 6, 32767, 6, 7], jump=1) == [WAITING, GOOD, JUMPED, GOOD, GOOD]
    assert judged([5, 6, 0, 0, 6], jump=1) == [WAITING, GOOD, JUMPED, JUMPED, GOOD]


def test_a_new_level_is_believed_when_the_old_one_is_forgotten() -> None:
    assert judged([5, 5, 900, 900, 901, 901, 901, 902], jump=1) == [WAITING, GOOD, *[JUMPED] * 5, GOOD]


def test_noise_is_never_believed() -> None:
    assert GOOD not in judged([1000 * (index % 7) for index in range(50)], jump=9)


def test_missed_readings_leave_room_for_as_many_steps() -> None:
    assert judged([5, 5, None, 7], jump=1) == [WAITING, GOOD, None, GOOD]
    assert judged([5, 5, None, 8], jump=1) == [WAITING, GOOD, None, JUMPED]


@pytest.mark.parametrize(
    ("numbers", "slack"), [((0.6, 0.6, 1.1), {}), ((8.100000381, 8.100000381, 8.600000858), {"slack": SLACK_FLOAT32})]
)
def test_rounding_alone_is_no_step(numbers: tuple[float, ...], slack: dict[str, float]) -> None:
    assert judged(numbers, jump=0.5, **slack) == [WAITING, GOOD, GOOD]
    assert judged([*numbers, numbers[-1] + 0.5001], jump=0.5, **slack)[-1] is JUMPED


def test_a_counter_goes_one_way() -> None:
    assert judged([5, 9, 9, 8, 10], counter=Direction.UP) == [WAITING, GOOD, GOOD, WRONG, GOOD]
    assert judged([9, 5, 5, 6, 4], counter=Direction.DOWN) == [WAITING, GOOD, GOOD, WRONG, GOOD]
    assert judged([5, 9, 100], counter=Direction.UP, jump=10) == [WAITING, GOOD, JUMPED]


def test_a_counter_that_was_set_to_zero_is_believed_again() -> None:
    readings = [70, 71, 0, 1, 2, 3, 4, 5]
    assert judged(readings, counter=Direction.UP) == [WAITING, GOOD, *[WRONG] * 5, GOOD]


def test_a_counter_begins_again_at_its_modulus() -> None:
    up = {"counter": Direction.UP, "modulus": 65536}
    assert judged([65530, 65535, 4, 4, 3], **up) == [WAITING, GOOD, GOOD, GOOD, WRONG]
    assert judged([2, 1, 65535, 65535, 0], counter=Direction.DOWN, modulus=65536) == [
        WAITING,
        GOOD,
        GOOD,
        GOOD,
        WRONG,
    ]
    assert judged([10, 11, 13, 40], jump=2, **up) == [WAITING, GOOD, GOOD, JUMPED]
    assert judged([10, 11, 10], jump=2, **up) == [WAITING, GOOD, WRONG]


def test_no_reading_lies_beyond_the_modulus() -> None:
    assert judged([1, 2, 100, -1, 3], counter=Direction.UP, modulus=100) == [WAITING, GOOD, OUTSIDE, OUTSIDE, GOOD]


@pytest.mark.parametrize(("missed", "reason"), [(1, WRONG), (2, WRONG), (3, WRONG), (4, WRONG), (5, WAITING)])
def test_backwards_is_not_forwards_however_many_readings_were_missed(missed: int, reason: Reason) -> None:
    assert judged([50, 51, *[None] * missed, 40], counter=Direction.UP, modulus=100, jump=40)[-1] is reason


def test_a_float_that_stands_still_is_no_whole_round() -> None:
    assert judged([0.3, 0.1 + 0.2, 0.3], counter=Direction.UP, modulus=10.0) == [WAITING, GOOD, GOOD]


def test_a_false_number_never_reaches_the_receiver(kit: Any) -> None:
    """Every seventh reading of the source is a number that its tank cannot have."""
    values = (Value("level", Point(Table.HOLDING, 0, UINT16), Point(Table.HOLDING, 100, UINT16), jump=2),)
    served: list[int] = []

    def moving(device: Any, seen: Any) -> None:
        if not seen.is_write:
            served.append(0 if seen.index % 7 == 3 else 500 + seen.index)
            device.set_registers(0, [served[-1]])

    async def scenario() -> None:
        plant = await kit.plant(values, source=kit.device(before=moving))
        await asyncio.sleep(60)
        await plant.engine.stop()
        put = [int.from_bytes(each.pdu[6:8], "big") for each in plant.receiver.writes if each.pdu[1:3] == b"\0\x64"]
        assert put == [number for number in served[1:] if number]
        assert plant.counts_are_exact()
        assert "water is Bad: level: stepped further than it can" in [each.message for each in plant.events]

    run_virtual(scenario)
