"""Start and return without a bump: no write changes a place by more than its step, whatever it held before."""

from __future__ import annotations

import asyncio
import itertools
import math
import random
import struct
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wherry.engine.approach import ON_THE_WAY, STUCK, Target
from wherry.plan.model import OnLoss, OnStep, Point, Scale, Span, Table, Transfer, Value
from wherry.simulate.virtual_loop import run_virtual
from wherry.values.codec import reader, writer
from wherry.values.types import FLOAT32, FLOAT64, INT16, UINT16, ValueType

MS = 1_000_000
S = 1000 * MS
PLACE = Point(Table.HOLDING, 100, UINT16)


def refused(adu: bytes) -> bytes:
    """The answer of a controller that has no such registers to be read (exception 02)."""
    return adu[:4] + b"\x00\x03" + adu[6:7] + b"\x83\x02"


def stepped(step: float = 5, on_step: OnStep = OnStep.RAMP, **more: Any) -> Value:
    return Value("feed rate", Point(Table.HOLDING, 0, UINT16), PLACE, step=step, on_step=on_step, **more)


class Watched:
    """A receiver that writes down what each write changed its place by, and when. What it misses it does not count."""

    def __init__(self, kit: Any, held: int, delay_ns: int = 5 * MS) -> None:
        self.device = kit.device(delay_ns=delay_ns, before=self._before)
        self.device.set_registers(100, [held])
        self.moved: list[int] = []
        self.moved_ns: list[int] = []

    def _before(self, device: Any, seen: Any) -> None:
        start, count = struct.unpack(">HH", seen.pdu[1:5])
        if seen.is_write and start <= 100 < start + count:
            change = struct.unpack_from(">H", seen.pdu, 6 + 2 * (100 - start))[0] - device.registers(100, 1)[0]
            if change:
                self.moved.append(change)
                self.moved_ns.append(seen.at_ns)


def test_it_begins_where_the_receiver_is_and_moves_in_steps(kit: Any) -> None:
    async def run() -> None:
        watched = Watched(kit, 100)
        receiver = watched.device
        source = kit.device()
        source.set_registers(0, [122])
        plant = await kit.plant([stepped()], source=source, receiver=receiver)
        await asyncio.sleep(0.7)
        assert plant.carry.quality.name == "UNCERTAIN"
        assert plant.carry.quality_reason == "feed rate: moved by `step` towards the source's value"
        assert receiver.registers(91, 1) == [1]
        await asyncio.sleep(2)
        assert receiver.registers(100, 1) == [122]
        assert receiver.registers(91, 1) == [2]
        assert watched.moved == [5, 5, 5, 5, 2]
        # It was looked at before each write.
        assert {each.pdu for each in receiver.reads} == {b"\x03\x00\x64\x00\x01"}
        assert len(receiver.reads) == len([each for each in receiver.writes if each.pdu[1:3] == b"\x00\x64"])
        source.set_registers(0, [111])
        await asyncio.sleep(2)
        assert receiver.registers(100, 1) == [111]
        assert watched.moved[5:] == [-5, -5, -1]
        await plant.engine.stop()
        assert plant.counts_are_exact()

    run_virtual(run)


def test_with_hold_nothing_is_written_until_the_source_is_near(kit: Any) -> None:
    async def run() -> None:
        watched = Watched(kit, 100)
        receiver = watched.device
        source = kit.device()
        source.set_registers(0, [120])
        plant = await kit.plant([stepped(on_step=OnStep.HOLD)], source=source, receiver=receiver)
        await asyncio.sleep(2)
        assert receiver.registers(100, 1) == [100]
        assert plant.carry.delivered == 0
        assert list(plant.carry.failures) == ["feed rate: held: further than `step` from what the receiver holds"]
        source.set_registers(0, [104])
        await asyncio.sleep(1)
        assert receiver.registers(100, 1) == [104]
        assert plant.carry.quality.name == "GOOD"
        await plant.engine.stop()
        assert plant.counts_are_exact()

    run_virtual(run)


def test_what_cannot_be_read_is_not_written(kit: Any) -> None:
    async def run() -> None:
        # Answers writes and refuses reads.
        receiver = kit.device(answer=lambda device, seen, adu: None if seen.is_write else (0, refused(adu)))
        source = kit.device()
        source.set_registers(0, [9, 77])
        plant = await kit.plant([stepped(), *kit.words(1, take=1, put=101)], source=source, receiver=receiver)
        await asyncio.sleep(1)
        assert receiver.registers(100, 1) == [0]
        assert receiver.registers(91, 1) == [0]
        assert list(plant.carry.failures) == [
            "reading what the receiver holds: the controller refused it: illegal data address (02)"
        ]
        # The value beside it, which has no step, is written all the same.
        assert receiver.registers(101, 1) == [77]
        await plant.engine.stop()
        assert plant.counts_are_exact()

    run_virtual(run)


def test_after_a_loss_the_place_is_looked_at_again(kit: Any) -> None:
    async def run() -> None:
        watched = Watched(kit, 0)
        receiver = watched.device
        source = kit.device()
        source.set_registers(0, [3])
        plant = await kit.plant([stepped()], source=source, receiver=receiver)
        await asyncio.sleep(2)
        source.is_dead = True
        await asyncio.sleep(5)
        # Somebody has moved it by hand meanwhile.
        receiver.set_registers(100, [60])
        watched.moved.clear()
        source.is_dead = False
        await asyncio.sleep(10)
        assert receiver.registers(100, 1) == [3]
        assert watched.moved == [-5] * 11 + [-2]
        await plant.engine.stop()

    run_virtual(run)


def test_a_substitute_is_approached_in_steps_too(kit: Any) -> None:
    async def run() -> None:
        watched = Watched(kit, 50)
        receiver = watched.device
        source = kit.device()
        source.set_registers(0, [50])
        plant = await kit.plant([stepped(substitute=20)], source=source, receiver=receiver, on_loss=OnLoss.SUBSTITUTE)
        await asyncio.sleep(2)
        source.is_dead = True
        await asyncio.sleep(15)
        assert receiver.registers(100, 1) == [20]
        assert watched.moved == [-5] * 6
        assert min(after - before for before, after in itertools.pairwise(watched.moved_ns)) >= 170 * MS
        await plant.engine.stop()

    run_virtual(run)


@pytest.mark.parametrize("seed", range(5))
def test_ten_restarts_with_random_states(kit: Any, seed: int) -> None:
    """Fifty restarts in all: nothing before arming, and no write beyond the step."""
    rng = random.Random(seed)

    async def run() -> None:
        for restart in range(10):
            watched = Watched(kit, rng.randrange(1000), rng.randrange(1, 40) * MS)
            source = kit.device(
                delay_ns=rng.randrange(1, 40) * MS, before=lambda device, _: device.set_registers(0, [level()])
            )
            plant = await kit.plant(
                [stepped(7, rng.choice(list(OnStep)), substitute=rng.randrange(1000))],
                source=source,
                receiver=watched.device,
                on_loss=rng.choice(list(OnLoss)),
                armed=restart > 0,
                seed=seed * 100 + restart,
            )
            for _ in range(rng.randrange(1, 5)):
                await asyncio.sleep(rng.uniform(0, 3))
                source.is_dead = rng.random() < 0.3
                watched.device.is_dead = rng.random() < 0.2
            source.is_dead = watched.device.is_dead = False
            await asyncio.sleep(rng.uniform(0, 3))
            if not plant.carry.is_armed:
                assert watched.device.writes == []
            steps.extend(watched.moved)
            await plant.engine.stop()
            assert plant.counts_are_exact()

    steps: list[int] = []
    levels = [rng.randrange(1000)]

    def level() -> int:
        levels[0] = rng.randrange(1000) if rng.random() < 0.05 else max(0, min(999, levels[0] + rng.randint(-9, 9)))
        return levels[0]

    run_virtual(run)
    assert max(map(abs, steps)) == 7


@given(
    st.sampled_from([INT16, UINT16, FLOAT32, FLOAT64]),
    st.floats(-30000, 30000, width=32),
    st.floats(-30000, 30000, width=32),
    st.floats(1, 1000, width=32),
)
def test_no_rounding_makes_a_step_longer(kind: ValueType, held: float, wanted: float, step: float) -> None:
    place = Point(Table.HOLDING, 100, kind)
    if kind in (INT16, UINT16):
        held, wanted = (float(abs(int(each)) if kind is UINT16 else int(each)) for each in (held, wanted))
    value = Value("feed rate", place, place, step=step, scale=Scale(0, 1, 0, 1))
    target = Target(value, S)
    encode, decode = writer(place), reader(place)
    whole = kind in (INT16, UINT16)
    content = encode(int(held) if whole else held)
    target.read(content)
    put, why = target.limit(encode(int(wanted) if whole else wanted), S)
    assert put is not None
    after, before, asked = decode(put), decode(content), decode(encode(int(wanted) if whole else wanted))
    assert isinstance(after, int | float)
    assert isinstance(before, int | float)
    assert isinstance(asked, int | float)
    assert abs(after - before) <= step * (1 + 2**-50)
    if why:
        # It goes the right way, and as far as the format lets it.
        assert (after - before) * (asked - before) >= 0
        assert abs(after - before) > step - 1.01 - abs(before) * 2**-21
    else:
        assert after == asked


@pytest.mark.parametrize("delay_ms", [5, 26, 60, 90])
def test_a_slow_receiver_gets_there_too(kit: Any, delay_ms: int) -> None:
    async def run() -> None:
        watched = Watched(kit, 100, delay_ms * MS)
        source = kit.device()
        source.set_registers(0, [122])
        plant = await kit.plant([stepped()], source=source, receiver=watched.device)
        await asyncio.sleep(10)
        assert watched.device.registers(100, 1) == [122]
        assert watched.moved == [5, 5, 5, 5, 2]
        await plant.engine.stop()
        assert plant.counts_are_exact()

    run_virtual(run)


def test_local_mode_and_a_hand_make_no_bump(kit: Any) -> None:
    """The device answers and ignores, then somebody moves the place, then it obeys again."""

    async def run() -> None:
        watched = Watched(kit, 100)
        receiver = watched.device
        is_local = [True]

        def keep(held: int) -> None:
            if is_local[0]:
                receiver.set_registers(100, [held])
                asyncio.get_running_loop().call_later(0.001, keep, held)

        source = kit.device()
        source.set_registers(0, [500])
        plant = await kit.plant([stepped()], source=source, receiver=receiver)
        keep(100)
        await asyncio.sleep(20)
        assert plant.carry.quality.name == "UNCERTAIN"
        is_local[0] = False
        await asyncio.sleep(1)
        receiver.set_registers(100, [30])
        watched.moved.clear()
        await asyncio.sleep(1)
        assert set(watched.moved) == {5}
        await plant.engine.stop()
        assert plant.counts_are_exact()

    run_virtual(run)


def transfer_of(name: str, index: int, step: float | None) -> Transfer:
    place = Point(Table.HOLDING, 100 + index, UINT16)
    value = Value("feed", Point(Table.HOLDING, index, UINT16), place, step=step, substitute=3)
    status = Span(Table.HOLDING, 80 + 10 * index, 4)
    return Transfer(name, "skid", "hall", 200 * MS, S, (value,), OnLoss.SUBSTITUTE, True, None, status)


def test_the_first_values_may_come_while_substitutes_are_on_their_way(kit: Any) -> None:
    async def run() -> None:
        quiet = {"source": True, "receiver": True}

        def silent(which: str) -> Any:
            return lambda device, seen, adu: (0, None) if quiet[which] and not seen.is_write else None

        plant = await kit.plant(
            source=kit.device(answer=silent("source")),
            receiver=kit.device(answer=silent("receiver")),
            transfers=[transfer_of("a", 0, 5), transfer_of("b", 1, None)],
        )
        await asyncio.sleep(1.6)
        quiet["source"] = False
        await asyncio.sleep(5)
        quiet["receiver"] = False
        await asyncio.sleep(30)
        assert [each.quality.name for each in plant.engine.carries] == ["GOOD", "GOOD"]
        await plant.engine.stop()
        assert plant.counts_are_exact()

    run_virtual(run)


@st.composite
def float_moves(draw: st.DrawFn) -> tuple[ValueType, float, float, float]:
    """A float of any size, where it is to go, and a step of about as much as two neighbours differ."""
    bits = draw(st.sampled_from([32, 64]))
    largest = 2.0 ** {32: 120, 64: 1000}[bits]
    numbers = st.floats(-largest, largest, width=32 if bits == 32 else 64)
    held = draw(numbers)
    apart = float(_distance(held, bits, is_away=True))
    factor = draw(st.sampled_from([0.49, 0.5, 0.9, 1.0, 1.1, 1.5, 1.9, 2.5, 1000.0]))
    return (FLOAT32 if bits == 32 else FLOAT64), held, draw(numbers), max(apart * factor, 5e-324)


def _distance(number: float, bits: int, *, is_away: bool) -> Fraction:
    """How far the next number of the format is, away from zero or towards it (IEEE 754-2019, 3.3)."""
    digits, least = {32: (24, Fraction(1, 2**149)), 64: (53, Fraction(1, 2**1074))}[bits]
    significand, exponent = math.frexp(abs(number))
    spacing = Fraction(2) ** (exponent - digits) if number else least
    if not is_away and significand == 0.5:
        spacing /= 2
    return max(spacing, least)


@given(float_moves())
def test_a_float_moves_as_far_as_the_step_lets_it_and_says_when_that_is_nowhere(
    move: tuple[ValueType, float, float, float],
) -> None:
    kind, held, wanted, step = move
    place = Point(Table.HOLDING, 100, kind)
    target = Target(Value("feed rate", place, place, step=step), S)
    encode, decode = writer(place), reader(place)
    target.read(encode(held))
    put, why = target.limit(encode(wanted), S)
    exact_step = target.step
    is_up = wanted > held
    if abs(Fraction(wanted) - Fraction(held)) <= exact_step:
        assert (put, why) == (encode(wanted), "")
        return
    if put is None:
        assert why == STUCK
        is_away = held == 0 or is_up is (held > 0)
        assert _distance(held, kind.bits, is_away=is_away) > exact_step
        return
    assert why == ON_THE_WAY
    after = decode(put)
    assert isinstance(after, float)
    moved = (Fraction(after) - Fraction(held)) * (1 if is_up else -1)
    assert 0 < moved <= exact_step
    # Not one number further would it have been within the step.
    further = _distance(after, kind.bits, is_away=after == 0 or is_up is (after > 0))
    assert moved + further > exact_step


@pytest.mark.parametrize("on_loss", list(OnLoss))
def test_a_float_that_cannot_be_moved_by_its_step_is_not_written_and_says_so(kit: Any, on_loss: OnLoss) -> None:
    async def run() -> None:
        source, receiver = kit.device(), kit.device()
        source.set_registers(0, [*struct.unpack(">2H", struct.pack(">f", 1e9 + 6400)), 77])
        receiver.set_registers(100, struct.unpack(">2H", struct.pack(">f", 1e9)))
        points = [Point(Table.HOLDING, start, FLOAT32) for start in (0, 100)]
        value = Value("feed rate", points[0], points[1], step=1.0, substitute=5.0)
        plant = await kit.plant(
            [value, *kit.words(1, take=2, put=102)], source=source, receiver=receiver, on_loss=on_loss
        )
        await asyncio.sleep(5)
        assert receiver.registers(100, 3) == [*struct.unpack(">2H", struct.pack(">f", 1e9)), 77]
        assert not [each for each in receiver.writes if each.pdu[1:3] == b"\x00\x64"]
        assert plant.carry.quality.name == "UNCERTAIN"
        assert plant.carry.quality_reason == f"feed rate: {STUCK}"
        assert receiver.registers(91, 1) == [1]
        # Where its numbers are near enough to each other it moves.
        receiver.set_registers(100, struct.unpack(">2H", struct.pack(">f", 100)))
        await asyncio.sleep(5)
        assert plant.carry.quality_reason == f"feed rate: {ON_THE_WAY}"
        (number,) = struct.unpack(">f", struct.pack(">2H", *receiver.registers(100, 2)))
        assert 120 <= number <= 126
        await plant.engine.stop()
        assert plant.counts_are_exact()

    run_virtual(run)


def test_a_float_that_cannot_be_moved_fails_a_transfer_that_has_nothing_else(kit: Any) -> None:
    async def run() -> None:
        source, receiver = kit.device(), kit.device()
        source.set_registers(0, struct.unpack(">2H", struct.pack(">f", 1e9 + 6400)))
        receiver.set_registers(100, struct.unpack(">2H", struct.pack(">f", 1e9)))
        points = [Point(Table.HOLDING, start, FLOAT32) for start in (0, 100)]
        plant = await kit.plant([Value("feed rate", points[0], points[1], step=1.0)], source=source, receiver=receiver)
        await asyncio.sleep(5)
        assert list(plant.carry.failures) == [f"feed rate: {STUCK}"]
        assert (plant.carry.quality.name, plant.carry.delivered) == ("BAD", 0)
        await plant.engine.stop()

    run_virtual(run)
