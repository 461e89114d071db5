"""Values in registers: read, written, and what is refused. The oracle reads bytes one by one."""

from __future__ import annotations

import math
import struct
from fractions import Fraction

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from wherry.errors import LocalError
from wherry.plan.model import Point, Table
from wherry.values.codec import DoesNotFitError, UnreadableError, Value, decode, encode, type_range
from wherry.values.types import BOOL, NUMBERS, Kind, Order, ValueType, raw, string

INTEGERS = [each for each in NUMBERS.values() if each.kind in (Kind.INT, Kind.UINT)]
FLOATS = [each for each in NUMBERS.values() if each.kind is Kind.FLOAT]
BCDS = [each for each in NUMBERS.values() if each.kind is Kind.BCD]
PLACES = {2: {"ABCD": "01", "CDAB": "01", "BADC": "10", "DCBA": "10"}}
PLACES[4] = {"ABCD": "0123", "CDAB": "2301", "BADC": "1032", "DCBA": "3210"}
PLACES[8] = {"ABCD": "01234567", "CDAB": "67452301", "BADC": "10325476", "DCBA": "76543210"}
"""Where each byte of the wire stands in the value, 0 being the most significant."""

orders = st.sampled_from(Order)


def point(value_type: ValueType, order: Order = Order.ABCD, bit: int | None = None) -> Point:
    return Point(Table.HOLDING, 0, value_type, order, bit)


def whole_of(data: bytes, order: Order) -> int:
    """The unsigned number that the bytes are, put together one by one."""
    places = PLACES[len(data)][order]
    return sum(byte << 8 * (len(data) - 1 - int(place)) for byte, place in zip(data, places, strict=True))


def contents(value_type: ValueType) -> st.SearchStrategy[bytes]:
    size = 2 * value_type.registers
    return st.binary(min_size=size, max_size=size)


@given(st.sampled_from(INTEGERS), orders, st.data())
def test_whole_numbers_are_the_bytes_in_their_places(value_type: ValueType, order: Order, data: st.DataObject) -> None:
    wire = data.draw(contents(value_type))
    expected = whole_of(wire, order)
    if value_type.kind is Kind.INT and expected >> value_type.bits - 1:
        expected -= 1 << value_type.bits
    value = decode(point(value_type, order), wire)
    assert value == expected
    assert type(value) is int
    assert encode(point(value_type, order), value) == wire


@given(st.sampled_from(FLOATS), orders, st.data())
def test_floats_are_the_bytes_in_their_places(value_type: ValueType, order: Order, data: st.DataObject) -> None:
    wire = data.draw(contents(value_type))
    value = decode(point(value_type, order), wire)
    assert isinstance(value, float)
    code = {32: ("I", "f"), 64: ("Q", "d")}[value_type.bits]
    (expected,) = struct.unpack("=" + code[1], struct.pack("=" + code[0], whole_of(wire, order)))
    if math.isfinite(value):
        assert struct.pack("=d", value) == struct.pack("=d", expected)  # minus zero too
        assert encode(point(value_type, order), value) == wire
    else:
        assert math.isnan(value) == math.isnan(expected)
        with pytest.raises(DoesNotFitError):
            encode(point(value_type, order), value)


@given(st.sampled_from(BCDS), orders, st.data())
def test_bcd_is_its_decimal_digits(value_type: ValueType, order: Order, data: st.DataObject) -> None:
    digits = value_type.bits // 4
    value = data.draw(st.integers(0, 10**digits - 1))
    wire = encode(point(value_type, order), value)
    assert f"{whole_of(wire, order):0{digits}x}" == f"{value:0{digits}d}"
    assert decode(point(value_type, order), wire) == value


@given(st.sampled_from(BCDS), orders, st.data())
@example(BCDS[0], Order.ABCD, None)
def test_bcd_with_a_digit_above_nine_is_unreadable(
    value_type: ValueType, order: Order, data: st.DataObject | None
) -> None:
    wire = data.draw(contents(value_type)) if data else bytes.fromhex("12A4")
    if f"{whole_of(wire, order):x}".isdecimal():
        value = decode(point(value_type, order), wire)
        assert encode(point(value_type, order), value) == wire
    else:
        with pytest.raises(UnreadableError):
            decode(point(value_type, order), wire)


LATIN = st.characters(min_codepoint=1, max_codepoint=255)


@given(st.integers(1, 20), orders, st.data())
def test_text_comes_back(length: int, order: Order, data: st.DataObject) -> None:
    text = data.draw(st.text(LATIN, max_size=length))
    wire = encode(point(string(length), order), text)
    assert len(wire) == 2 * string(length).registers
    assert decode(point(string(length), order), wire) == text.rstrip(" ")


@given(st.integers(1, 20), orders, st.data())
def test_any_registers_are_some_text(length: int, order: Order, data: st.DataObject) -> None:
    wire = data.draw(contents(string(length)))
    text = decode(point(string(length), order), wire)
    assert isinstance(text, str)
    assert len(text) <= length
    assert decode(point(string(length), order), encode(point(string(length), order), text)) == text


@pytest.mark.parametrize(
    ("order", "wire"), [("ABCD", b"trout\0"), ("BADC", b"rtuo\0t"), ("CDAB", b"t\0outr"), ("DCBA", b"\0tuort")]
)
def test_text_in_all_orders(order: str, wire: bytes) -> None:
    assert encode(point(string(6), Order(order)), "trout") == wire
    assert decode(point(string(6), Order(order)), wire) == "trout"


def test_text_ends_at_nul_or_at_blanks() -> None:
    assert decode(point(string(6)), b"fry   ") == "fry"
    assert decode(point(string(6)), b"fry\0xy") == "fry"
    assert decode(point(string(5)), b"troutX") == "trout"  # the sixth byte is not part of five characters
    assert encode(point(string(5)), "trout") == b"trout\0"
    assert decode(point(string(4)), "9 °C".encode("latin-1")) == "9 °C"


@pytest.mark.parametrize(
    ("value", "words"),
    [("trouts!", "7 characters"), ("tröŧ", "'ŧ'"), ("a\0b", "NUL"), (5, "not text"), (b"raw", "not text")],
)
def test_text_that_does_not_fit_is_refused(value: Value, words: str) -> None:
    with pytest.raises(DoesNotFitError, match=words):
        encode(point(string(6)), value)


def test_both_ends_of_each_number_type() -> None:
    expected: dict[str, tuple[Fraction | int, Fraction | int]] = {
        "int16": (-32768, 32767),
        "uint16": (0, 65535),
        "int32": (-2147483648, 2147483647),
        "uint32": (0, 4294967295),
        "int64": (-9223372036854775808, 9223372036854775807),
        "uint64": (0, 18446744073709551615),
        "bcd16": (0, 9999),
        "bcd32": (0, 99999999),
        "float32": (-(2**128 - 2**104), 2**128 - 2**104),  # IEEE 754-2019, table 3.2: 24 bits, exponent up to 127
        "float64": (-(2**1024 - 2**971), 2**1024 - 2**971),
    }
    for name, value_type in NUMBERS.items():
        low, high = type_range(value_type)
        assert (Fraction(low), Fraction(high)) == expected[name]
        for end in (low, high):
            assert decode(point(value_type), encode(point(value_type), end)) == end


@pytest.mark.parametrize("name", [name for name, each in NUMBERS.items() if each.kind is not Kind.FLOAT])
@pytest.mark.parametrize("order", Order)
def test_one_beyond_either_end_is_refused(name: str, order: Order) -> None:
    low, high = type_range(NUMBERS[name])
    for beyond in (low - 1, high + 1):
        with pytest.raises(DoesNotFitError, match="does not fit"):
            encode(point(NUMBERS[name], order), beyond)


def test_floats_beyond_their_type_are_refused() -> None:
    for number in (3.5e38, -3.5e38, math.inf, math.nan, 10**40):
        with pytest.raises(DoesNotFitError):
            encode(point(NUMBERS["float32"]), number)
    for number in (math.inf, -math.inf, math.nan, 10**400):
        with pytest.raises(DoesNotFitError):
            encode(point(NUMBERS["float64"]), number)


@pytest.mark.parametrize("name", NUMBERS)
@pytest.mark.parametrize("value", ["5", b"5"])
def test_what_is_no_number_is_refused(name: str, value: Value) -> None:
    with pytest.raises(DoesNotFitError, match="is not a"):
        encode(point(NUMBERS[name]), value)


def test_a_fraction_is_not_cut_down_to_a_whole_number() -> None:
    with pytest.raises(DoesNotFitError, match="whole"):
        encode(point(NUMBERS["int16"]), 2.5)
    assert issubclass(DoesNotFitError, LocalError)


@given(st.integers(0, 65535), st.integers(0, 15))
def test_bits_of_a_register_count_from_the_least_significant(word: int, bit: int) -> None:
    assert decode(point(BOOL, bit=bit), word.to_bytes(2, "big")) is bool(word & 2**bit)


def test_bits_of_a_table_of_bits() -> None:
    coil = Point(Table.COIL, 5)
    for state in (False, True):
        assert encode(coil, state) == bytes([state])
        assert decode(coil, bytes([state])) is state
    assert decode(coil, b"\xfe") is False  # only the lowest bit is this one


def test_a_whole_register_as_a_bool() -> None:
    word = point(BOOL)
    assert [decode(word, data) for data in (b"\0\0", b"\0\1", b"\x80\0")] == [False, True, True]
    assert [encode(word, state) for state in (False, True)] == [b"\0\0", b"\0\1"]


@given(st.integers(1, 10), st.data())
def test_raw_is_as_it_is(count: int, data: st.DataObject) -> None:
    wire = data.draw(st.binary(min_size=2 * count, max_size=2 * count))
    place = point(raw(count))
    assert decode(place, wire) == wire
    assert encode(place, wire) == wire
    for wrong in (wire + b"\0", wire[1:], 5, "text"):
        with pytest.raises(DoesNotFitError):
            encode(place, wrong)


def test_raw_bits_are_packed_eight_to_a_byte() -> None:
    bits = Point(Table.COIL, 0, raw(10))
    assert encode(bits, b"\xff\x03") == b"\xff\x03"
    with pytest.raises(DoesNotFitError, match="2 bytes"):
        encode(bits, b"\xff\x03\x00")
