"""What is known of a quantity, exactly: intervals that its value lies in, and what limits the search.

Facts are the user's and are believed. Elimination goes by them alone, so that as long as they are true, and the
quantity is kept in one of the ways that are searched, nothing right is ever thrown away.

What a display shows is not the value but the value cut to some digits. ``3.72`` may be 3.7150 rounded or 3.7299 cut
off: a value less than one last digit away, to either side. The bounds themselves are not possible.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from fractions import Fraction
from typing import Final

from wherry.errors import LocalError
from wherry.fit.scales import USUAL, Ratio
from wherry.plan.model import Span, Table
from wherry.values.types import Order

DIGITS_MAX: Final = 40
"""A bound of ours: no display shows more digits."""

_NUMBER: Final = re.compile(r"([+-]?)([0-9]+)(?:\.([0-9]*))?(?:[eE]([+-]?[0-9]{1,2}))?")


@dataclass(frozen=True, slots=True)
class Interval:
    """Where a value lies. ``is_open``: the bounds themselves are not possible."""

    low: Fraction
    high: Fraction
    is_open: bool = False

    def __contains__(self, value: Fraction) -> bool:
        return self.low < value < self.high if self.is_open else self.low <= value <= self.high

    @property
    def width(self) -> Fraction:
        return self.high - self.low


@dataclass(frozen=True, slots=True)
class Shown:
    """What was shown at one reading: the number on the display, its last digit, and where the value then lies.

    ``tolerance``: how far the display and the register may differ, given by the user; then the digits do not count.
    """

    text: str
    number: Fraction
    digit: Fraction
    tolerance: Fraction | None = None

    @property
    def interval(self) -> Interval:
        if self.tolerance is not None:
            return Interval(self.number - self.tolerance, self.number + self.tolerance)
        return Interval(self.number - self.digit, self.number + self.digit, is_open=True)

    @property
    def rounded(self) -> Interval:
        """Where the value lies if the display rounds, as most do. Only for ranking."""
        if self.tolerance is not None:
            return self.interval
        return Interval(self.number - self.digit / 2, self.number + self.digit / 2)


def number_text(text: str) -> Fraction:
    """A decimal number, exactly. LocalError if it is none."""
    return shown(text).number


def shown(text: str, tolerance: str | None = None) -> Shown:
    """A number as a display shows it. LocalError with what to write if it is none."""
    match = _NUMBER.fullmatch(text)
    if match is None or len(text) > DIGITS_MAX:
        hint = ""
        if re.fullmatch(r"[+-]?[0-9]+,[0-9]+", text):
            hint = f"; write {text.replace(',', '.')} for a decimal comma"
        if re.fullmatch(r"[+-]?[0-9]{1,3}(,[0-9]{3})+", text):
            hint += f"{' or' if hint else '; write'} {text.replace(',', '')} for a comma between thousands"
        raise LocalError(f"`{text[:40]}` is no number as a display shows it, such as 3.72 or -20{hint}")
    sign, whole, part, exponent = match.groups()
    digit = Fraction(10) ** (int(exponent or 0) - len(part or ""))
    number = int(whole + (part or "")) * digit * (-1 if sign == "-" else 1)
    about = None if tolerance is None else number_text(tolerance)
    if about is not None and about < 0:
        raise LocalError(f"a tolerance of {tolerance} is below zero")
    return Shown(text, number, digit, about)


class Shared(StrEnum):
    """What the points of one device may have in common."""

    ORDER = "order"
    TABLE = "table"
    TYPE = "type"
    OFFSET = "offset"
    SCALE = "scale"


@dataclass(frozen=True, slots=True)
class Quantity:
    """One number that is known from outside, and sought in registers.

    ``shows``: by reading (from 0), what was shown. ``range``: the value lies within at every reading, and always will.
    ``span``: the measuring range that 4 to 20 mA stand for. ``places``: the addresses searched, by table; empty: all
    that were read. ``guess``: the place that a document names, for ranking and for ``Shared.OFFSET``. ``moves``: the
    values of the readings lie at least this far apart. ``types``, ``orders``, ``scales``: what is searched.
    ``is_any_line``: any factor and offset; ``exponent``: the scale is ten to the number in one of these registers.
    ``is_present``: it is certain that the quantity is there, in one of the ways that are searched; then what is left
    alone is the truth, however many accidents there may be.
    """

    name: str
    shows: Mapping[int, Shown] = field(default_factory=dict)
    unit: str = ""
    range: Interval | None = None
    span: tuple[Fraction, Fraction] | None = None
    places: tuple[Span, ...] = ()
    guess: tuple[Table, int] | None = None
    moves: Fraction = Fraction(0)
    types: tuple[str, ...] = ()
    orders: tuple[Order, ...] = ()
    scales: tuple[Ratio, ...] = USUAL
    is_any_line: bool = False
    exponent: tuple[Span, ...] = ()
    is_present: bool = False
    declared: frozenset[str] = frozenset()
    """Which of ``table``, ``address``, ``type``, ``order``, ``scale`` the user gave."""

    def intervals(self, readings: int) -> list[Interval | None]:
        """By reading, where the value lies; None where nothing is known. LocalError if two facts exclude each other."""
        result: list[Interval | None] = []
        for reading in range(readings):
            seen = self.shows[reading].interval if reading in self.shows else None
            result.append(_both(seen, self.range, self.name, reading))
        for reading in self.shows:
            if not 0 <= reading < readings:
                raise LocalError(f"`{self.name}` is told for reading {reading + 1}, and there {_are(readings)}")
        return result


def _are(readings: int) -> str:
    return "is 1 reading" if readings == 1 else f"are {readings} readings"


def _both(seen: Interval | None, always: Interval | None, name: str, reading: int) -> Interval | None:
    if seen is None or always is None:
        return seen or always
    low, high = max(seen.low, always.low), min(seen.high, always.high)
    if low > high or (low == high and seen.is_open):
        raise LocalError(
            f"`{name}` shows what lies outside its range at reading {reading + 1}: one of the two is wrong"
        )
    # Closed where either end comes from the range: taking in one point more throws nothing right away.
    return Interval(low, high, is_open=seen.is_open and (low, high) == (seen.low, seen.high))


def observed(quantity: Quantity, readings: int) -> Sequence[int]:
    """The readings at which something was shown, in order."""
    return sorted(reading for reading in quantity.shows if 0 <= reading < readings)
