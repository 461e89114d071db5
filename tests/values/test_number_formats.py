"""Published numbers in registers, each with its source: all orders, both ways, and through a conversion."""

from __future__ import annotations

import json
import math
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest

from wherry.plan.model import Point, Table
from wherry.values.codec import UnreadableError, Value, decode, encode
from wherry.values.conversion import Conversion, Rules
from wherry.values.order import reorder
from wherry.values.quality import Quality, Reason
from wherry.values.scaling import Scale, exact, line_of
from wherry.values.types import BCD16, BCD32, FLOAT32, FLOAT64, INT16, NUMBERS, UINT16, Order, ValueType

FACTS: dict[str, Any] = json.loads((Path(__file__).parents[1] / "vectors" / "number_formats.json").read_text())
LOOP: list[dict[str, float]] = FACTS["loop_4_20mA"]["values"]
ABSENT: dict[str, str] = FACTS["sunspec"]["not_implemented"]


def point(value_type: ValueType, order: Order = Order.ABCD) -> Point:
    return Point(Table.HOLDING, 0, value_type, order)


def wire_of(registers: list[str]) -> bytes:
    return bytes.fromhex("".join(registers))


def value_of(vector: dict[str, Any]) -> Value:
    """The value as its type can hold it: the file has float32 values as printed, with fewer digits."""
    place = point(NUMBERS[vector["type"]])
    number: int | float = vector["value"]
    return decode(place, encode(place, number))


@pytest.mark.parametrize("order", Order)
@pytest.mark.parametrize("vector", FACTS["vectors"], ids=lambda each: f"{each['type']} {each['value']}")
def test_published_numbers(vector: dict[str, Any], order: Order) -> None:
    place, wire = point(NUMBERS[vector["type"]], order), wire_of(vector["registers"][order])
    assert decode(place, wire) == value_of(vector)
    assert encode(place, vector["value"]) == wire
    if order in vector["published"]:
        assert vector["published"][order] == vector["registers"][order]


@pytest.mark.parametrize("put", Order)
@pytest.mark.parametrize("take", Order)
@pytest.mark.parametrize("vector", FACTS["vectors"], ids=lambda each: f"{each['type']} {each['value']}")
def test_from_each_order_to_each(vector: dict[str, Any], take: Order, put: Order) -> None:
    value_type = NUMBERS[vector["type"]]
    conversion = Conversion(point(value_type, take), point(value_type, put))
    expected = (value_of(vector), wire_of(vector["registers"][put]), Quality.GOOD, Reason.GOOD)
    assert conversion.convert(wire_of(vector["registers"][take])) == expected


@pytest.mark.parametrize("vector", FACTS["special"], ids=lambda each: each["meaning"])
def test_what_is_no_number_never_leaves(vector: dict[str, Any]) -> None:
    value_type, wire = NUMBERS[vector["type"]], wire_of(vector["registers"])
    for put in NUMBERS.values():
        for clamp in (False, True):
            for limits in (None, (-1e9, 1e9)):
                converted = Conversion(point(value_type), point(put), Rules(clamp=clamp, range=limits)).convert(wire)
                if "-0.0" in vector["meaning"]:
                    assert (converted.value, converted.quality) == (0, Quality.GOOD)
                    assert converted.put == (wire if put == value_type else encode(point(put), 0)) or put == FLOAT64
                else:
                    assert converted == (None, None, Quality.BAD, Reason.BAD_DECODING_ERROR)


def test_two_bytes_are_swapped_but_bits_never() -> None:
    """Reversing all sixteen bits is in the file too; no order of ours does it."""
    bits, swap = FACTS["bit_and_byte_swaps"]
    content = bytes.fromhex(swap["input"])
    assert reorder(content, Order.BADC) == bytes.fromhex(swap["output"])
    assert bytes.fromhex(bits["output"]) not in [reorder(content, order) for order in Order]


@pytest.mark.parametrize("vector", FACTS["bcd"]["vectors"], ids=str)
def test_bcd(vector: dict[str, Any]) -> None:
    if "error" in vector:
        with pytest.raises(UnreadableError, match="above 9"):
            decode(point(BCD16), wire_of(vector["registers"]))
        converted = Conversion(point(BCD16), point(UINT16)).convert(wire_of(vector["registers"]))
        assert converted == (None, None, Quality.BAD, Reason.BAD_DECODING_ERROR)
        return
    if "registers" in vector:
        forms = [(point(BCD16), vector["registers"])]
    else:
        forms = [
            (point(BCD32), vector["registers_big"]),
            (point(BCD32, Order.CDAB), vector["registers_little_word"]),
        ]
    for place, registers in forms:
        assert decode(place, wire_of(registers)) == vector["value"]
        assert encode(place, vector["value"]) == wire_of(registers)


@pytest.mark.parametrize("vector", FACTS["rounding"], ids=lambda each: each["value_decimal"])
def test_what_a_float32_keeps(vector: dict[str, Any]) -> None:
    number = float(vector["value_decimal"])
    wire = wire_of(vector["float32_regs"])
    converted = Conversion(point(FLOAT64), point(FLOAT32)).convert(encode(point(FLOAT64), number))
    assert converted == (number, wire, Quality.GOOD, Reason.GOOD)
    assert decode(point(FLOAT32), wire) == pytest.approx(vector["back"], rel=1e-15)


@pytest.mark.parametrize("vector", LOOP, ids=lambda each: f"{each['mA']} mA")
@pytest.mark.parametrize(
    ("key", "low", "high"), [("percent", 0, 100), ("of_0_150", 0, 150), ("of_minus50_150", -50, 150)]
)
def test_current_loop(vector: dict[str, float], key: str, low: float, high: float) -> None:
    """4 to 20 mA in microamperes and in a float of milliamperes. Below 3.6 and from 21 mA it is a failure."""
    microamperes = int(exact(vector["mA"]) * 1000)
    expected = exact(low) + Fraction(microamperes - 4000, 16000) * (exact(high) - exact(low))
    assert float(expected) == pytest.approx(vector[key], abs=1e-12)
    ends = tuple(float(exact(low) + Fraction(ma - 4000, 16000) * (exact(high) - exact(low))) for ma in (3800, 20500))

    to_put = line_of(Scale(low, high, 0, 10000))
    from_whole = Conversion(
        point(UINT16), point(INT16), Rules(line_of(Scale(4000, 20000, low, high)), (ends[0], ends[1]), to_put)
    )
    from_float = Conversion(
        point(FLOAT32), point(INT16), Rules(line_of(Scale(4, 20, low, high)), (ends[0], ends[1]), to_put)
    )
    is_measured = 3.8 <= vector["mA"] <= 20.5
    whole = from_whole.convert(encode(point(UINT16), microamperes))
    number = from_float.convert(encode(point(FLOAT32), vector["mA"]))
    assert whole.value == float(expected)
    assert number.value == pytest.approx(float(expected), abs=1e-5)
    for converted in (whole, number):
        if is_measured:
            put = round((expected - exact(low)) * 10000 / (exact(high) - exact(low)))
            assert converted[1:] == (encode(point(INT16), put), Quality.GOOD, Reason.GOOD)
        else:
            assert converted[1:] == (None, Quality.BAD, Reason.BAD_OUT_OF_RANGE)


@pytest.mark.parametrize("name", ["int16", "uint16", "int32", "uint32", "int64", "uint64"])
@pytest.mark.parametrize("order", Order)
def test_codes_for_no_value(name: str, order: Order) -> None:
    """The codes and ranges of SunSpec: what is not implemented must not come through; its neighbours must."""
    code = int(ABSENT[name], 16)
    place = point(NUMBERS[name], order)
    conversion = Conversion(place, place, Rules(not_available=frozenset({code})))
    size = 2 * place.count
    wire = reorder(code.to_bytes(size, "big"), order)
    assert conversion.convert(wire) == (None, None, Quality.BAD, Reason.BAD_SENSOR_FAILURE)
    assert not conversion.is_plain
    for end in FACTS["sunspec"]["ranges"].get(name, [1, 2]):
        neighbour = encode(place, end)
        assert conversion.convert(neighbour) == (end, neighbour, Quality.GOOD, Reason.GOOD)


def test_an_absent_float_is_not_a_number() -> None:
    for name in ("float32", "float64"):
        wire = bytes.fromhex(ABSENT[name].split()[0])
        number = decode(point(NUMBERS[name]), wire)
        assert isinstance(number, float)
        assert math.isnan(number)
