"""One value on its way: read from the source's registers, judged, scaled, written as the receiver's registers.

Compiled once into a function that has only the steps it needs. Whole numbers are scaled exactly, with one rounding at
the end; floating-point numbers in double precision. What does not fit is a quality, never another number.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection
from dataclasses import dataclass
from fractions import Fraction
from typing import NamedTuple, cast

from wherry.errors import LocalError
from wherry.values.codec import DoesNotFitError, Form, UnreadableError, Value, reader, type_range, writer
from wherry.values.order import reorder
from wherry.values.quality import Quality, Reason
from wherry.values.scaling import IDENTITY, Line, Rounding, rounded
from wherry.values.types import Kind


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
    """The value must lie within (both ends included)."""
    to_put: Line = IDENTITY
    """From the value to the receiver's number."""
    not_available: frozenset[int] = frozenset()
    """Source contents, as whole numbers over all registers in their order (0x8000, or -32768), that mean: no value."""
    clamp: bool = False
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
        """A value in engineering units as it travels to the receiver. DoesNotFitError if the place cannot hold it."""
        form = self._put_form
        if not form.type.is_number:
            return writer(form)(value)
        assert isinstance(value, int | float), value
        if not math.isfinite(value):
            raise DoesNotFitError(f"{value!r} is not a number that can be put")
        number = self._rules.to_put.at(value)
        if form.type.kind is Kind.FLOAT:
            return writer(form)(float(number))
        return writer(form)(rounded(number, self._rules.rounding))


def _is_plain(take: Form, put: Form, rules: Rules) -> bool:
    if take.type.kind is Kind.RAW or put.type.kind is Kind.RAW:
        if take.type != put.type or take.table.is_bits != put.table.is_bits:
            raise LocalError(f"raw items can only be put as the same number of raw items: {take.type}, {put.type}")
        return True
    is_whole = take.type.kind in (Kind.INT, Kind.UINT)
    unchanged = rules.to_shown.is_identity and rules.to_put.is_identity and rules.range is None
    return is_whole and take.type == put.type and take.order == put.order and unchanged


def _plain(read: Callable[[bytes], Value]) -> Callable[[bytes], Converted]:
    good, reason = Quality.GOOD, Reason.GOOD
    return lambda data: Converted(read(data), data, good, reason)


def _with_codes(
    take: Form, codes: Collection[int], convert: Callable[[bytes], Converted]
) -> Callable[[bytes], Converted]:
    """The same conversion, unless the content is one of the codes that mean: no value."""
    if not codes:
        return convert
    order = take.order
    bits = 16 * take.type.registers
    known = frozenset(code & (1 << bits) - 1 for code in codes)

    def judge(data: bytes) -> Converted:
        if int.from_bytes(reorder(data, order), "big") in known:
            return failed(Reason.BAD_SENSOR_FAILURE)
        return convert(data)

    return judge


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
    """Numbers to numbers. The steps that a value does not need cost it one comparison each."""
    read = cast("Callable[[bytes], int | float]", reader(take))
    show = _scaler(rules.to_shown)
    finish = _finisher(put, rules)
    low, high = rules.range or (-math.inf, math.inf)
    is_ranged, clamp = rules.range is not None, rules.clamp
    is_float = take.type.kind is Kind.FLOAT
    # A whole number that is scaled twice goes the whole way at once, so that it is rounded once.
    whole_way = None if is_float else _scaler_exact(rules.to_shown.then(rules.to_put))
    to_put = _scaler(rules.to_put)
    good, reason = Quality.GOOD, Reason.GOOD
    uncertain, exceeded = Quality.UNCERTAIN, Reason.UNCERTAIN_ENGINEERING_UNITS_EXCEEDED

    def convert(data: bytes) -> Converted:
        try:
            number = read(data)
        except UnreadableError:
            return failed(Reason.BAD_DECODING_ERROR)
        if is_float and not math.isfinite(number):
            return failed(Reason.BAD_SENSOR_FAILURE)
        shown = show(number) if show else number
        if is_ranged and not low <= shown <= high:
            if not clamp:
                return failed(Reason.BAD_OUT_OF_RANGE, shown)
            nearest = low if shown < low else high
            sent, _ = finish(to_put(nearest) if to_put else nearest)
            return Converted(shown, sent, uncertain, exceeded)
        result: int | float | Fraction
        if whole_way is not None:
            result = whole_way(number)
        else:
            result = to_put(shown) if to_put else shown
        sent, was_clamped = finish(result)
        if sent is None:
            return failed(Reason.BAD_OUT_OF_RANGE, shown)
        if was_clamped:
            return Converted(shown, sent, uncertain, exceeded)
        return Converted(shown, sent, good, reason)

    return convert


def _scaler(line: Line) -> Callable[..., int | float] | None:
    """The line in double precision, exact for whole numbers as far as the result is one; None if nothing changes."""
    if line.is_identity:
        return None
    factor, offset = float(line.factor), float(line.offset)
    exact = _scaler_exact(line)

    def scale(number: int | float) -> int | float:
        if isinstance(number, int):
            result = exact(number)
            return result.numerator if result.denominator == 1 else result.numerator / result.denominator
        return number * factor + offset

    return scale


def _scaler_exact(line: Line) -> Callable[..., Fraction | int]:
    if line.is_identity:
        return lambda number: number
    if line.offset.denominator == 1 and line.factor.denominator == 1:
        times, plus = line.factor.numerator, line.offset.numerator
        return lambda number: number * times + plus
    factor, offset = line.factor, line.offset
    return lambda number: number * factor + offset


def _finisher(put: Form, rules: Rules) -> Callable[[int | float | Fraction], tuple[bytes | None, bool]]:
    """From the receiver's number to what travels: rounded, held against what the place can hold, encoded."""
    write, clamp, rounding = writer(put), rules.clamp, rules.rounding
    low, high = type_range(put.type)
    if put.type.kind is Kind.FLOAT:

        def finish_float(number: int | float | Fraction) -> tuple[bytes | None, bool]:
            try:
                return write(float(number)), False
            except (DoesNotFitError, OverflowError):
                return (write(low if number < 0 else high), True) if clamp else (None, False)

        return finish_float

    def finish_whole(number: int | float | Fraction) -> tuple[bytes | None, bool]:
        if isinstance(number, float) and not math.isfinite(number):
            return None, False
        whole = number if isinstance(number, int) else rounded(number, rounding)
        if low <= whole <= high:
            return write(whole), False
        return (write(low if whole < low else high), True) if clamp else (None, False)

    return finish_whole
