"""When it makes no difference which of two ways is the true one.

``holding 101 uint16`` and the low word of ``holding 100 uint32`` are the same bytes in the same order. As long as the
value stays within a declared range in which the high word is zero, the first reads right, whichever of the two the
device's maker had in mind. So a way *covers* another within a range if every byte that can differ from zero counts as
much in the one as in the other, and the first takes in no byte that the other leaves to something else.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from fractions import Fraction
from typing import Final

from wherry.fit.facts import Interval
from wherry.fit.forms import FORMS, MODULO_BASE, Family, Form
from wherry.fit.search import Way

BCD_ALIKE_MAX: Final = 9
"""Up to here a BCD number and a binary one are the same bits."""
BCD_BYTE: Final = 100
"""What the next byte of a BCD number counts."""

Limits = tuple[int, int]


def byte_places(way: Way) -> list[int]:
    """Where the bytes of a way travel, least significant first, counted through the whole table."""
    return [2 * way.address + position for position in reversed(way.form.positions)]


def _weight(form: Form, byte: int) -> int:
    """What one count of a byte adds to the number; bytes from the least significant."""
    if form.family is Family.MODULO:
        word, high = divmod(byte, 2)
        return int(MODULO_BASE**word) << 8 * high
    return int(BCD_BYTE**byte) if form.family is Family.BCD else 1 << 8 * byte


def _bytes_of(form: Form, most: int) -> int:
    """How many of the lowest bytes may differ from zero in numbers up to ``most``."""
    size = 2 * form.registers
    if form.family is Family.MODULO:
        words = next((each for each in range(1, form.registers) if most < MODULO_BASE**each), form.registers)
        return 1 if most < 256 else 2 * words
    return next((each for each in range(size) if most < _weight(form, each)), size)


def covers(way: Way, other: Way, within: Interval | None) -> bool:
    """Whether ``way`` reads every value of a range right if ``other`` is the truth. What the other cannot hold, the
    value will never be."""
    if way == other:
        return True
    if way.scale is None or other.scale is None or way.table is not other.table:
        return False
    if not way.form.is_whole or not other.form.is_whole or way.scale.line.offset != other.scale.line.offset:
        return False
    low, high = (int(each) for each in other.form.limits)
    if within is not None:
        ends = sorted((other.scale.number(within.low), other.scale.number(within.high)))
        low, high = max(low, math.floor(ends[0])), min(high, math.ceil(ends[1]))
    if low > high:
        return True
    return _covers_numbers(way, other, low, high)


def _covers_numbers(way: Way, other: Way, low: int, high: int) -> bool:
    """Whether ``way`` reads right every number from ``low`` to ``high`` that ``other`` holds."""
    if low < 0:
        limits = _alike(way, other)
        return limits is not None and limits[0] <= low and high <= limits[1]
    assert way.scale is not None, way
    assert other.scale is not None, other
    mine, theirs = byte_places(way), byte_places(other)
    used = _bytes_of(other.form, high)
    factor = other.scale.line.factor / way.scale.line.factor
    counts = {place: _weight(way.form, byte) for byte, place in enumerate(mine)}
    for byte in range(used):
        if counts.get(theirs[byte]) != _weight(other.form, byte) * factor:
            return False
    # What else it takes in must be a byte of the other that stays zero.
    if not set(mine) <= set(theirs):
        return False
    if high * factor > way.form.limits[1]:
        return False
    families = {way.form.family, other.form.family}
    if Family.BCD in families and len(families) > 1:
        return high <= BCD_ALIKE_MAX
    if way.form.family is Family.MODULO and other.form.family is not Family.MODULO:
        return high < MODULO_BASE
    return True


def _alike(way: Way, other: Way) -> Limits | None:
    """The numbers, also below zero, that ``way`` reads right if the truth is ``other``, by its lowest bytes."""
    if way.scale is None or other.scale is None or way.scale.line != other.scale.line:
        return None
    signs = (Family.INT, Family.UINT)
    if way.form.family not in signs or other.form.family not in signs:
        return None
    mine, theirs = byte_places(way), byte_places(other)
    if way.table is not other.table or len(mine) > len(theirs) or mine != theirs[: len(mine)]:
        return None
    return (
        max(int(way.form.limits[0]), int(other.form.limits[0])),
        min(int(way.form.limits[1]), int(other.form.limits[1])),
    )


def best_cover(ways: Sequence[Way], within: Interval | None) -> Way | None:
    """The first of the ways that covers all of them, else a narrower one made of the low words of one of them that
    does; None if there is none."""
    first = _first_cover(ways, ways, within)
    if first is not None or within is None or not ways:
        return first
    return _first_cover(list(_low_parts(ways[0])), ways, within)


def _first_cover(tried: Sequence[Way], ways: Sequence[Way], within: Interval | None) -> Way | None:
    for way in tried:
        if all(covers(way, other, within) for other in ways):
            return way
    return None


def _low_parts(way: Way) -> Iterator[Way]:
    """What can be read from the lowest bytes of a wider whole number."""
    if not way.form.is_whole:
        return
    places = byte_places(way)
    for form in FORMS:
        if not form.is_whole or form.registers >= way.form.registers or not form.is_in_plan:
            continue
        lowest = places[: 2 * form.registers]
        part = Way(way.table, min(lowest) // 2, form, way.scale)
        if byte_places(part) == lowest:
            yield part


def range_of_cover(way: Way, ways: Sequence[Way], shown: Sequence[Fraction]) -> tuple[Fraction, Fraction] | None:
    """The widest range, of those that begin and end at an end of some form, that has all that was shown and within
    which ``way`` is right, whichever of the ways is the truth; None if there is none."""
    if way.scale is None or not way.form.is_whole:
        return None
    line = way.scale.line
    numbers = {0, MODULO_BASE - 1, *(BCD_BYTE**part - 1 for part in range(1, 9))}
    numbers |= {int(end) for form in FORMS if form.is_whole for end in form.limits}
    ends = sorted({number * line.factor + line.offset for number in numbers})
    lows = [each for each in ends if all(each <= number for number in shown)]
    highs = [each for each in reversed(ends) if all(number <= each for number in shown)]
    for high in highs:
        for low in lows:
            if low < high and all(covers(way, other, Interval(low, high)) for other in ways):
                return low, high
    return None
