"""One value on its way: read from the source's registers, judged, scaled, written as the receiver's registers.

Compiled once into a function that has only the steps it needs. Whole numbers are scaled exactly, with one rounding at
the end; floating-point numbers in double precision. What does not fit is a quality, never another number.

A number goes one of two ways. The straight way is short: if the source's number lies within bounds worked out before,
and the result within those of the destination, the value is Good. All else is judged at leisure, by exact arithmetic.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction
from typing import Any, NamedTuple

from wherry.errors import LocalError
from wherry.values.codec import (
    FLOAT32_MAX,
    FLOAT64_MAX,
    DoesNotFitError,
    Form,
    UnreadableError,
    Value,
    packer,
    reader,
    type_range,
    unpacker,
    writer,
)
from wherry.values.order import reorder
from wherry.values.quality import Quality, Reason
from wherry.values.scaling import IDENTITY, Line, Rounding, divided, exact, rounded
from wherry.values.types import Kind, ValueType

FLOAT_WHOLE_MAX = 1 << 53
"""Up to here every whole number is a double of its own (IEEE 754-2019, 3.6: 53 bits of significand)."""

WHOLE_SHOWN_MAX = 1 << 900
"""A bound of ours: with it, no number of 64 bits is scaled beyond any float."""


class Converted(NamedTuple):
    """What became of one reading. ``value`` is shown to people; ``put`` is what travels on, None when nothing may."""

    value: Value | None
    put: bytes | None
    quality: Quality
    reason: Reason


@dataclass(frozen=True)
class Rules:
    """What is done to a number between its two places, in this order."""

    to_shown: Line = IDENTITY
    """From the source's number to the value in engineering units."""
    range: tuple[float, float] | None = None
    """The value must lie within (both ends included). The ends are taken as the decimal numbers that the plan shows;
    for a source of floats, as the source can best show them, so that a sensor at its very end is not out of range."""
    to_put: Line = IDENTITY
    """From the value to the receiver's number."""
    not_available: frozenset[int] = frozenset()
    """Source contents, as whole numbers over all registers in their order (0x8000, or -32768), that mean: no value."""
    clamp: bool = False
    """What is out of range, or does not fit the destination, is put as the nearest number that does, as Uncertain."""
    rounding: Rounding = Rounding.EVEN


def failed(reason: Reason, value: Value | None = None) -> Converted:
    """A reading that may not travel on."""
    return Converted(value, None, reason.quality, reason)


class Conversion:
    """A compiled way from one place to another. LocalError when the two kinds of value have no way between them.

    ``convert`` takes the source's items as they travel. ``is_plain``: what is read is put as it is, and is always Good.
    """

    __slots__ = ("_put_form", "_rules", "convert", "is_plain", "read")

    convert: Callable[[bytes], Converted]
    read: Callable[[bytes], Value]

    def __init__(self, take: Form, put: Form, rules: Rules | None = None) -> None:
        rules = rules or Rules()
        self._rules = rules
        self._put_form = put
        self.read = reader(take)
        is_plain = _is_plain(take, put, rules)
        self.is_plain = is_plain and not rules.not_available
        if is_plain:
            self.convert = _plain(self.read)
        elif take.type.is_number and put.type.is_number:
            self.convert = _numbers(take, put, rules)
        elif take.type.kind is Kind.BOOL and put.type.kind is Kind.BOOL:
            self.convert = _bools(self.read, writer(put))
        elif take.type.kind is put.type.kind is Kind.STRING:
            self.convert = _texts(self.read, writer(put))
        else:
            raise LocalError(f"a {take.type} cannot be put as a {put.type}")
        self.convert = _with_codes(take, rules.not_available, self.convert)

    def put(self, value: Value) -> bytes:
        """A value in engineering units as it travels to the receiver. DoesNotFitError if the place cannot hold it.

        Such a value is the plan's own (a substitute): it is not held against the range, and never clamped.
        """
        form = self._put_form
        if not form.type.is_number:
            return writer(form)(value)
        if not isinstance(value, int | float) or not math.isfinite(value):
            raise DoesNotFitError(f"{value!r} is not a number that can be put")
        data = _Fit(form.type, packer(form), self._rules.rounding).data_of(self._rules.to_put.at(exact(value)))
        if data is None:
            raise DoesNotFitError(f"{value!r} does not fit {form.type}")
        return data


def _is_plain(take: Form, put: Form, rules: Rules) -> bool:
    """Whether the registers can be put as they are read, whatever they hold (but for the codes for no value)."""
    if take.type.kind is Kind.RAW or put.type.kind is Kind.RAW:
        if take.type != put.type or take.table.is_bits != put.table.is_bits:
            raise LocalError(f"raw items can only be put as the same number of raw items: {take.type}, {put.type}")
        return True
    if take.type != put.type or take.order != put.order:
        return False
    if take.type.kind is Kind.STRING:
        return take.type.length % 2 == 0  # else the last byte is not part of the text
    unchanged = rules.to_shown.is_identity and rules.to_put.is_identity and rules.range is None
    return take.type.kind in (Kind.INT, Kind.UINT) and unchanged


def _plain(read: Callable[[bytes], Value]) -> Callable[[bytes], Converted]:
    good, reason = Quality.GOOD, Reason.GOOD
    return lambda data: Converted(read(data), data, good, reason)


def _with_codes(
    take: Form, codes: frozenset[int], convert: Callable[[bytes], Converted]
) -> Callable[[bytes], Converted]:
    """The same conversion, unless the content is one of the codes that mean: no value."""
    bits = 16 * take.type.registers
    # A code that the registers cannot hold is never met; it must not be cut down to one that is.
    possible = [code for code in codes if -(1 << bits - 1) <= code < 1 << bits]
    if not possible or take.table.is_bits:
        return convert
    contents = frozenset(reorder((code % (1 << bits)).to_bytes(bits // 8, "big"), take.order) for code in possible)
    missing = failed(Reason.BAD_SENSOR_FAILURE)
    return lambda data: missing if data in contents else convert(data)


def _bools(read: Callable[[bytes], Value], write: Callable[[Value], bytes]) -> Callable[[bytes], Converted]:
    results = {state: Converted(state, write(state), Quality.GOOD, Reason.GOOD) for state in (False, True)}
    return lambda data: results[read(data) is True]


def _texts(read: Callable[[bytes], Value], write: Callable[[Value], bytes]) -> Callable[[bytes], Converted]:
    def convert(data: bytes) -> Converted:
        text = read(data)
        try:
            return Converted(text, write(text), Quality.GOOD, Reason.GOOD)
        except DoesNotFitError:
            return failed(Reason.BAD_OUT_OF_RANGE, text)

    return convert


def _numbers(take: Form, put: Form, rules: Rules) -> Callable[[bytes], Converted]:
    """Numbers to numbers. A step that a value does not need costs it next to nothing."""
    is_whole_take, is_whole_put = take.type.kind is not Kind.FLOAT, put.type.kind is not Kind.FLOAT
    # The whole way at once: a whole number is rounded once, and what is scaled there and back is unchanged.
    line = rules.to_shown.then(rules.to_put)
    unpack, pack = unpacker(take), packer(put)
    low, high = _bounds(take.type, rules)
    put_low, put_high = type_range(put.type)
    scaler = _exact_scaler if is_whole_take else _float_scaler
    show = scaler(rules.to_shown)
    scale: Callable[[Any], int | float] | None = scaler(line)
    to_whole = None
    if not is_whole_take:
        calm = min(_calm_max(rules.to_shown), _calm_max(line))
        low, high = max(low, -calm), min(high, calm)
        to_whole = _whole_of(rules.rounding) if is_whole_put else None
    elif is_whole_put:
        scale = _whole_scaler(line, rules.rounding)
    is_same = line.is_identity and take.type == put.type and take.order == put.order
    judge = _judge(take, put, rules)
    make, good, reason = tuple.__new__, Quality.GOOD, Reason.GOOD

    def convert(data: bytes) -> Converted:
        try:
            number = unpack(data)[0]
        except UnreadableError:
            return failed(Reason.BAD_DECODING_ERROR)
        try:
            if low <= number <= high:  # false for what is not a number
                result = scale(number) if scale else number
                if put_low <= result <= put_high:
                    sent = data if is_same else pack(to_whole(result) if to_whole else result)
                    return make(Converted, (show(number) if show else number, sent, good, reason))
        except OverflowError:  # a whole number beyond any float
            pass
        return judge(number)

    return convert


def _judge(take: Form, put: Form, rules: Rules) -> Callable[[int | float], Converted]:
    """What becomes of any number; exact, and slow."""
    low, high = _bounds(take.type, rules)
    line = rules.to_shown.then(rules.to_put)
    fit = _Fit(put.type, packer(put), rules.rounding)
    is_shown_whole = take.type.kind is not Kind.FLOAT and _keeps_whole(rules.to_shown)
    uncertain, exceeded = Quality.UNCERTAIN, Reason.UNCERTAIN_ENGINEERING_UNITS_EXCEEDED
    middle, at_least, at_greatest = Fraction(0), b"", b""
    if rules.range is not None and rules.clamp:
        least, greatest = exact(rules.range[0]), exact(rules.range[1])
        middle = (least + greatest) / 2
        at_least, at_greatest = (fit.nearest(rules.to_put.at(end)) for end in (least, greatest))

    def judge(number: int | float) -> Converted:
        if not math.isfinite(number):
            return failed(Reason.BAD_DECODING_ERROR)
        in_unit = rules.to_shown.at(number)
        shown = int(in_unit) if is_shown_whole else _as_float(in_unit)
        if low <= number <= high:
            arrives = line.at(number)
            data = fit.data_of(arrives)
            if data is not None:
                return Converted(shown, data, Quality.GOOD, Reason.GOOD)
            if not rules.clamp:
                return failed(Reason.BAD_NUMERIC_OVERFLOW, shown)
            return Converted(shown, fit.nearest(arrives), uncertain, exceeded)
        if not rules.clamp:
            return failed(Reason.BAD_OUT_OF_RANGE, shown)
        assert rules.range is not None
        return Converted(shown, at_least if in_unit < middle else at_greatest, uncertain, exceeded)

    return judge


class _Fit:
    """Puts exact numbers into a type, if it can hold them."""

    __slots__ = ("_is_float", "_pack", "_rounding", "_type")

    def __init__(self, value_type: ValueType, pack: Callable[[Any], bytes], rounding: Rounding) -> None:
        self._type, self._pack, self._rounding = value_type, pack, rounding
        self._is_float = value_type.kind is Kind.FLOAT

    def data_of(self, number: Fraction) -> bytes | None:
        """The number as it travels; None if the type cannot hold it."""
        try:
            if self._is_float:
                return self._pack(float(number))
        except OverflowError:
            return None
        whole = rounded(number, self._rounding)
        low, high = type_range(self._type)
        return self._pack(whole) if low <= whole <= high else None

    def nearest(self, number: Fraction) -> bytes:
        """The number as it travels, or the end of the type that is nearest to it."""
        low, high = type_range(self._type)
        data = self.data_of(number)
        return data if data is not None else self._pack(low if number < low else high)


def _bounds(take: ValueType, rules: Rules) -> tuple[int | float, int | float]:
    """The least and the greatest number of the source that is within range; the first is greater when none is."""
    low, high = type_range(take)
    if rules.range is None:
        return low, high
    least, greatest = exact(rules.range[0]), exact(rules.range[1])
    factor, offset = rules.to_shown.factor, rules.to_shown.offset
    if factor == 0:
        return (low, high) if least <= offset <= greatest else (high, low)
    first, last = sorted(((least - offset) / factor, (greatest - offset) / factor))
    if take.kind is Kind.FLOAT:
        nearest = _nearest_float32 if take.bits == 32 else _as_float
        return max(low, nearest(first)), min(high, nearest(last))
    return max(low, math.ceil(first)), min(high, math.floor(last))


def _nearest_float32(number: Fraction) -> float:
    try:
        return float(struct.unpack("f", struct.pack("f", number))[0])
    except OverflowError:
        return FLOAT32_MAX if number > 0 else -FLOAT32_MAX


def _as_float(number: Fraction) -> float:
    """The nearest float; the greatest one for what is beyond it, since no infinity may leave."""
    try:
        return float(number)
    except OverflowError:
        return FLOAT64_MAX if number > 0 else -FLOAT64_MAX


def _keeps_whole(line: Line) -> bool:
    """Whether whole numbers become whole ones, of a size that a float could also show."""
    times, plus, over = line.whole_parts
    return over == 1 and max(abs(times), abs(plus)) < WHOLE_SHOWN_MAX


def _whole_scaler(line: Line, rounding: Rounding) -> Callable[[Any], int] | None:
    """For whole numbers, to whole numbers: exact, rounded once. None if nothing changes."""
    if line.is_identity:
        return None
    times, plus, over = line.whole_parts
    if over == 1:
        return lambda number: number * times + plus
    divide = divided(rounding)
    return lambda number: divide(number * times + plus, over)


def _exact_scaler(line: Line) -> Callable[[Any], int | float] | None:
    """For whole numbers: the nearest float to the exact result, or the result itself if it is always whole."""
    if line.is_identity:
        return None
    times, plus, over = line.whole_parts
    if _keeps_whole(line):
        return lambda number: number * times + plus
    return lambda number: (number * times + plus) / over


def _float_scaler(line: Line) -> Callable[[Any], float] | None:
    """For floats, in double precision. A division by whole numbers keeps ``123 / 10`` the number that people expect."""
    if line.is_identity:
        return None
    times, plus, over = line.whole_parts
    if max(abs(times), abs(plus), over) > FLOAT_WHOLE_MAX:
        factor, offset = _as_float(line.factor), _as_float(line.offset)
        return lambda number: number * factor + offset
    if over == 1:
        return lambda number: number * times + plus
    return lambda number: (number * times + plus) / over


def _calm_max(line: Line) -> float:
    """Up to here no step of the line in double precision becomes infinite; negative if that is nowhere sure."""
    times, plus, over = line.whole_parts
    largest = max(abs(times), abs(plus), over, 1)
    return FLOAT64_MAX / 4 / _as_float(Fraction(largest)) if largest < FLOAT64_MAX / 4 else -1.0


def _whole_of(rounding: Rounding) -> Callable[[float], int]:
    if rounding is Rounding.EVEN:
        return round
    return lambda number: rounded(number, rounding)
