"""When it makes no difference which of two ways is the true one.

``holding 101 uint16`` and the low word of ``holding 100 uint32`` are the same bytes in the same order. As long as the
value stays within a declared range in which the high word is zero, the first reads right, whichever of the two the
device's maker had in mind. So a way *covers* another within a range if it takes all its bytes from where the other has
those of the same weight, and every number of the range is kept alike in both.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from fractions import Fraction
from typing import Final

from wherry.fit.facts import Interval
from wherry.fit.forms import MODULO_BASE, Family, Form
from wherry.fit.search import Way

BCD_ALIKE_MAX: Final = 9
"""Up to here a BCD number and a binary one are the same bits."""

Limits = tuple[int, int]


def byte_places(way: Way) -> list[int]:
    """Where the bytes of a way travel, least significant first, counted through the whole table."""
    return [2 * way.address + position for position in reversed(way.form.positions)]


def alike(way: Way, other: Way) -> Limits | None:
    """The numbers that ``way`` reads right if the truth is ``other``; None if there is no such range."""
    if way.table is not other.table or not way.form.is_whole or not other.form.is_whole:
        return None
    mine, theirs = byte_places(way), byte_places(other)
    if len(mine) > len(theirs) or mine != theirs[: len(mine)]:
        return None
    low, high = (int(each) for each in way.form.limits)
    least, greatest = (int(each) for each in other.form.limits)
    low, high = max(low, least), min(high, greatest)
    families = {way.form.family, other.form.family}
    if Family.BCD in families and len(families) > 1:
        return max(low, 0), min(high, BCD_ALIKE_MAX)
    if Family.MODULO in families and not _same_modulo(way.form, other.form):
        return max(low, 0), min(high, MODULO_BASE - 1)
    return low, high


def _same_modulo(form: Form, other: Form) -> bool:
    return form.family is other.family


def covers(way: Way, other: Way, within: Interval | None) -> bool:
    """Whether ``way`` reads every value of a range right if ``other`` is the truth."""
    if way == other:
        return True
    if within is None or way.scale is None or other.scale is None or way.scale.line != other.scale.line:
        return False
    limits = alike(way, other)
    if limits is None:
        return False
    ends = (way.scale.number(within.low), way.scale.number(within.high))
    return limits[0] <= math.floor(min(ends)) and math.ceil(max(ends)) <= limits[1]


def best_cover(ways: Sequence[Way], within: Interval | None) -> Way | None:
    """The first of the ways that covers all of them; None if none does."""
    for way in ways:
        if all(covers(way, other, within) for other in ways):
            return way
    return None


def range_of_cover(way: Way, ways: Sequence[Way]) -> tuple[Fraction, Fraction] | None:
    """Within which values ``way`` would be right, whichever of the ways is the truth; None if there are none."""
    if way.scale is None:
        return None
    low, high = (int(each) for each in way.form.limits) if way.form.is_whole else (0, -1)
    for other in ways:
        if other == way:
            continue
        limits = alike(way, other) if other.scale is not None and other.scale.line == way.scale.line else None
        if limits is None:
            return None
        low, high = max(low, limits[0]), min(high, limits[1])
    if low > high:
        return None
    ends = sorted(Fraction(each) * way.scale.line.factor + way.scale.line.offset for each in (low, high))
    return ends[0], ends[1]
