"""Value types and how many registers each takes.

Widths of the integer and float types: IEC 61131-3 elementary types (INT, UINT, DINT, UDINT, LINT, ULINT, REAL, LREAL).
BCD keeps one decimal digit in four bits: common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Final


class Kind(StrEnum):
    """The families of value types."""

    BOOL = "bool"
    INT = "int"
    UINT = "uint"
    FLOAT = "float"
    BCD = "bcd"
    STRING = "string"
    RAW = "raw"


class Order(StrEnum):
    """Order of bytes on the wire. A is the most significant byte; ``ABCD`` is high word first."""

    ABCD = "ABCD"
    CDAB = "CDAB"
    BADC = "BADC"
    DCBA = "DCBA"


@dataclass(frozen=True, slots=True)
class ValueType:
    """A type of value. ``bits`` is the width of a number; ``length`` the characters of a string or the items of raw."""

    kind: Kind
    bits: int = 0
    length: int = 0

    @property
    def registers(self) -> int:
        """How many registers a value of this type takes (a bool in a register takes one)."""
        if self.kind is Kind.BOOL:
            return 1
        if self.kind is Kind.STRING:
            return (self.length + 1) // 2
        if self.kind is Kind.RAW:
            return self.length
        return self.bits // 16

    @property
    def name(self) -> str:
        """The name as written in a plan."""
        if self.kind is Kind.STRING:
            return f"string({self.length})"
        if self.kind in (Kind.BOOL, Kind.RAW):
            return self.kind.value
        return f"{self.kind.value}{self.bits}"

    @property
    def is_number(self) -> bool:
        return self.kind in (Kind.INT, Kind.UINT, Kind.FLOAT, Kind.BCD)

    def __str__(self) -> str:
        return self.name


BOOL: Final = ValueType(Kind.BOOL, 1)
INT16: Final = ValueType(Kind.INT, 16)
UINT16: Final = ValueType(Kind.UINT, 16)
INT32: Final = ValueType(Kind.INT, 32)
UINT32: Final = ValueType(Kind.UINT, 32)
INT64: Final = ValueType(Kind.INT, 64)
UINT64: Final = ValueType(Kind.UINT, 64)
FLOAT32: Final = ValueType(Kind.FLOAT, 32)
FLOAT64: Final = ValueType(Kind.FLOAT, 64)
BCD16: Final = ValueType(Kind.BCD, 16)
BCD32: Final = ValueType(Kind.BCD, 32)


def string(length: int) -> ValueType:
    """Text of ``length`` characters, two to a register."""
    return ValueType(Kind.STRING, 8 * length, length)


def raw(items: int) -> ValueType:
    """``items`` registers (or bits, in a table of bits), carried as they are."""
    return ValueType(Kind.RAW, 0, items)


NUMBERS: Final[dict[str, ValueType]] = {
    each.name: each for each in (INT16, UINT16, INT32, UINT32, INT64, UINT64, FLOAT32, FLOAT64, BCD16, BCD32)
}
"""The number types by their name in a plan."""
