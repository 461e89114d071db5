"""The ways in which a place of a plan can be wrong, and what is then to be seen. Pure.

Declared kinds: another value's place, shifted by one register, word order, byte order, sign (negated, inverted, signed
taken for unsigned), scale (a power of ten up to a thousand, or two), bit of a register, width, and kind of number.

What is seen on the source's side are registers, as bits of which some are known and some depend on what else the source
holds: a ``Pattern``. A number that the true place cannot hold cannot be given at all, and that is seen too.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from fractions import Fraction
from typing import Final, NamedTuple

from wherry.plan.model import Point, Table
from wherry.prove.places import Content, Place, inverse
from wherry.values import codec
from wherry.values.scaling import exact
from wherry.values.types import (
    BCD16,
    BCD32,
    FLOAT32,
    FLOAT64,
    INT16,
    INT32,
    INT64,
    UINT16,
    UINT32,
    UINT64,
    Kind,
    Order,
    ValueType,
)


class FaultKind(StrEnum):
    """What can be wrong, in words for people."""

    OTHER = "another value's place"
    SHIFT = "shifted by one register"
    WORD_ORDER = "word order"
    BYTE_ORDER = "byte order"
    SIGN = "sign"
    SCALE = "scale"
    BIT = "bit"
    WIDTH = "width"
    NUMBER = "kind of number"


SCALES: Final = tuple(Fraction(each) for each in (10, 100, 1000, 2)) + tuple(
    Fraction(1, each) for each in (10, 100, 1000, 2)
)
"""Factors between the true value and the one that the plan makes of it."""

_FLIPPED: Final = {
    FaultKind.WORD_ORDER: {
        Order.ABCD: Order.CDAB,
        Order.CDAB: Order.ABCD,
        Order.BADC: Order.DCBA,
        Order.DCBA: Order.BADC,
    },
    FaultKind.BYTE_ORDER: {
        Order.ABCD: Order.BADC,
        Order.BADC: Order.ABCD,
        Order.CDAB: Order.DCBA,
        Order.DCBA: Order.CDAB,
    },
}
_WIDTHS: Final = ((INT16, INT32, INT64), (UINT16, UINT32, UINT64), (FLOAT32, FLOAT64), (BCD16, BCD32))
_NUMBERS: Final = ((UINT16, BCD16), (INT32, FLOAT32), (UINT32, FLOAT32, BCD32), (INT64, FLOAT64), (UINT64, FLOAT64))
_SIGNS: Final = {
    each: other
    for signed, unsigned in ((INT16, UINT16), (INT32, UINT32), (INT64, UINT64))
    for each, other in ((signed, unsigned), (unsigned, signed))
}


@dataclass(frozen=True, slots=True)
class Change:
    """One difference between the plan and the truth. Which of the other fields counts depends on the kind."""

    kind: FaultKind
    origin: int = -1
    """OTHER: the index of the place whose content is seen."""
    is_word: bool = False
    """OTHER: the whole register in which the origin, a bit, lies; not the bit alone."""
    shift: int = 0
    """SHIFT: so many items further than the plan says. OTHER: the origin lies so far from here (0, or before)."""
    type: ValueType | None = None
    """SIGN, WIDTH, NUMBER: what it is in truth."""
    factor: Fraction = Fraction(1)
    """SCALE, SIGN: the true number is so many times as large as the plan's."""
    bit: int = -1
    """BIT: in which bit it is in truth."""
    is_inverted: bool = False
    """SIGN of a bool."""


Shown = codec.Value | None
"""What a program shows; None where it shows nothing that can be read off."""


class Pattern(NamedTuple):
    """What is seen in all steps, one after the other: for each a bit that says whether the value could be given, and
    the bits of the window. ``mask`` has the bits that are known."""

    bits: int
    mask: int

    def fits(self, seen: int) -> bool:
        return seen & self.mask == self.bits

    def is_silent(self, window_bits: int, steps: int) -> bool:
        """Whether a place where nothing is could look the same: nothing known but zeros, or but ones, all given."""
        window = ((1 << window_bits) - 1) * repeated(window_bits + 1, steps)
        given = given_bits(window_bits, steps)
        known = self.mask & window
        return self.bits & given == given & self.mask and self.bits & window in (0, known)

    def is_plain(self, window_bits: int, steps: int) -> bool:
        """Whether in each step all that is known is zeros, or ones: what the high words of many numbers hold."""
        window = (1 << window_bits) - 1
        for step in range(steps):
            bits, mask = (each >> step * (window_bits + 1) & window for each in self)
            if bits not in (0, mask) or mask.bit_count() == 1:
                return False
        return True


def given_bits(window_bits: int, steps: int) -> int:
    """The bits of a pattern that say whether the value could be given."""
    return (1 << window_bits) * repeated(window_bits + 1, steps)


def repeated(width: int, times: int) -> int:
    """A one in each of so many fields of so many bits."""
    return ((1 << width * times) - 1) // ((1 << width) - 1)


def own_changes(place: Place, *, is_receiver: bool = False) -> list[Change]:
    """Every single fault of a place, but for those that show another value.

    On the source's side a shift of a single register is none of them: what is then read is all another's.
    """
    point, kind = place.point, place.point.type.kind
    found: list[Change] = []
    if kind is Kind.BOOL:
        found.append(Change(FaultKind.SIGN, is_inverted=True))
        if point.bit is not None:
            found += [Change(FaultKind.BIT, bit=bit) for bit in range(16) if bit != point.bit]
        return found
    if (point.count > 1 or is_receiver) and not point.table.is_bits:
        found += [Change(FaultKind.SHIFT, shift=shift) for shift in (1, -1) if point.address + shift >= 0]
    if kind is Kind.RAW:
        return found
    if point.count > 1:
        found.append(Change(FaultKind.WORD_ORDER))
    found.append(Change(FaultKind.BYTE_ORDER))
    if not point.type.is_number:
        return found
    if kind in (Kind.INT, Kind.FLOAT):
        found.append(Change(FaultKind.SIGN, factor=Fraction(-1)))
    if point.type in _SIGNS:
        found.append(Change(FaultKind.SIGN, type=_SIGNS[point.type]))
    found += [Change(FaultKind.SCALE, factor=factor) for factor in SCALES]
    for family, what in ((_WIDTHS, FaultKind.WIDTH), (_NUMBERS, FaultKind.NUMBER)):
        types = dict.fromkeys(each for group in family if point.type in group for each in group if each != point.type)
        found += [Change(what, type=each) for each in types]
    return found


def pairs_of(changes: Sequence[Change]) -> Iterator[tuple[Change, Change]]:
    """Every two of different kinds. Two that name a type are one change after the other: they are left out."""
    for index, first in enumerate(changes):
        for second in changes[index + 1 :]:
            if first.kind is not second.kind and (first.type is None or second.type is None):
                yield first, second


class Truth(NamedTuple):
    """Where and how a value lies in truth, if the plan is wrong in a given way."""

    point: Point
    shift: int
    factor: Fraction
    is_inverted: bool


def truth_of(point: Point, changes: Sequence[Change]) -> Truth:
    """The place as it is in truth. OTHER is the caller's."""
    shift, factor, is_inverted = 0, Fraction(1), False
    for each in changes:
        shift += each.shift
        factor *= each.factor
        is_inverted ^= each.is_inverted
        if each.type is not None:
            point = replace(point, type=each.type)
        if each.kind in _FLIPPED:
            point = replace(point, order=_FLIPPED[each.kind][point.order])
        if each.kind is FaultKind.BIT:
            point = replace(point, bit=each.bit)
    return Truth(point, shift, factor, is_inverted)


# The source's side: what the registers of a place hold.


def patterns(place: Place, origin: Place, contents: Sequence[Content], changes: Sequence[Change]) -> list[Pattern]:
    """What is seen at ``place`` when it is ``origin`` (itself, or another) that lies there, with these changes.

    ``contents`` are those of the origin, one for each step. Several patterns where devices may round in their own ways.
    """
    truth = truth_of(origin.point, changes)
    numbers = [_there(origin, truth, content.number) for content in contents]
    ways: Sequence[Callable[[Fraction], int]] = (round,)
    if truth.point.type.kind is not Kind.FLOAT and any(
        isinstance(each, Fraction) and each.denominator != 1 for each in numbers
    ):
        ways = (round, math.trunc, math.floor, _half_away)
    found: dict[Pattern, None] = {}
    for to_whole in ways:
        bits = mask = 0
        for number in numbers:
            step_bits, step_mask = _step(place, origin, truth, _held(truth, number, to_whole))
            bits = bits << (place.window_bits + 1) | step_bits
            mask = mask << (place.window_bits + 1) | step_mask
        found[Pattern(bits, mask)] = None
    return list(found)


def _there(origin: Place, truth: Truth, number: codec.Value) -> codec.Value | Fraction:
    """The number that the true place must hold for the same value."""
    if isinstance(number, bool):
        return number ^ truth.is_inverted
    if isinstance(number, int | float):
        if truth.factor == 1 and truth.point.type.kind is origin.point.type.kind:
            return number
        return scaled(origin, number, truth.factor)
    return number


def _held(truth: Truth, number: codec.Value | Fraction, to_whole: Callable[[Fraction], int]) -> bytes | None:
    """The number as the true place holds it; None if it cannot."""
    if isinstance(number, Fraction):
        try:
            number = float(number) if truth.point.type.kind is Kind.FLOAT else to_whole(number)
        except OverflowError:
            return None
    try:
        return codec.encode(truth.point, number)
    except codec.DoesNotFitError:
        return None


def _half_away(number: Fraction) -> int:
    return int(math.copysign(math.floor(abs(number) + Fraction(1, 2)), number))


def _step(place: Place, origin: Place, truth: Truth, data: bytes | None) -> tuple[int, int]:
    """Bits and mask of one step; ``data`` is what the true place holds, None when it could not be given."""
    given = 1 << place.window_bits
    if data is None:
        return 0, given
    size = place.window_bits
    if place.point.table.is_bits:
        bits, mask = _moved(int.from_bytes(data, "little"), (1 << truth.point.count) - 1, truth.shift)
    elif place.point.bit is not None and origin.is_bool:
        # In its own register the true bit; another value's state where this place looks for its own.
        at = truth.point.bit if origin.index == place.index and truth.point.bit is not None else place.point.bit
        bits, mask = (1 << at if any(data) else 0), 1 << at
    else:
        width = 8 * len(data)
        bits, mask = _moved(int.from_bytes(data, "big"), (1 << width) - 1, size - width - 16 * truth.shift)
    whole = given - 1
    return bits & whole | given, mask & whole | given


def _moved(bits: int, mask: int, by: int) -> tuple[int, int]:
    return (bits << by, mask << by) if by >= 0 else (bits >> -by, mask >> -by)


def scaled(place: Place, number: int | float, factor: Fraction) -> Fraction:
    """The registers' number whose value is ``factor`` times as large."""
    back = inverse(place.line)
    plain = exact(number) if isinstance(number, int) else Fraction(number)
    return plain if factor == 1 or back is None else back.at(place.line.at(plain) * factor)


def seen_bits(place: Place, datas: Sequence[bytes | None]) -> int:
    """What was read of a place in all steps (None: the value could not be given), in the form of a pattern."""
    found = 0
    for data in datas:
        found <<= place.window_bits + 1
        if data is not None:
            order = "little" if place.point.table.is_bits else "big"
            whole = (1 << place.window_bits) - 1
            found |= 1 << place.window_bits | int.from_bytes(data, order) & whole  # type: ignore[arg-type]
    return found


def is_nearly(
    place: Place, contents: Sequence[Content], changes: Sequence[Change], datas: Sequence[bytes | None]
) -> bool:
    """Whether whole numbers were read that are off by less than one from what a fault of the scale gives: devices that
    work out a scale in floats round now up, now down."""
    truth = truth_of(place.point, changes)
    if truth.point.type.kind is Kind.FLOAT or truth.shift or truth.point.count != place.point.count:
        return False
    for content, data in zip(contents, datas, strict=True):
        wanted = _there(place, truth, content.number)
        try:
            held = None if data is None else codec.decode(truth.point, data)
        except codec.UnreadableError:
            return False
        if not isinstance(wanted, int | float | Fraction):
            return False
        if held is None:
            if _held(truth, Fraction(wanted), math.floor) and _held(truth, Fraction(wanted), math.ceil):
                return False
        elif not isinstance(held, int) or abs(Fraction(wanted) - held) >= 1:
            return False
    return True


def word_pattern(place: Place, bits_in_word: Sequence[tuple[int, Sequence[Content]]]) -> Pattern:
    """What is seen at a place of registers when its first one is another, of which some bits are known."""
    bits = mask = 0
    size = place.window_bits
    for step in range(len(bits_in_word[0][1])):
        word = sum(1 << bit for bit, contents in bits_in_word if contents[step].number)
        known = sum(1 << bit for bit, _ in bits_in_word)
        bits = bits << (size + 1) | 1 << size | word << (size - 16)
        mask = mask << (size + 1) | 1 << size | known << (size - 16)
    return Pattern(bits, mask)


def can_show(place: Place, origin: Place) -> bool:
    """Whether the content of the one, lying at the other, is told by its bits."""
    if place.point.table.is_bits:
        return origin.point.table.is_bits or (place.is_bool and origin.is_bool)
    if origin.is_bool:
        return place.is_bool
    return not origin.point.table.is_bits


# The receiver's side: what its program makes of the registers that were written.

Image = Callable[[int, str, Table, int], int]
"""Step, controller, table, address: the register's content, or the bit's."""


def shown_as(place: Place, at: Place, changes: Sequence[Change], image: Image, steps: int) -> tuple[Shown, ...]:
    """What the receiver's program shows for ``place`` when it looks at the registers of ``at``, with these changes."""
    truth = truth_of(at.point, changes)
    form = truth.point
    found: list[Shown] = []
    for step in range(steps):
        addresses = range(form.address + truth.shift, form.address + truth.shift + form.count)
        items = [image(step, at.controller, form.table, address) for address in addresses]
        if form.table.is_bits:
            packed = sum(bit << index for index, bit in enumerate(items))
            data = packed.to_bytes((len(items) + 7) // 8, "little")
        else:
            data = b"".join(item.to_bytes(2, "big") for item in items)
        found.append(_shown(place, truth, data))
    return tuple(found)


def _shown(place: Place, truth: Truth, data: bytes) -> Shown:
    try:
        number = codec.decode(truth.point, data)
    except codec.UnreadableError:
        return None
    if isinstance(number, bool):
        return number ^ truth.is_inverted
    if isinstance(number, int | float):
        if not math.isfinite(number):
            return None
        if place.line.is_identity and truth.factor == 1:
            return number
        value = place.line.at(number) * truth.factor
        if value.denominator == 1 and isinstance(number, int):
            return int(value)
        try:
            return float(value)
        except OverflowError:
            return None
    return number
