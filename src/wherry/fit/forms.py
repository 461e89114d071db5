"""Ways in which a number can lie in registers, and reading all of them at once at every address.

Types, widths and orders are those of ``wherry.values``; the orders are taken from ``values.order`` itself by sending
byte positions through it, so that a word means here what it means in a plan. One family is added that a plan does not
have: numbers kept to the base 10,000, one word for each four decimal digits (common practice, no source).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from functools import lru_cache
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from wherry.values.codec import type_range
from wherry.values.order import reorder
from wherry.values.types import NUMBERS, Kind, Order

Words = npt.NDArray[np.uint16]
Values = npt.NDArray[Any]
Flags = npt.NDArray[np.bool_]

MODULO_BASE: Final = 10_000
MODULO_WORDS: Final = (2, 3, 4)


class Family(StrEnum):
    """How a form keeps a number."""

    INT = "int"
    UINT = "uint"
    FLOAT = "float"
    BCD = "bcd"
    MODULO = "modulo10000"


@dataclass(frozen=True, slots=True)
class Form:
    """One way to keep a number. ``name`` is the type's name in a plan, or ``modulo10000(n)``, which a plan has not."""

    name: str
    family: Family
    registers: int
    order: Order

    @property
    def bits(self) -> int:
        return 16 * self.registers

    @property
    def is_whole(self) -> bool:
        return self.family is not Family.FLOAT

    @property
    def is_in_plan(self) -> bool:
        """Whether a plan can name this form."""
        return self.family is not Family.MODULO

    @property
    def limits(self) -> tuple[int, int] | tuple[float, float]:
        """The least and the greatest number it holds."""
        return _limits(self)

    @property
    def orders_alike(self) -> tuple[Order, ...]:
        """All orders that mean the same for this form: with one word, the order of words says nothing."""
        return _orders_alike(self.registers, self.order)

    @property
    def positions(self) -> tuple[int, ...]:
        """For each byte, most significant first, where it travels: byte number from the first register's high byte."""
        return _positions(self.registers, self.order)

    def __str__(self) -> str:
        return f"{self.name} {self.order}"


@lru_cache(maxsize=64)
def _positions(registers: int, order: Order) -> tuple[int, ...]:
    # An order is its own inverse: what it makes of the byte numbers is where each byte comes from.
    return tuple(reorder(bytes(range(2 * registers)), order))


@lru_cache(maxsize=64)
def _orders_alike(registers: int, order: Order) -> tuple[Order, ...]:
    return tuple(each for each in Order if _positions(registers, each) == _positions(registers, order))


@lru_cache(maxsize=64)
def _limits(form: Form) -> tuple[int, int] | tuple[float, float]:
    if form.family is Family.MODULO:
        return 0, MODULO_BASE**form.registers - 1
    return type_range(NUMBERS[form.name])


_FAMILY: Final = {Kind.INT: Family.INT, Kind.UINT: Family.UINT, Kind.FLOAT: Family.FLOAT, Kind.BCD: Family.BCD}


def _all_forms() -> Iterable[Form]:
    kinds = [(name, _FAMILY[each.kind], each.registers) for name, each in NUMBERS.items()]
    kinds += [(f"{Family.MODULO}({words})", Family.MODULO, words) for words in MODULO_WORDS]
    for name, family, registers in kinds:
        seen: set[tuple[int, ...]] = set()
        for order in Order:
            if (positions := _positions(registers, order)) not in seen:
                seen.add(positions)
                yield Form(name, family, registers, order)


FORMS: Final[tuple[Form, ...]] = tuple(_all_forms())
"""Every form once: orders that mean the same for a type stand under the first of them."""

TYPE_NAMES: Final[tuple[str, ...]] = tuple(dict.fromkeys(form.name for form in FORMS))

USUAL_TYPES: Final[tuple[str, ...]] = tuple(dict.fromkeys(form.name for form in FORMS if form.is_in_plan))
"""What is searched unless the user says otherwise: what a plan can name. Numbers to the base 10,000 are rare, and on
many scales look like others."""


def windows(words: npt.NDArray[Any], registers: int) -> npt.NDArray[Any]:
    """Every run of ``registers`` words in ``words`` (one axis): shape (addresses, registers)."""
    return np.lib.stride_tricks.sliding_window_view(words, registers)


def decode(form: Form, words: Words) -> tuple[Values, Flags]:
    """The numbers in runs of words, shape (runs, registers), and which of them are numbers of this form at all.

    Whole numbers come exact, as int64 or uint64; float32 as float32. What is no number (a BCD digit above nine,
    infinity, not-a-number) is flagged False and its value says nothing.
    """
    if form.family is Family.MODULO:
        return _modulo(form, words)
    data = np.ascontiguousarray(words.astype(">u2")).view(np.uint8).reshape(len(words), 2 * form.registers)
    data = np.ascontiguousarray(data[:, form.positions])
    if form.family is Family.BCD:
        return _bcd(data)
    code = {Family.INT: "i", Family.UINT: "u", Family.FLOAT: "f"}[form.family]
    values = data.view(f">{code}{2 * form.registers}").reshape(len(words))
    if form.family is Family.FLOAT:
        native = values.astype(f"f{2 * form.registers}")
        finite = np.isfinite(native)
        return np.where(finite, native, np.zeros_like(native)), finite
    wide = np.uint64 if form.family is Family.UINT and form.bits == 64 else np.int64
    return values.astype(wide), np.ones(len(words), dtype=np.bool_)


def _bcd(data: npt.NDArray[np.uint8]) -> tuple[Values, Flags]:
    high, low = data >> 4, data & 15
    valid: Flags = np.logical_and.reduce(np.logical_and(high <= 9, low <= 9), axis=1)
    values = np.zeros(len(data), dtype=np.int64)
    for column in range(data.shape[1]):
        values = values * 100 + high[:, column].astype(np.int64) * 10 + low[:, column]
    return values, valid


def _modulo(form: Form, words: Words) -> tuple[Values, Flags]:
    # Each word is a number of its own: bytes are put in order inside the words, then the words by significance.
    data = np.ascontiguousarray(words.astype(">u2")).view(np.uint8).reshape(len(words), 2 * form.registers)
    ordered = np.ascontiguousarray(data[:, form.positions]).view(">u2").astype(np.int64)
    values = np.zeros(len(words), dtype=np.int64)
    for column in range(form.registers):
        values = values * MODULO_BASE + ordered[:, column]
    valid: Flags = np.logical_and.reduce(ordered < MODULO_BASE, axis=1)
    return values, valid


def encode(form: Form, number: int | float) -> tuple[int, ...]:
    """The words that hold a number of this form, in their order. ValueError if it does not fit."""
    low, high = form.limits
    if not low <= number <= high:
        raise ValueError(f"{number} does not fit {form.name}")
    if form.family is Family.MODULO:
        digits = [int(number) // MODULO_BASE**power % MODULO_BASE for power in range(form.registers - 1, -1, -1)]
        plain = b"".join(each.to_bytes(2, "big") for each in digits)
    elif form.family is Family.BCD:
        plain = bytes.fromhex(f"{int(number):0{form.bits // 4}d}")
    elif form.family is Family.FLOAT:
        plain = np.array(number, dtype=f">f{form.bits // 8}").tobytes()
    else:
        plain = int(number).to_bytes(form.bits // 8, "big", signed=form.family is Family.INT)
    travels = reorder(plain, form.order)
    return tuple(int.from_bytes(travels[at : at + 2], "big") for at in range(0, len(travels), 2))


def number_at(form: Form, words: Iterable[int]) -> int | float | None:
    """The number in one run of words; None if they are none of this form. The same reading as ``decode``."""
    values, valid = decode(form, np.array([list(words)], dtype=np.uint16))
    return values[0].item() if valid[0] else None
