"""Which numbers a value can be, from the source's register to the destination's, by interval arithmetic.

Exact: every number written in a plan is taken as the decimal number it is.
"""

from __future__ import annotations

from fractions import Fraction
from typing import Final

from wherry.plan.model import Rounding, Scale, Value
from wherry.values.codec import type_range as codec_range
from wherry.values.scaling import Line, exact, line_of, rounded
from wherry.values.types import Kind, ValueType
from wherry.values.units import UnitError, unit_line
from wherry.values.units import line_to_put as line_by_units

Interval = tuple[Fraction, Fraction]
"""Least and greatest number, both included."""

WHOLE_MAX: Final = {32: 2**24, 64: 2**53}
"""Up to here each whole number has a float of its own (IEEE 754-2019: 24 and 53 bits of significand)."""
LEAST_FLOAT: Final = {32: Fraction(1, 2**149), 64: Fraction(1, 2**1074)}
"""The smallest float above 0, and with it the least distance of two floats (IEEE 754-2019: 2 ** (emin - p + 1))."""


def type_range(kind: ValueType) -> Interval:
    """Every number a type can hold."""
    low, high = codec_range(kind)
    return (Fraction(low), Fraction(high))


def image(line: Line, interval: Interval) -> Interval:
    """What becomes of an interval on a line."""
    ends = (interval[0] * line.factor + line.offset, interval[1] * line.factor + line.offset)
    return (min(ends), max(ends))


def is_flat(scale: Scale | None) -> bool:
    """Whether a scale has no width on its input side, so that it is no line."""
    return scale is not None and scale.from_low == scale.from_high


def possible(value: Value) -> Interval | None:
    """What a number can be in ``unit``: what its source type can deliver, within its declared range. None: nothing."""
    low, high = image(line_of(value.take_scale), type_range(value.take.type))
    if value.range is not None:
        low, high = max(low, exact(value.range[0])), min(high, exact(value.range[1]))
    return (low, high) if low <= high else None


def line_to_put(value: Value) -> Line | None:
    """The line from a value in ``unit`` to the number that is put; None where there is none (another finding tells)."""
    if is_flat(value.scale) or unit_fault(value.unit, value.put_unit):
        return None
    return line_by_units(value.unit, value.put_unit, value.scale)


def put_numbers(interval: Interval, line: Line, kind: ValueType, rounding: Rounding) -> Interval:
    """The numbers that arrive in the destination's register."""
    low, high = image(line, interval)
    if kind.kind is Kind.FLOAT:
        return (low, high)
    return (Fraction(rounded(low, rounding)), Fraction(rounded(high, rounding)))


def float_spacing(bits: int, number: Fraction) -> Fraction:
    """The distance of two neighbouring floats just below the magnitude of ``number``, which is not 0."""
    number = abs(number)
    exponent = number.numerator.bit_length() - number.denominator.bit_length() - 1
    while Fraction(2) ** exponent < number:
        exponent += 1
    return max(Fraction(2) ** exponent / WHOLE_MAX[bits], LEAST_FLOAT[bits])


def float_reach(bits: int, spacing: Fraction) -> Fraction:
    """The magnitude up to which neighbouring floats are at most ``spacing`` apart; ``spacing`` is above 0."""
    exponent = spacing.numerator.bit_length() - spacing.denominator.bit_length() + 1
    while Fraction(2) ** exponent > spacing:
        exponent -= 1
    return Fraction(2) ** exponent * WHOLE_MAX[bits]


def unit_fault(unit: str, put_unit: str) -> str:
    """Why ``unit`` does not convert to ``put_unit``; empty when it does, or when nothing has to be converted."""
    if not put_unit or put_unit == unit:
        return ""
    if not unit:
        return f"there is no `unit` from which to convert to `{put_unit}`"
    try:
        unit_line(unit, put_unit)
    except UnitError as fault:
        return str(fault)
    return ""
