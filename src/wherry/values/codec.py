"""Between values and what travels: registers (two bytes each, high byte first) or bits (packed from the lowest).

Reading never invents: a content that is no value of the type raises ``UnreadableError``. Writing never wraps,
truncates or pads beyond the field: a value that does not fit raises ``DoesNotFitError``. BCD and the padding of text
(NUL or blanks at the end): common practice, no source.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Callable
from typing import Any, Final, Protocol

from wherry.errors import LocalError, WherryError
from wherry.values.order import reorder, reverse_words
from wherry.values.types import Kind, Order, ValueType

Value = int | float | bool | str | bytes

FLOAT32_MAX: Final[float] = struct.unpack(">f", b"\x7f\x7f\xff\xff")[0]
FLOAT64_MAX: Final = math.nextafter(math.inf, 0)
TEXT_ENCODING: Final = "latin-1"
"""One byte a character. Ascii is the part of it that every device shares."""
_CODES: Final = {
    (Kind.INT, 16): "h",
    (Kind.UINT, 16): "H",
    (Kind.INT, 32): "i",
    (Kind.UINT, 32): "I",
    (Kind.INT, 64): "q",
    (Kind.UINT, 64): "Q",
    (Kind.FLOAT, 32): "f",
    (Kind.FLOAT, 64): "d",
}


class UnreadableError(WherryError):
    """A register content that is no value of the declared type."""


class DoesNotFitError(LocalError):
    """A value that the destination cannot hold."""


class _Table(Protocol):
    @property
    def is_bits(self) -> bool: ...


class Form(Protocol):
    """What the codec needs to know of a place: its type, order, bit, and whether its table holds bits."""

    @property
    def type(self) -> ValueType: ...
    @property
    def order(self) -> Order: ...
    @property
    def bit(self) -> int | None: ...
    @property
    def table(self) -> _Table: ...


def type_range(value_type: ValueType) -> tuple[int, int] | tuple[float, float]:
    """The least and the greatest number of a number type, both exact."""
    bits = value_type.bits
    if value_type.kind is Kind.INT:
        return -(1 << bits - 1), (1 << bits - 1) - 1
    if value_type.kind is Kind.UINT:
        return 0, (1 << bits) - 1
    if value_type.kind is Kind.BCD:
        return 0, 10 ** (bits // 4) - 1
    assert value_type.kind is Kind.FLOAT, value_type
    largest = FLOAT32_MAX if bits == 32 else FLOAT64_MAX
    return -largest, largest


def decode(form: Form, data: bytes) -> Value:
    """The value that ``data`` holds; UnreadableError if it holds none of this type.

    A float may be infinite or not a number here; a conversion lets neither through.
    """
    return reader(form)(data)


def encode(form: Form, value: Value) -> bytes:
    """``value`` as it travels; DoesNotFitError if the place cannot hold it."""
    return writer(form)(value)


def reader(form: Form) -> Callable[[bytes], Value]:
    """A function that reads values of this form."""
    kind, order, bit = form.type.kind, form.order, form.bit
    if kind is Kind.RAW:
        return bytes
    if kind is Kind.BOOL:
        if form.table.is_bits:
            return lambda data: bool(data[0] & 1)
        if bit is None:
            return lambda data: data != b"\x00\x00"
        return lambda data: bool(int.from_bytes(data, "big") >> bit & 1)
    if kind is Kind.STRING:
        length = form.type.length
        return lambda data: reorder(data, order)[:length].decode(TEXT_ENCODING).split("\x00")[0].rstrip(" ")
    unpack = unpacker(form)
    return lambda data: unpack(data)[0]


def unpacker(form: Form) -> Callable[[bytes], tuple[Any, ...]]:
    """For a number: a function that gives it as the only member of a tuple (as ``struct`` does; a call is saved)."""
    assert form.type.is_number, form.type
    order = form.order
    if form.type.kind is Kind.BCD:
        return lambda data: (_read_bcd(reorder(data, order)),)
    unpack = struct.Struct(_struct_format(form.type, order)).unpack
    return (lambda data: unpack(reverse_words(data))) if _has_words_reversed(form) else unpack


def packer(form: Form) -> Callable[[Any], bytes]:
    """For a number: a function that packs one that is known to fit. Use ``writer`` for any other."""
    assert form.type.is_number, form.type
    order = form.order
    if form.type.kind is Kind.BCD:
        digits = form.type.bits // 4
        return lambda value: reorder(bytes.fromhex(f"{value:0{digits}d}"), order)
    pack = struct.Struct(_struct_format(form.type, order)).pack
    return (lambda value: reverse_words(pack(value))) if _has_words_reversed(form) else pack


def writer(form: Form) -> Callable[[Value], bytes]:
    """A function that writes values of this form. DoesNotFitError for what the place cannot hold."""
    kind, order, bit = form.type.kind, form.order, form.bit
    if kind is Kind.RAW:
        return lambda value: _raw(value, form)
    if kind is Kind.BOOL:
        is_word = bit is None and not form.table.is_bits
        return lambda value: (b"\x00" if is_word else b"") + (b"\x01" if value else b"\x00")
    if kind is Kind.STRING:
        return lambda value: reorder(_write_text(value, form.type), order)
    pack, (low, high), is_float = packer(form), type_range(form.type), kind is Kind.FLOAT

    def write(value: Value) -> bytes:
        if not isinstance(value, int | float) or (not is_float and not isinstance(value, int)):
            raise DoesNotFitError(f"{value!r} is not a {'number' if is_float else 'whole number'}")
        try:
            # A number a little beyond the greatest float32 is nearest to it: packing decides that.
            if math.isfinite(value) and (is_float or low <= value <= high):
                return pack(float(value) if is_float else value)
        except OverflowError:
            pass
        raise DoesNotFitError(f"{value!r} does not fit {form.type}")

    return write


def _has_words_reversed(form: Form) -> bool:
    return form.type.bits > 16 and form.order in (Order.CDAB, Order.BADC)


def _struct_format(value_type: ValueType, order: Order) -> str:
    """For ``BADC`` the words are reversed first; what then remains is the little-endian form."""
    is_little = order in (Order.BADC, Order.DCBA)
    return ("<" if is_little else ">") + _CODES[value_type.kind, value_type.bits]


def _read_bcd(data: bytes) -> int:
    text = data.hex()
    if not text.isdecimal():
        raise UnreadableError(f"{text} is not BCD: it has a digit above 9")
    return int(text)


def _write_text(value: Value, value_type: ValueType) -> bytes:
    if not isinstance(value, str):
        raise DoesNotFitError(f"{value!r} is not text")
    try:
        data = value.encode(TEXT_ENCODING)
    except UnicodeEncodeError as fault:
        wrong = value[fault.start]
        raise DoesNotFitError(f"{value!r} has a character that does not fit one byte: {wrong!r}") from None
    if 0 in data:
        raise DoesNotFitError(f"{value!r} has a NUL in it, where the text would end")
    if len(data) > value_type.length:
        raise DoesNotFitError(f"{value!r} has {len(data)} characters, and {value_type} holds {value_type.length}")
    return data.ljust(2 * value_type.registers, b"\x00")


def _raw(value: Value, form: Form) -> bytes:
    items = form.type.length
    size = (items + 7) // 8 if form.table.is_bits else 2 * items
    if not isinstance(value, bytes) or len(value) != size:
        raise DoesNotFitError(f"raw data of {items} items takes {size} bytes")
    return value
