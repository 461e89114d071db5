"""Values that move: within their bounds, the same every time, and fit for what the plan says of them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wherry.errors import LocalError
from wherry.plan.model import Point, Signal, Table, Value
from wherry.protocol.message import unpack_registers
from wherry.simulate.signals import (
    COPY_PERIOD_NS,
    derived_movers,
    derived_range,
    duration_text,
    mover_of,
    shape_of,
)
from wherry.values.codec import decode
from wherry.values.scaling import Scale, line_of
from wherry.values.types import BCD16, BOOL, FLOAT32, INT16, INT32, UINT16, UINT64, Order, ValueType, raw, string

S = 1_000_000_000
SHAPES = ("constant", "ramp", "sine", "walk", "counter", "step")
NUMBER_TYPES = (INT16, UINT16, INT32, UINT64, FLOAT32, BCD16)


def holding(address: int, value_type: ValueType = UINT16, order: Order = Order.ABCD, bit: int | None = None) -> Point:
    return Point(Table.HOLDING, address, value_type, order, bit)


def value_at(take: Point, put: Point | None = None, **more: object) -> Value:
    return Value("tank 1 oxygen", take, put or take, **more)  # type: ignore[arg-type]


@given(st.sampled_from(SHAPES), st.floats(-1e6, 1e6), st.floats(0, 1e6), st.integers(0, 10**17), st.integers(0, 99))
def test_shapes_stay_within_their_bounds(name: str, low: float, width: float, now_ns: int, seed: int) -> None:
    high = low + width
    value = shape_of(name, low, high, 7 * S, seed)(now_ns)
    slack = 1e-9 * max(1, abs(low), abs(high))
    assert value >= low - slack
    if name != "counter":
        assert value <= high + slack


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("constant", [2, 2, 2, 2, 2]),
        ("ramp", [2, 4, 6, 8, 2]),
        ("sine", [6, 10, 6, 2, 6]),
        ("step", [2, 2, 10, 10, 2]),
        ("counter", [2, 2, 2, 2, 3]),
    ],
)
def test_quarters_of_a_period(name: str, expected: Sequence[float]) -> None:
    shape = shape_of(name, 2, 10, 4 * S)
    assert [shape(quarter * S) for quarter in range(5)] == pytest.approx(expected)


def test_a_walk_wanders_smoothly_and_repeats_by_its_seed() -> None:
    walk = shape_of("walk", 0, 1, 60 * S, seed=3)
    values = [walk(step * S // 10) for step in range(6000)]
    assert values == [shape_of("walk", 0, 1, 60 * S, seed=3)(step * S // 10) for step in range(6000)]
    assert values != [shape_of("walk", 0, 1, 60 * S, seed=4)(step * S // 10) for step in range(6000)]
    assert max(values) - min(values) > 0.5
    assert max(abs(b - a) for a, b in pairwise(values)) < 0.05


def test_an_unknown_shape_is_named() -> None:
    with pytest.raises(LocalError, match="no signal shape `zigzag`; there are constant, ramp"):
        shape_of("zigzag", 0, 1, S)


@pytest.mark.parametrize("value_type", NUMBER_TYPES)
@pytest.mark.parametrize("order", [Order.ABCD, Order.CDAB])
def test_a_signal_is_held_within_what_its_type_can_hold(value_type: ValueType, order: Order) -> None:
    point = holding(0, value_type, order)
    mover = mover_of(Signal(point, "sine", -1e30, 1e30, 4 * S), seed=1)
    low, high = decode(point, mover.bytes_at(3 * S)), decode(point, mover.bytes_at(S))
    assert isinstance(low, int | float)
    assert isinstance(high, int | float)
    assert low < high
    assert len(mover.bytes_at(0)) == 2 * point.count


def test_a_counter_goes_round() -> None:
    mover = mover_of(Signal(holding(9), "counter", 5, 100, S), seed=1)
    counted = [decode(holding(9), mover.bytes_at(at * S)) for at in (0, 1, 65530, 65531, 65532)]
    assert counted == [5, 6, 65535, 5, 6]


@pytest.mark.parametrize(
    ("shape", "low", "high", "expected"),
    [
        ("constant", 1, 100, [True, True, True, True]),
        ("constant", 0, 100, [False, False, False, False]),
        ("step", 0, 1, [False, False, True, True]),
        ("counter", 0, 1, [False, False, False, False]),
        ("ramp", 0, 1, [False, False, False, True]),
    ],
)
def test_bits_are_on_in_the_upper_half(shape: str, low: float, high: float, expected: Sequence[bool]) -> None:
    for point in (Point(Table.DISCRETE, 3), holding(12, BOOL, bit=3), holding(12, BOOL)):
        mover = mover_of(Signal(point, shape, low, high, 4 * S), seed=1)
        assert [mover.bytes_at(at * S)[-1] == 1 for at in range(4)] == expected


def test_text_cannot_be_a_signal() -> None:
    with pytest.raises(LocalError, match="cannot move by a signal"):
        mover_of(Signal(holding(0, string(4)), "sine"), seed=1)


@pytest.mark.parametrize("take_scale", [None, Scale(0, 200, 0, 20), Scale(4000, 20000, -50, 50), Scale(0, 100, 20, 0)])
@pytest.mark.parametrize("value_type", [INT16, UINT16, FLOAT32])
def test_what_nobody_declared_swings_inside_its_range(take_scale: Scale | None, value_type: ValueType) -> None:
    value = value_at(holding(0, value_type), take_scale=take_scale, range=(5.0, 15.0))
    mover = derived_movers([value], (), (), seed=1)[0]
    line = line_of(take_scale)
    shown = [line.at(number) for number in (decode(value.take, mover.bytes_at(at * S)) for at in range(100)) if number]  # type: ignore[arg-type]
    assert len(shown) == 100
    assert min(shown) >= 5
    assert max(shown) <= 15
    assert max(shown) - min(shown) > 5


@pytest.mark.parametrize(
    ("value", "expected"),
    [
        (value_at(holding(0)), (10, 90)),
        (value_at(holding(0), scale=Scale(0, 20, 0, 2000)), (2, 18)),
        (value_at(holding(0), take_scale=Scale(0, 1000, 0, 10)), (100, 900)),
        (value_at(holding(0, INT16), range=(-1e6, 1e6)), (-32768, 32767)),
        (value_at(holding(0), take_scale=Scale(0, 1, 5, 5)), (5, 5)),
    ],
)
def test_the_range_of_what_nobody_declared(value: Value, expected: tuple[float, float]) -> None:
    assert derived_range(value) == expected


def test_codes_that_mean_no_value_are_never_given_out() -> None:
    value = value_at(holding(0, INT16), range=(0, 4), not_available=(1, 2, -1))
    mover = derived_movers([value], (), (), seed=1)[0]
    seen = {decode(value.take, mover.bytes_at(at * S // 10)) for at in range(1000)}
    assert seen == {0, 3, 4}


def test_words_of_a_copy_count_up_together() -> None:
    movers = derived_movers([value_at(holding(30, raw(10)))], (), (), seed=1)
    for round_number in (0, 1, 65530):
        words = unpack_registers(movers[0].bytes_at(round_number * COPY_PERIOD_NS + 7))
        assert words == tuple((round_number + index) % 65536 for index in range(10))
        assert movers[0].part is not None
        part = movers[0].part(34, 36)
        assert (part.address, part.count) == (34, 2)
        assert unpack_registers(part.bytes_at(round_number * COPY_PERIOD_NS + 7)) == words[4:6]


def test_bits_of_a_copy_toggle() -> None:
    movers = derived_movers([value_at(Point(Table.COIL, 0, raw(3)))], (), (), seed=1)
    assert [movers[0].bytes_at(turn * COPY_PERIOD_NS) for turn in range(3)] == [b"\x02", b"\x05", b"\x02"]


def test_what_is_declared_or_comes_first_has_its_way() -> None:
    declared = Signal(holding(0, FLOAT32), "constant", 7.5)
    values = [
        value_at(holding(0, FLOAT32)),
        value_at(holding(1, INT16)),
        value_at(holding(2, BOOL, bit=3)),
        value_at(holding(2, BOOL, bit=3)),
        value_at(holding(0, raw(4))),
    ]
    movers = derived_movers(values, [(holding(3), S)], [declared], seed=1)
    # Words 0 and 1 of the copy belong to the declared signal, word 3 to the counter; bit 3 of word 2 moves by itself.
    assert [(each.address, each.count, each.bit) for each in movers] == [(2, 1, None), (3, 1, None), (2, 1, 3)]


def test_an_alive_counter_moves_between_any_two_readings() -> None:
    for point in (holding(9), holding(9, BOOL, bit=0), Point(Table.COIL, 9), holding(9, raw(1))):
        mover = derived_movers((), [(point, S)], (), seed=1)[0]
        assert mover.bytes_at(0) != mover.bytes_at(S // 2)
    counter = derived_movers((), [(holding(9), S)], (), seed=1)[0]
    seen = [counter.bytes_at(turn * S) for turn in range(100)]
    assert len(set(seen)) == 100


def test_text_holds_the_name_of_its_value() -> None:
    value = value_at(holding(0, string(6)))
    assert decode(value.take, derived_movers([value], (), (), seed=1)[0].bytes_at(0)) == "tank 1"


def test_every_movement_can_be_told() -> None:
    assert (
        mover_of(Signal(holding(0, FLOAT32), "sine", 6.5, 11, 20 * S), 1).text
        == "holding 0 float32: sine 6.5 to 11 in 20 s"
    )
    assert mover_of(Signal(holding(9), "counter", 0, 100, S // 10), 1).text == "holding 9 uint16: counter every 100 ms"
    assert mover_of(Signal(Point(Table.COIL, 5), "constant", 1), 1).text == "coil 5: constant 1"
    assert [duration_text(each) for each in (5, 5_000, 5_000_000, 90 * S)] == ["5 ns", "5 us", "5 ms", "90 s"]


def test_a_sine_is_a_sine() -> None:
    shape = shape_of("sine", -1, 1, 2 * S)
    assert shape(S // 3) == pytest.approx(math.sin(math.pi / 3), abs=1e-8)
