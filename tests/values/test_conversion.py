"""Conversions: whatever is read, what is put is the declared number or nothing. The oracle works in fractions."""

from __future__ import annotations

import math
import sys
from fractions import Fraction

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from wherry.errors import LocalError
from wherry.plan.model import Point, Table
from wherry.values.codec import DoesNotFitError, Value, decode, encode, type_range
from wherry.values.conversion import Conversion, Converted, Rules
from wherry.values.quality import Quality, Reason
from wherry.values.scaling import IDENTITY, Line, Rounding, Scale, exact, line_of
from wherry.values.types import (
    BCD16,
    BOOL,
    FLOAT32,
    FLOAT64,
    INT16,
    INT32,
    INT64,
    NUMBERS,
    UINT16,
    UINT32,
    UINT64,
    Kind,
    Order,
    ValueType,
    raw,
    string,
)
from wherry.values.units import unit_line

WHOLES = [each for each in NUMBERS.values() if each.kind is not Kind.FLOAT]
PAIRS = [(take, put) for take in NUMBERS.values() for put in NUMBERS.values()]
HALF = Fraction(1, 2)

numbers = st.sampled_from(list(NUMBERS.values()))
wholes = st.sampled_from(WHOLES)
orders = st.sampled_from(Order)


def point(value_type: ValueType, order: Order = Order.ABCD, bit: int | None = None) -> Point:
    return Point(Table.HOLDING, 0, value_type, order, bit)


def convert(take: ValueType, put: ValueType, value: Value, rules: Rules | None = None) -> Converted:
    return Conversion(point(take), point(put), rules).convert(encode(point(take), value))


def put_number(put: Point, converted: Converted) -> int | float:
    assert converted.put is not None
    number = decode(put, converted.put)
    assert isinstance(number, int | float)
    return number


def nearest(number: Fraction, value_type: ValueType) -> Fraction | None:
    """The number that a type shows ``number`` as, rounded half to even; None if it cannot."""
    low, high = type_range(value_type)
    if value_type.kind is not Kind.FLOAT:
        whole = round(number)
        return Fraction(whole) if low <= whole <= high else None
    digits, least = {32: (24, -149), 64: (53, -1074)}[value_type.bits]  # IEEE 754-2019, table 3.2
    if number == 0:
        return Fraction(0)
    exponent = abs(number.numerator).bit_length() - number.denominator.bit_length() - digits - 1
    while abs(number) / Fraction(2) ** exponent >= 2**digits:
        exponent += 1
    step = Fraction(2) ** max(exponent, least)
    shown = round(number / step) * step
    return shown if low <= shown <= high else None


def test_the_oracle_itself() -> None:
    for number in (0.1, 1 / 3, -2.5e-44, 16777217.0, 3.4028235e38, 1e39, 5e-46):
        try:
            expected = Fraction(float(decode(point(FLOAT32), encode(point(FLOAT32), number))))
        except DoesNotFitError:
            assert nearest(Fraction(number), FLOAT32) is None
        else:
            assert nearest(Fraction(number), FLOAT32) == expected
        assert nearest(Fraction(number), FLOAT64) == Fraction(number)


# Ends: never another number


@pytest.mark.parametrize(("take", "put"), PAIRS, ids=lambda each: each.name)
@pytest.mark.parametrize("clamp", [False, True])
def test_both_ends_of_both_types_and_one_beyond(take: ValueType, put: ValueType, clamp: bool) -> None:
    """The numbers around the ends of source and destination arrive as they are, or not, or at the very end."""
    conversion = Conversion(point(take), point(put), Rules(clamp=clamp))
    low, high = type_range(put)
    ends = [Fraction(end) for end in (low, high, *type_range(take))]
    around = {end + step for end in ends for step in (Fraction(-1), -HALF, Fraction(0), HALF, Fraction(1))}
    if put.kind is Kind.FLOAT:
        around |= {Fraction(low) * 2, Fraction(high) * 2, Fraction(high) + Fraction(2) ** 102}
    tried = 0
    for wanted in sorted({Fraction(0), *around}):
        held = nearest(wanted, take)
        if held is None or (take.kind is not Kind.FLOAT and held != wanted):
            continue
        tried += 1
        number = int(held) if take.kind is not Kind.FLOAT else float(held)
        converted = conversion.convert(encode(point(take), number))
        arrives = nearest(held, put)
        assert converted.value == number
        if arrives is not None:
            assert put_number(point(put), converted) == arrives
            assert converted[2:] == (Quality.GOOD, Reason.GOOD)
        elif clamp:
            assert put_number(point(put), converted) == (low if held < low else high)
            assert converted[2:] == (Quality.UNCERTAIN, Reason.UNCERTAIN_ENGINEERING_UNITS_EXCEEDED)
        else:
            assert converted[1:] == (None, Quality.BAD, Reason.BAD_NUMERIC_OVERFLOW)
    assert tried >= 3


# Whatever is read, with any rules


plain_numbers = st.one_of(
    st.integers(-(10**6), 10**6),
    st.decimals(-1000, 1000, places=3).map(float),
    # Far smaller ones would be told apart by less than a double can show.
    st.floats(-1e9, 1e9).filter(lambda each: each == 0 or abs(each) > 1e-30),
)
scales = st.builds(Scale, plain_numbers, plain_numbers, plain_numbers, plain_numbers).filter(
    lambda each: each.from_low != each.from_high
)
lines = st.one_of(
    st.just(IDENTITY),
    scales.map(line_of),
    st.sampled_from([unit_line("degC", "degF"), unit_line("L/min", "m3/h"), unit_line("rpm", "rad/s")]),
)
ranges = st.one_of(
    st.none(),
    st.tuples(plain_numbers, plain_numbers).filter(lambda each: each[0] < each[1]),
)
any_rules = st.builds(
    Rules, to_shown=lines, range=ranges, to_put=lines, clamp=st.booleans(), rounding=st.sampled_from(Rounding)
)


def whole_by(number: Fraction, rounding: Rounding) -> int:
    down = math.floor(number)
    return {
        Rounding.EVEN: round(number),
        Rounding.DOWN: down,
        Rounding.UP: -math.floor(-number),
        Rounding.ZERO: down if number >= 0 else -math.floor(-number),
        Rounding.AWAY: math.floor(number + HALF) if number >= 0 else -math.floor(-number + HALF),
    }[rounding]


def judge(take: Point, put: Point, rules: Rules, wire: bytes, converted: Converted) -> None:
    """Holds any conversion of numbers against what was declared, with exact arithmetic."""
    assert converted.quality is converted.reason.quality
    assert (converted.put is None) == (converted.quality is Quality.BAD)
    assert (converted.quality is Quality.GOOD) == (converted.reason is Reason.GOOD)
    if converted.reason is Reason.BAD_DECODING_ERROR:
        if take.type.kind is Kind.BCD:
            assert any(digit in "abcdef" for digit in wire.hex())
        else:
            number = decode(take, wire)
            assert isinstance(number, float)
            assert not math.isfinite(number)
        return
    number = decode(take, wire)
    assert isinstance(number, int | float)
    assert isinstance(converted.value, int | float)
    assert math.isfinite(converted.value)
    is_float = take.type.kind is Kind.FLOAT
    # Double precision: a few units in the last place of the largest intermediate number.
    shown = rules.to_shown.at(number)
    size = abs(rules.to_shown.factor * Fraction(number)) + abs(rules.to_shown.offset)
    # What is shown to people ends at the greatest double, and is no finer than the least one.
    greatest_shown = Fraction(sys.float_info.max)
    slack_shown = size / 2**50 + Fraction(math.ulp(0.0))
    assert abs(Fraction(converted.value) - max(-greatest_shown, min(greatest_shown, shown))) <= slack_shown
    arrives = rules.to_shown.then(rules.to_put).at(number)
    if rules.range is not None:
        least, greatest = exact(rules.range[0]), exact(rules.range[1])
        slack = (size + abs(least) + abs(greatest)) / 2 ** (23 if take.type == FLOAT32 else 50) if is_float else 0
        if not least - slack <= shown <= greatest + slack:
            assert converted.reason in (Reason.BAD_OUT_OF_RANGE, Reason.UNCERTAIN_ENGINEERING_UNITS_EXCEEDED)
        elif least + slack <= shown <= greatest - slack:
            assert converted.reason is not Reason.BAD_OUT_OF_RANGE
        if converted.quality is Quality.UNCERTAIN and not least < shown < greatest:
            arrives = rules.to_put.at(least if shown <= least else greatest)
            is_float = False  # worked out once, exactly
    else:
        assert converted.reason is not Reason.BAD_OUT_OF_RANGE
    low, high = type_range(put.type)
    whole_line = rules.to_shown.then(rules.to_put)
    slack = (abs(whole_line.factor * Fraction(number)) + abs(whole_line.offset)) / 2**50 if is_float else Fraction(0)
    if put.type.kind is Kind.FLOAT:
        rounded_by = max(abs(arrives) / 2 ** (put.type.bits - 9 if put.type.bits == 32 else 52), Fraction(1, 2**149))
        allowed = {arrives - slack - rounded_by, arrives + slack + rounded_by}
    else:
        allowed = {Fraction(whole_by(arrives + each, rules.rounding)) for each in (-slack, 0, slack)}
    least_allowed, greatest_allowed = min(allowed), max(allowed)
    if converted.quality is Quality.GOOD:
        assert least_allowed <= put_number(put, converted) <= greatest_allowed
    elif converted.reason is Reason.BAD_NUMERIC_OVERFLOW:
        assert not rules.clamp
        assert least_allowed < low or greatest_allowed > high
    elif converted.quality is Quality.UNCERTAIN:
        assert rules.clamp
        clamped = [min(max(each, Fraction(low)), Fraction(high)) for each in (least_allowed, greatest_allowed)]
        assert clamped[0] <= put_number(put, converted) <= clamped[1]


@settings(max_examples=400)
@given(numbers, orders, numbers, orders, any_rules, st.data())
def test_whatever_is_read(
    take_type: ValueType, take_order: Order, put_type: ValueType, put_order: Order, rules: Rules, data: st.DataObject
) -> None:
    take, put = point(take_type, take_order), point(put_type, put_order)
    size = 2 * take.count
    wire = data.draw(st.binary(min_size=size, max_size=size))
    judge(take, put, rules, wire, Conversion(take, put, rules).convert(wire))


@settings(max_examples=400)
@given(numbers, numbers, any_rules, st.data())
def test_numbers_of_the_size_that_is_declared(
    take_type: ValueType, put_type: ValueType, rules: Rules, data: st.DataObject
) -> None:
    take, put = point(take_type), point(put_type)
    low, high = type_range(take_type)
    if take_type.kind is Kind.FLOAT:
        number: int | float = data.draw(st.floats(-2000, 2000, width=32))
    else:
        number = data.draw(st.integers(max(int(low), -2000), min(int(high), 2000)))
    wire = encode(take, number)
    judge(take, put, rules, wire, Conversion(take, put, rules).convert(wire))


# Exactness


@given(wholes, orders, wholes, orders, st.data())
def test_whole_numbers_stay_exact(
    take_type: ValueType, take_order: Order, put_type: ValueType, put_order: Order, data: st.DataObject
) -> None:
    (low, high), (put_low, put_high) = type_range(take_type), type_range(put_type)
    number = data.draw(st.integers(max(int(low), int(put_low)), min(int(high), int(put_high))))
    take, put = point(take_type, take_order), point(put_type, put_order)
    converted = Conversion(take, put).convert(encode(take, number))
    assert (converted.value, type(converted.value)) == (number, int)
    assert converted[1:] == (encode(put, number), Quality.GOOD, Reason.GOOD)


@pytest.mark.parametrize("number", [2**63 - 1, -(2**63), 2**53 + 1, 9_007_199_254_740_993])
def test_sixty_four_bits_do_not_go_through_a_float(number: int) -> None:
    halves = Rules(to_shown=line_of(Scale(0, 1, 0, 0.1)), to_put=line_of(Scale(0, 0.1, 0, 1)))
    for rules in (Rules(), halves, Rules(range=(-1e300, 1e300))):
        assert put_number(point(INT64), convert(INT64, INT64, number, rules)) == number


@given(wholes, scales, st.data())
def test_there_and_back_is_within_half_a_step(value_type: ValueType, scale: Scale, data: st.DataObject) -> None:
    """Scaled into a whole number and back, a number moves by no more than half of what one step is worth."""
    line = line_of(scale)
    assume(line.factor != 0)
    low, high = type_range(value_type)
    number = data.draw(st.integers(int(low), int(high)))
    there = convert(value_type, INT64, number, Rules(to_put=line))
    if there.put is None:
        assert abs(line.at(number)) >= 2**63 - 1
        return
    arrived = put_number(point(INT64), there)
    back = Line(1 / line.factor, -line.offset / line.factor)
    assert abs(back.at(arrived) - number) <= HALF / abs(line.factor)


@given(st.integers(0, 65535))
def test_a_hundredth_is_a_hundredth(number: int) -> None:
    """What people read is the decimal number they expect, not 0.28999999999999998 times something."""
    rules = Rules(to_shown=line_of(Scale(0, 100, 0, 1)))
    assert convert(UINT16, UINT16, number, rules).value == float(f"{number}e-2")
    assert convert(FLOAT32, UINT16, number, rules).value == float(f"{number}e-2")


@pytest.mark.parametrize("rounding", Rounding)
@pytest.mark.parametrize("tenths", [-25, -15, -5, 0, 5, 14, 15, 16, 25])
@pytest.mark.parametrize("take", [INT16, FLOAT32, FLOAT64])
def test_rounding_is_the_declared_one(take: ValueType, tenths: int, rounding: Rounding) -> None:
    rules = Rules(to_put=line_of(Scale(0, 10, 0, 1)), rounding=rounding)
    expected = whole_by(Fraction(tenths, 10), rounding)
    assert put_number(point(INT16), convert(take, INT16, tenths, rules)) == expected


def test_units_on_the_way() -> None:
    rules = Rules(to_put=unit_line("degC", "degF").then(line_of(Scale(0, 200, 0, 2000))))
    assert put_number(point(INT16), convert(FLOAT32, INT16, 11.5, rules)) == 527
    assert put_number(point(INT16), convert(INT16, INT16, -40, rules)) == -400
    assert put_number(point(FLOAT32), convert(FLOAT32, FLOAT32, 1.5, Rules(to_put=unit_line("bar", "kPa")))) == 150


# The range


def test_range_with_both_ends_included() -> None:
    rules = Rules(range=(-2, 30))
    for number, reason in [(-3, Reason.BAD_OUT_OF_RANGE), (-2, Reason.GOOD), (30, Reason.GOOD)]:
        assert convert(INT16, INT16, number, rules).reason is reason
    assert convert(INT16, INT16, 31, rules) == (31, None, Quality.BAD, Reason.BAD_OUT_OF_RANGE)


@pytest.mark.parametrize("put", [INT16, FLOAT32, FLOAT64, BCD16])
@pytest.mark.parametrize("take", [INT16, INT64, FLOAT32, FLOAT64])
def test_clamp_puts_the_nearest_end_and_shows_what_was_read(take: ValueType, put: ValueType) -> None:
    rules = Rules(range=(4, 20), clamp=True, to_put=line_of(Scale(4, 20, 100, 900)))
    for number, end in [(-7, 100), (3, 100), (21, 900), (30000, 900)]:
        converted = convert(take, put, number, rules)
        assert put_number(point(put), converted) == end
        exceeded = Reason.UNCERTAIN_ENGINEERING_UNITS_EXCEEDED
        assert (converted.value, converted[2:]) == (number, (Quality.UNCERTAIN, exceeded))


def test_clamp_when_the_end_of_the_range_does_not_fit_either() -> None:
    rules = Rules(range=(0, 100000), clamp=True)
    assert put_number(point(UINT16), convert(UINT32, UINT16, 200000, rules)) == 65535
    assert put_number(point(UINT16), convert(UINT32, UINT16, 70000, rules)) == 65535


@pytest.mark.parametrize("falling", [False, True])
def test_range_behind_a_scale(falling: bool) -> None:
    """A falling scale turns the ends around."""
    scale = Scale(0, 4000, 20, 0) if falling else Scale(0, 4000, 0, 20)
    rules = Rules(to_shown=line_of(scale), range=(5, 20), clamp=True)
    for number in (0, 500, 999, 1000, 1001, 2999, 3000, 3001, 4000, 4001, 65535):
        shown = float(line_of(scale).at(number))
        converted = convert(UINT16, FLOAT32, number, rules)
        assert converted.value == shown
        assert put_number(point(FLOAT32), converted) == pytest.approx(min(max(shown, 5), 20), rel=1e-7)
        assert (converted.quality is Quality.GOOD) == (5 <= shown <= 20)


@given(st.floats(0.001, 1000), st.sampled_from([FLOAT32, FLOAT64]))
def test_a_sensor_at_its_very_end_is_in_range(end: float, take: ValueType) -> None:
    """0.1 as a float32 is a little more than 0.1: that is its end, and the next number is beyond."""
    rules = Rules(range=(-end, end))
    for sign in (-1, 1):
        assert convert(take, FLOAT32, sign * end, rules).quality is Quality.GOOD
        assert convert(take, FLOAT32, sign * end * (1 + 2**-22), rules).reason is Reason.BAD_OUT_OF_RANGE


def test_a_range_that_is_never_met() -> None:
    rules = Rules(range=(-30, -5))
    assert {convert(UINT16, INT16, each, rules).reason for each in (0, 1, 65535)} == {Reason.BAD_OUT_OF_RANGE}
    clamped = convert(UINT16, INT16, 7, Rules(range=(-30, -5), clamp=True))
    assert put_number(point(INT16), clamped) == -5


@pytest.mark.parametrize("take", [UINT16, FLOAT32])
def test_a_flat_scale(take: ValueType) -> None:
    """Everything becomes one number, which is in range or is not."""
    flat = line_of(Scale(0, 10, 7, 7))
    for number in (0, 9):
        assert put_number(point(INT16), convert(take, INT16, number, Rules(flat, (0, 10)))) == 7
        assert convert(take, INT16, number, Rules(flat, (8, 10))).reason is Reason.BAD_OUT_OF_RANGE


@pytest.mark.parametrize(("take", "number"), [(FLOAT64, 1.7e308), (FLOAT64, -1.7e308), (UINT64, 2**64 - 1)])
@pytest.mark.parametrize("put", [FLOAT64, FLOAT32, INT16])
@pytest.mark.parametrize("factor", [1e300, 1e15, 1.0, 1e-300])
def test_nothing_infinite_leaves(take: ValueType, put: ValueType, number: float, factor: float) -> None:
    there, back = line_of(Scale(0, 1, 0, factor)), line_of(Scale(0, factor, 0, 1))
    for rules in (Rules(there, None, back), Rules(back, None, there), Rules(there), Rules(to_put=there)):
        converted = convert(take, put, number, rules)
        judge_infinite(converted, put)
        if put == FLOAT64 and rules.to_shown.then(rules.to_put).is_identity:
            assert put_number(point(put), converted) == float(number)


def judge_infinite(converted: Converted, put: ValueType) -> None:
    assert isinstance(converted.value, int | float)
    assert math.isfinite(converted.value)
    if converted.put is not None:
        assert math.isfinite(put_number(point(put), converted))
    else:
        assert converted.reason is Reason.BAD_NUMERIC_OVERFLOW


def test_an_offset_beyond_any_float() -> None:
    far = Line(Fraction(1), Fraction(10) ** 400)
    for take in (FLOAT64, FLOAT32, INT16):
        assert convert(take, FLOAT64, 0, Rules(to_put=far)).reason is Reason.BAD_NUMERIC_OVERFLOW


# Codes for no value


@pytest.mark.parametrize("order", Order)
def test_codes_are_compared_with_all_registers_in_their_order(order: Order) -> None:
    take = point(INT32, order)
    conversion = Conversion(take, point(FLOAT64), Rules(not_available=frozenset({0x80000000, -1, 0x7FFF0001})))
    for number in (-(2**31), -1, 0x7FFF0001):
        assert conversion.convert(encode(take, number)) == (None, None, Quality.BAD, Reason.BAD_SENSOR_FAILURE)
    for number in (0, 1, 0x17FFF, -2, 2**31 - 1):
        assert conversion.convert(encode(take, number)).value == number


def test_a_code_that_the_register_cannot_hold_is_not_cut_down_to_one_that_it_can() -> None:
    rules = Rules(not_available=frozenset({0x10005, -40000}))
    for number in (5, 25536):
        assert convert(UINT16, UINT16, number, rules).quality is Quality.GOOD


def test_a_code_wins_over_clamp_and_over_what_cannot_be_read() -> None:
    rules = Rules(range=(0, 100), clamp=True, not_available=frozenset({0x7FFF}))
    assert convert(INT16, INT16, 32767, rules).reason is Reason.BAD_SENSOR_FAILURE
    bcd = Conversion(point(BCD16), point(INT16), Rules(not_available=frozenset({0xFFFF})))
    assert bcd.convert(b"\xff\xff").reason is Reason.BAD_SENSOR_FAILURE
    assert bcd.convert(b"\xff\x00").reason is Reason.BAD_DECODING_ERROR


def test_codes_of_texts_bits_and_raw() -> None:
    empty = Rules(not_available=frozenset({0}))
    text = Conversion(point(string(4)), point(string(4)), empty)
    assert text.convert(b"\0\0\0\0").reason is Reason.BAD_SENSOR_FAILURE
    assert text.convert(b"fry\0").value == "fry"
    words = Conversion(point(raw(2)), point(raw(2)), empty)
    assert words.convert(b"\0\0\0\0").quality is Quality.BAD
    assert words.convert(b"\0\0\0\1").put == b"\0\0\0\1"
    bit = Conversion(point(BOOL, bit=3), Point(Table.COIL, 0), Rules(not_available=frozenset({0xFFFF})))
    assert bit.convert(b"\xff\xff").reason is Reason.BAD_SENSOR_FAILURE
    assert bit.convert(b"\x00\x08").value is True


# What goes through as it is


@given(st.sampled_from([UINT16, INT16, UINT32, INT32, INT64, UINT64]), orders, st.data())
def test_unchanged_whole_numbers_are_passed_on_as_bytes(
    value_type: ValueType, order: Order, data: st.DataObject
) -> None:
    place = point(value_type, order)
    wire = data.draw(st.binary(min_size=2 * place.count, max_size=2 * place.count))
    conversion = Conversion(place, place)
    assert conversion.is_plain
    assert conversion.convert(wire) == (decode(place, wire), wire, Quality.GOOD, Reason.GOOD)
    assert conversion.read(wire) == decode(place, wire)


@pytest.mark.parametrize(
    ("take", "put", "rules"),
    [
        (point(UINT16), point(INT16), Rules()),
        (point(UINT32), point(UINT32, Order.CDAB), Rules()),
        (point(UINT16), point(UINT16), Rules(range=(0, 65535))),
        (point(UINT16), point(UINT16), Rules(not_available=frozenset({0}))),
        (point(UINT16), point(UINT16), Rules(to_put=line_of(Scale(0, 1, 0, 2)))),
        (point(FLOAT32), point(FLOAT32), Rules()),  # it may hold what is not a number
        (point(BCD16), point(BCD16), Rules()),
        (point(string(5)), point(string(5)), Rules()),  # the sixth byte is not part of the text
        (Point(Table.COIL, 0), Point(Table.COIL, 0), Rules()),
    ],
)
def test_what_has_to_be_looked_at_is_not_plain(take: Point, put: Point, rules: Rules) -> None:
    assert not Conversion(take, put, rules).is_plain


def test_raw_goes_through_untouched() -> None:
    wire = bytes(range(20))
    conversion = Conversion(point(raw(10)), point(raw(10)))
    assert conversion.is_plain
    assert conversion.convert(wire) == (wire, wire, Quality.GOOD, Reason.GOOD)


def test_unchanged_floats_keep_every_bit() -> None:
    for wire in (b"\x80\0\0\0", b"\0\0\0\1", b"\x7f\x7f\xff\xff"):
        assert Conversion(point(FLOAT32), point(FLOAT32)).convert(wire).put == wire


@pytest.mark.parametrize("state", [False, True])
def test_bools_between_bits_of_words_and_tables_of_bits(state: bool) -> None:
    word = point(BOOL, bit=9)
    coil = Point(Table.COIL, 0)
    word_wire, coil_wire = (b"\x02\x00" if state else b"\xfd\xff"), bytes([state])
    assert Conversion(word, coil).convert(word_wire) == (state, coil_wire, Quality.GOOD, Reason.GOOD)
    assert Conversion(coil, word).convert(coil_wire) == (state, coil_wire, Quality.GOOD, Reason.GOOD)


def test_texts() -> None:
    assert Conversion(point(string(6)), point(string(6))).convert(b"fry  \0").put == b"fry  \0"
    longer = Conversion(point(string(4), Order.BADC), point(string(6)))
    assert longer.convert(b"rf\0y") == ("fry", b"fry\0\0\0", Quality.GOOD, Reason.GOOD)
    shorter = Conversion(point(string(6)), point(string(4)))
    assert shorter.convert(b"fry   ").put == b"fry\0"
    assert shorter.convert(b"trout\0") == ("trout", None, Quality.BAD, Reason.BAD_OUT_OF_RANGE)


@pytest.mark.parametrize(
    ("take", "put"),
    [
        (point(UINT16), point(string(2))),
        (point(string(2)), point(UINT16)),
        (point(BOOL, bit=0), point(UINT16)),
        (point(UINT16), Point(Table.COIL, 0)),
        (point(raw(1)), point(UINT16)),
        (point(raw(2)), point(raw(3))),
        (point(raw(2)), Point(Table.COIL, 0, raw(2))),
    ],
)
def test_kinds_without_a_way_between_them(take: Point, put: Point) -> None:
    with pytest.raises(LocalError):
        Conversion(take, put)


# Values of the plan's own


def test_a_substitute_goes_the_way_of_a_value() -> None:
    conversion = Conversion(
        point(FLOAT32), point(INT16), Rules(range=(0, 20), to_put=line_of(Scale(0, 20, 0, 2000)), clamp=True)
    )
    assert conversion.put(8.25) == encode(point(INT16), 825)
    assert conversion.put(-1) == encode(point(INT16), -100)  # it need not lie within the range
    for beyond in (400, -400, math.inf, math.nan):
        with pytest.raises(DoesNotFitError):
            conversion.put(beyond)
    with pytest.raises(DoesNotFitError, match="not a number"):
        conversion.put("off")


def test_substitutes_of_other_kinds() -> None:
    assert Conversion(point(FLOAT64), point(FLOAT32, Order.CDAB)).put(1.5) == b"\0\0\x3f\xc0"
    with pytest.raises(DoesNotFitError):
        Conversion(point(FLOAT64), point(FLOAT32)).put(1e39)
    assert Conversion(Point(Table.COIL, 0), Point(Table.COIL, 1)).put(True) == b"\1"
    texts = Conversion(point(string(6)), point(string(4)))
    assert texts.put("off") == b"off\0"
    with pytest.raises(DoesNotFitError, match="7 characters"):
        texts.put("offline")


@given(wholes, wholes, scales, st.data())
def test_a_substitute_and_a_reading_of_the_same_number_are_put_alike(
    take: ValueType, put: ValueType, scale: Scale, data: st.DataObject
) -> None:
    low, high = type_range(take)
    number = data.draw(st.integers(int(low), int(high)))
    conversion = Conversion(point(take), point(put), Rules(to_put=line_of(scale)))
    converted = conversion.convert(encode(point(take), number))
    if converted.put is None:
        with pytest.raises(DoesNotFitError):
            conversion.put(number)
    else:
        assert conversion.put(number) == converted.put
