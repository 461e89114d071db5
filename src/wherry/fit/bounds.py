"""Exact limits of a value as limits of the number in the registers. Never narrower than the truth.

Whole numbers are compared as whole numbers. For floating-point ones the limits are taken as the type can best show
them, and one step further out, so that a device that calculates with these numbers is not wronged by the last bit.
"""

from __future__ import annotations

import math
from fractions import Fraction
from typing import Final

import numpy as np

from wherry.fit.facts import Interval
from wherry.fit.forms import Family, Flags, Form, Values
from wherry.fit.scales import Ratio

INT64_MIN: Final = -(1 << 63)
INT64_MAX: Final = (1 << 63) - 1
UINT64_MAX: Final = (1 << 64) - 1

Bounds = tuple[int, int] | tuple[float, float]
"""Least and greatest number, both possible. Empty where the first is greater."""

EMPTY: Final = (1, 0)


class Limits:
    """Which numbers stand for a value of an interval on a scale. What all forms share is worked out once."""

    __slots__ = ("_floats", "_high", "_low", "_whole")

    def __init__(self, interval: Interval, scale: Ratio) -> None:
        low, high = scale.number(interval.low), scale.number(interval.high)
        if scale.line.factor < 0:
            low, high = high, low
        self._low, self._high = low, high
        if interval.is_open:
            self._whole = math.floor(low) + 1, math.ceil(high) - 1
        else:
            self._whole = math.ceil(low), math.floor(high)
        self._floats: dict[int, tuple[float, float]] = {}

    def of(self, form: Form) -> Bounds:
        """The bounds of one form."""
        if form.is_whole:
            least, greatest = form.limits
            first, last = max(self._whole[0], int(least)), min(self._whole[1], int(greatest))
            return (first, last) if first <= last else EMPTY
        bits = form.bits
        if bits not in self._floats:
            self._floats[bits] = _outward(self._low, bits, up=False), _outward(self._high, bits, up=True)
        return self._floats[bits]


def number_bounds(form: Form, interval: Interval, scale: Ratio) -> Bounds:
    """Which numbers of a form stand for a value of the interval on a scale."""
    return Limits(interval, scale).of(form)


def _outward(bound: Fraction, bits: int, *, up: bool) -> float:
    """The bound as a float, at least one step of the type outside of it."""
    direction = math.inf if up else -math.inf
    try:
        near = float(bound)
    except OverflowError:
        near = math.inf if bound > 0 else -math.inf
    if bits == 32:
        with np.errstate(over="ignore", under="ignore"):
            single = np.float32(near)
        return float(np.nextafter(np.nextafter(single, np.float32(direction)), np.float32(direction)))
    return math.nextafter(math.nextafter(near, direction), direction)


def hits(values: Values, bounds: Bounds) -> slice:
    """Where in sorted numbers those within the bounds lie."""
    low, high = bounds
    if low > high or not len(values):
        return slice(0, 0)
    first = values.searchsorted(_like(values, low), side="left")
    last = values.searchsorted(_like(values, high), side="right")
    return slice(int(first), int(last))


def within(values: Values, bounds: Bounds) -> Flags:
    """Which numbers lie within the bounds."""
    low, high = bounds
    if low > high:
        return np.zeros(len(values), dtype=np.bool_)
    return np.logical_and(values >= _like(values, low), values <= _like(values, high))


def _like(values: Values, bound: int | float) -> np.generic:
    """The bound as the numbers' own type, so that nothing is compared by way of another."""
    if values.dtype == np.uint64:
        return np.uint64(min(max(int(bound), 0), UINT64_MAX))
    if values.dtype == np.int64:
        return np.int64(min(max(int(bound), INT64_MIN), INT64_MAX))
    return np.float64(bound) if values.dtype == np.float64 else np.float32(bound)


def value_of(form: Form, number: int | float, scale: Ratio) -> Fraction:
    """The value that a number stands for, exactly."""
    assert form.family is not Family.FLOAT or math.isfinite(number), number
    return Fraction(number) * scale.line.factor + scale.line.offset
