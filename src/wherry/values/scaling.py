"""Straight lines between number ranges, and how a number becomes a whole one. Exact where the numbers are.

The end points of a scale are taken as the decimal numbers that the plan shows (0.1 is one tenth), so that a whole
number scaled there and back is the same number.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum
from fractions import Fraction
from functools import lru_cache
from typing import Final

Number = int | float


class Rounding(StrEnum):
    """How a number becomes a whole number. ``EVEN`` is the default rounding of IEEE 754-2008 (4.3.1)."""

    EVEN = "half even"
    AWAY = "half away"
    DOWN = "down"
    UP = "up"
    ZERO = "toward zero"


@dataclass(frozen=True, slots=True)
class Scale:
    """A straight line: ``from_low..from_high`` becomes ``to_low..to_high``. ``from_low`` and ``from_high`` differ."""

    from_low: float
    from_high: float
    to_low: float
    to_high: float


@dataclass(frozen=True, slots=True)
class Line:
    """``number * factor + offset``, both exact."""

    factor: Fraction = Fraction(1)
    offset: Fraction = Fraction(0)

    @property
    def is_identity(self) -> bool:
        return self.factor == 1 and self.offset == 0

    @property
    def whole_parts(self) -> tuple[int, int, int]:
        """The line as ``(number * times + plus) / over`` in whole numbers; ``over`` is positive."""
        over = math.lcm(self.factor.denominator, self.offset.denominator)
        return int(self.factor * over), int(self.offset * over), over

    def then(self, other: Line) -> Line:
        """This line, and the other after it."""
        return Line(self.factor * other.factor, self.offset * other.factor + other.offset)

    @property
    def inverse(self) -> Line:
        """The way back. The factor is not 0."""
        return Line(1 / self.factor, -self.offset / self.factor)

    def at(self, number: Number | Fraction) -> Fraction:
        """The exact image of a finite number."""
        return Fraction(number) * self.factor + self.offset


IDENTITY: Final = Line()


def exact(number: Number | Fraction) -> Fraction:
    """A number of the plan as the decimal it is written as."""
    return Fraction(Decimal(repr(number))) if isinstance(number, float) else Fraction(number)


@lru_cache(maxsize=1024)
def line_of(scale: Scale | None) -> Line:
    """The line of a scale; ``None`` changes nothing."""
    if scale is None:
        return IDENTITY
    from_low, from_high = exact(scale.from_low), exact(scale.from_high)
    to_low, to_high = exact(scale.to_low), exact(scale.to_high)
    assert from_low != from_high, scale
    factor = (to_high - to_low) / (from_high - from_low)
    return Line(factor, to_low - from_low * factor)


def rounded(number: Number | Fraction, rounding: Rounding) -> int:
    """The whole number for a finite number, by the given rule."""
    if rounding is Rounding.EVEN:
        return round(number)
    if rounding is Rounding.DOWN:
        return math.floor(number)
    if rounding is Rounding.UP:
        return math.ceil(number)
    if rounding is Rounding.ZERO:
        return math.trunc(number)
    # Away from zero on a half. Exact: a float plus one half may round up by itself.
    half = Fraction(1, 2)
    part = Fraction(number)
    return math.floor(part + half) if part >= 0 else math.ceil(part - half)


def divided(rounding: Rounding) -> Callable[[int, int], int]:
    """A function that divides a whole number by a positive one and rounds by the given rule, exactly."""
    return _DIVISIONS[rounding]


def _even(number: int, over: int) -> int:
    whole, rest = divmod(number, over)
    twice = 2 * rest
    return whole + 1 if twice > over or (twice == over and whole & 1) else whole


def _away(number: int, over: int) -> int:
    whole = (2 * abs(number) + over) // (2 * over)
    return whole if number >= 0 else -whole


def _down(number: int, over: int) -> int:
    return number // over


def _up(number: int, over: int) -> int:
    return -(-number // over)


def _zero(number: int, over: int) -> int:
    return number // over if number >= 0 else -(-number // over)


_DIVISIONS: Final = {
    Rounding.EVEN: _even,
    Rounding.AWAY: _away,
    Rounding.DOWN: _down,
    Rounding.UP: _up,
    Rounding.ZERO: _zero,
}
