"""The declared conversion, worked out a second time: exact fractions, ``struct``, and no code of the codec.

Numbers are first held against it in floating point; only near a border (of rounding, of a range) it is done exactly.
"""

from __future__ import annotations

import math
import re
import struct
from collections.abc import Callable
from decimal import Decimal
from fractions import Fraction
from functools import lru_cache
from typing import Any, Final

from wherry.plan.model import Point, Scale, Value

Data = bytes | int
Fits = Callable[[Any, Any], bool]
ONE: Final = Fraction(1)

SLACK: Final = 1e-9
"""Relative: what double precision may lose on the way (IEEE 754-2019, 3.6: 53 bits), with room."""
SLACK_FLOAT32: Final = 1e-6
"""The same for a receiver's float32 (24 bits)."""
EXACT_BITS_MAX: Final = 32
"""Whole numbers up to this width are doubles without loss."""
_FORMATS: Final = {
    "int16": ">h", "uint16": ">H", "int32": ">i", "uint32": ">I", "int64": ">q", "uint64": ">Q",
    "float32": ">f", "float64": ">d",
}  # fmt: skip
_TRADE: Final = {"rpm": "revolution/minute", "gpm": "gallon/minute", "cfm": "foot**3/minute", "Nm": "newton*meter"}


def ordered(data: bytes, order: str) -> bytes:
    """Registers as they travel, with the high word first and the high byte first."""
    if order == "ABCD":
        return data
    words = [data[at : at + 2] for at in range(0, len(data), 2)]
    if order in ("BADC", "DCBA"):
        words = [word[::-1] for word in words]
    if order in ("CDAB", "DCBA"):
        words = words[::-1]
    return b"".join(words)


def decoder(point: Point) -> Callable[[bytes], int | float | None]:
    """A function that gives the number that registers hold; None when they hold none."""
    name, order = point.type.name, point.order.value
    if name not in _FORMATS:

        def decimal(data: bytes) -> int | None:
            text = ordered(data, order).hex()
            return int(text) if text.isdecimal() else None

        return decimal
    unpack, is_float = struct.Struct(_FORMATS[name]).unpack, name.startswith("float")

    def decode(data: bytes) -> int | float | None:
        number: int | float = unpack(data if order == "ABCD" else ordered(data, order))[0]
        return None if is_float and not math.isfinite(number) else number

    return decode


def _fraction(number: float) -> Fraction:
    return Fraction(Decimal(str(number)))


def _line(scale: Scale | None) -> tuple[Fraction, Fraction]:
    """Factor and offset."""
    if scale is None:
        return Fraction(1), Fraction(0)
    low, high, to_low, to_high = map(_fraction, (scale.from_low, scale.from_high, scale.to_low, scale.to_high))
    factor = (to_high - to_low) / (high - low)
    return factor, to_low - low * factor


@lru_cache(maxsize=256)
def _unit(unit: str, put_unit: str) -> tuple[Fraction, Fraction]:
    """Factor and offset from the unit library itself, to twelve digits."""
    if not put_unit or not unit or unit == put_unit:
        return Fraction(1), Fraction(0)
    from pint import UnitRegistry

    registry: Any = UnitRegistry(autoconvert_offset_to_baseunit=True)
    one, other = (
        _TRADE.get(each) or re.sub(r"(?<=[A-Za-z])([23])(?![\w.])", r"**\1", each) for each in (unit, put_unit)
    )
    zero, thousand = (registry.Quantity(float(each), one).to(other).magnitude for each in (0, 1000))
    return Fraction(str(round((thousand - zero) / 1000, 12))), Fraction(str(round(zero, 9)))


def _whole(number: Fraction, rounding: str, blur: Fraction) -> set[int]:
    """The whole numbers it may be: two when it lies on a border within ``blur``."""
    half = Fraction(1, 2)
    found: set[int] = set()
    for each in (number - blur, number, number + blur):
        if rounding == "half even":
            found.add(round(each))
        elif rounding == "half away":
            found.add(math.floor(each + half) if each >= 0 else math.ceil(each - half))
        elif rounding == "down":
            found.add(math.floor(each))
        elif rounding == "up":
            found.add(math.ceil(each))
        else:
            found.add(math.trunc(each))
    return found


def _bounds(point: Point) -> tuple[int, int]:
    name, bits = point.type.name, 16 * point.type.registers
    if name.startswith("int"):
        return -(1 << (bits - 1)), (1 << (bits - 1)) - 1
    return (0, 10 ** (bits // 4) - 1) if name.startswith("bcd") else (0, (1 << bits) - 1)


def exactly(number: float) -> Fraction:
    """A number as it is written in the plan, in decimals."""
    return _fraction(number)


def take_line(value: Value) -> tuple[Fraction, Fraction]:
    """Factor and offset from the source's number to the value in its unit."""
    return _line(value.take_scale)


def put_factor(value: Value) -> Fraction:
    """By how much the number that travels to the receiver changes when the value changes by one, in its unit."""
    return _unit(value.unit, value.put_unit)[0] * _line(value.scale)[0]


class _Numbers:
    """The way of one number, with everything that can be worked out before."""

    def __init__(self, value: Value) -> None:
        self.value = value
        self.take, self.put = value.take, value.put
        self.decode_take, self.decode_put = decoder(value.take), decoder(value.put)
        self.shown_line = _line(value.take_scale)
        unit, scale = _unit(value.unit, value.put_unit), _line(value.scale)
        self.put_line = (unit[0] * scale[0], unit[1] * scale[0] + scale[1])
        self.range: tuple[Fraction, Fraction] | None = None
        if value.range is not None:
            self.range = (_fraction(value.range[0]), _fraction(value.range[1]))
        bits = 16 * self.take.type.registers
        self.codes = frozenset(code % (1 << bits) for code in value.not_available if -(1 << bits) <= code < 1 << bits)
        self.is_float_put = self.put.type.name.startswith("float")
        self.is_inexact = self.take.type.name.startswith("float") or bool(value.put_unit)
        self.put_slack = SLACK_FLOAT32 if self.put.type.name == "float32" else SLACK
        self.is_same = (
            self.take.type == self.put.type
            and self.take.order == self.put.order
            and self.shown_line == self.put_line == _line(None)
            and self.range is None
            and not self.take.type.name.startswith(("float", "bcd"))
        )
        is_small = all(
            each.type.bits <= EXACT_BITS_MAX or each.type.name == "float64" for each in (self.take, self.put)
        )
        self.is_quick = is_small and not value.clamp
        self.quick = tuple(float(each) for each in (*self.shown_line, *self.put_line))
        self.quick_range = None if self.range is None else (float(self.range[0]), float(self.range[1]))
        self.is_half = value.rounding.value.startswith("half")

    def fits(self, taken: bytes, put: bytes) -> bool:
        """Whether ``put`` is the declared conversion of ``taken``, both as they travel."""
        if self.codes and int.from_bytes(ordered(taken, self.take.order.value), "big") in self.codes:
            return False
        if self.is_same:
            return taken == put
        source, sent = self.decode_take(taken), self.decode_put(put)
        if source is None or sent is None:
            return False
        decided = self._decide(source, sent) if self.is_quick else None
        return self._fits_exactly(Fraction(source), Fraction(sent)) if decided is None else decided

    def _decide(self, source: float, sent: float) -> bool | None:
        """In floating point; None when it is too near a border to say."""
        factor, offset, put_factor, put_offset = self.quick
        shown = source * factor + offset
        if self.quick_range is not None:
            low, high = self.quick_range
            blur = 1e-6 * max(1.0, abs(low), abs(high))
            if not low + blur < shown < high - blur:
                return None if low - blur <= shown <= high + blur else False
        target = shown * put_factor + put_offset
        off = abs(sent - target)
        size = max(1.0, abs(target))
        if self.is_float_put:
            return off <= self.put_slack * size
        if off > 1 + 1e-6 * size:
            return False
        if self.is_half and abs(off - 0.5) > 1e-6 * size:
            return off < 0.5
        return None

    def _fits_exactly(self, source: Fraction, sent: Fraction) -> bool:
        shown = source * self.shown_line[0] + self.shown_line[1]
        blur = Fraction(1, 10**9) * max(ONE, abs(shown)) if self.is_inexact else Fraction(0)
        if self.range is not None:
            low, high = self.range
            slack = Fraction(1, 10**6) * max(ONE, abs(low), abs(high)) if self.is_inexact else Fraction(0)
            if not low - slack <= shown <= high + slack and not self.value.clamp:
                return False
            if self.value.clamp:
                shown = min(max(shown, low), high)
        target = shown * self.put_line[0] + self.put_line[1]
        return self.arrives(target, sent, blur * max(ONE, abs(self.put_line[0])))

    def arrives(self, target: Fraction, sent: Fraction, blur: Fraction) -> bool:
        """Whether a number of the receiver is what ``target`` becomes there."""
        if self.is_float_put:
            return abs(sent - target) <= Fraction(self.put_slack) * max(ONE, abs(target))
        wanted = _whole(target, self.value.rounding.value, blur)
        low, high = _bounds(self.put)
        if self.value.clamp:
            wanted = {min(max(each, low), high) for each in wanted}
        return sent in wanted


def compile_fits(value: Value) -> Fits:
    """A function that says whether its second argument is the declared conversion of its first.

    Registers as bytes as they travel, bits as a number."""
    name = value.take.type.name
    if value.take.type.is_number and value.put.type.is_number:
        return _Numbers(value).fits
    if name.startswith("string"):
        return _text_fits(value)
    if name == "bool":
        return lambda taken, put: _bit(taken) == _bit(put)
    return lambda taken, put: bool(taken == put)


def _bit(data: Data) -> bool:
    return data != b"\0\0" if isinstance(data, bytes) else bool(data)


def _text_fits(value: Value) -> Fits:
    take, put = value.take, value.put

    def fits(taken: bytes, given: bytes) -> bool:
        one = ordered(taken, take.order.value)[: take.type.length].split(b"\0")[0].rstrip(b" ")
        return one == ordered(given, put.order.value)[: put.type.length].split(b"\0")[0].rstrip(b" ")

    return fits


def compile_substitute(value: Value) -> Callable[[Any], bool]:
    """A function that says whether a written content is the declared substitute."""
    stand_in = value.substitute
    if stand_in is None:
        return lambda _put: False
    if isinstance(stand_in, bool):
        return lambda put: _bit(put) == stand_in
    if isinstance(stand_in, str):
        wanted, order, length = (
            stand_in.encode("latin-1", "replace").rstrip(b" "),
            value.put.order,
            value.put.type.length,
        )
        return lambda put: ordered(put, order.value)[:length].split(b"\0")[0].rstrip(b" ") == wanted
    if not value.put.type.is_number:
        return lambda _put: False
    way = _Numbers(value)
    target = _fraction(stand_in) * way.put_line[0] + way.put_line[1]
    rough, near = float(target), 1 + 1e-6 * abs(float(target))

    def is_substitute(put: bytes) -> bool:
        sent = way.decode_put(put)
        if sent is None or abs(sent - rough) > near:
            return False
        return way.arrives(target, Fraction(sent), Fraction(1, 10**9))

    return is_substitute
