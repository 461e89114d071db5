"""What the registers of a SunSpec device say: numbers with their power of ten, states by name, what is missing."""

from __future__ import annotations

import ipaddress
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Final

from wherry.importing.sunspec_facts import EXPONENT_MAX, EXPONENT_MIN, POINT_TYPES, Nature, PointType
from wherry.importing.sunspec_models import Field, FieldPath
from wherry.plan.model import Point, Table
from wherry.plan.wording import printable
from wherry.values.codec import decode
from wherry.values.types import Order

Shown = Decimal | float | int | str | None
"""A value in its unit, exact where the registers are; a state by its name; None where the device has none."""

OTHER_SIGN: Final = {0x8000: "int16", 0x8000_0000: "int32", 0x8000_0000_0000_0000: "int64"}
"""Contents that mean "not implemented" in the signed types."""


@dataclass(frozen=True, slots=True)
class Reading:
    """One field with what it holds."""

    field: Field
    data: bytes
    """Its registers as they travel."""
    raw: int | float | str | bytes
    """What they hold as their type, before any scaling."""
    is_implemented: bool
    exponent: int | None = None
    """The power of ten; None where there is none, or where the device does not tell it."""
    exponent_at: int | None = None
    """The address of the register that tells it."""
    value: Shown = None
    doubt: str = ""
    """What looks wrong, as a sentence; empty if nothing does."""

    @property
    def nature(self) -> Nature:
        """What its type is for; a type that is not known counts as padding."""
        return POINT_TYPES.get(self.field.type_name, PointType(Nature.PADDING, None)).nature

    @property
    def is_missed(self) -> bool:
        """Whether the definition calls it mandatory, and the device has none."""
        return self.field.is_mandatory and not self.is_implemented and self.nature is not Nature.PADDING


def read_fields(fields: Sequence[Field], registers: Mapping[int, int]) -> list[Reading]:
    """What each field holds. ``registers`` has the content of each address; fields with any of theirs absent are left
    out."""
    contents: dict[FieldPath, bytes] = {}
    for each in fields:
        addresses = range(each.address, each.address + each.registers)
        if all(address in registers for address in addresses):
            contents[each.path] = b"".join(registers[address].to_bytes(2, "big") for address in addresses)
    by_path = {each.path: each for each in fields}
    return [_reading(each, contents[each.path], by_path, contents) for each in fields if each.path in contents]


def _reading(
    field: Field, data: bytes, by_path: Mapping[FieldPath, Field], contents: Mapping[FieldPath, bytes]
) -> Reading:
    point = Point(Table.HOLDING, field.address, field.value_type, Order.ABCD)
    value = decode(point, data)
    raw = data if isinstance(value, bytes | bool) else value
    is_implemented = _is_implemented(field, data, raw)
    exponent, exponent_at, doubt = _exponent(field, by_path, contents)
    if not is_implemented:
        return Reading(field, data, raw, is_implemented=False, exponent=exponent, exponent_at=exponent_at)
    shown = _shown(field, raw, data, exponent)
    return Reading(field, data, raw, True, exponent, exponent_at, shown, doubt or _doubt(field, raw, data))


def _is_implemented(field: Field, data: bytes, raw: int | float | str | bytes) -> bool:
    known = POINT_TYPES.get(field.type_name)
    if isinstance(raw, float):
        return not math.isnan(raw)
    if field.type_name == "string":
        return raw != ""
    if known is None or known.nature is Nature.PADDING:
        return False
    if field.type_name == "eui48":
        # Six bytes in four registers: the first one is empty.
        return data[-6:] != b"\xff" * 6 and any(data)
    return known.missing is None or int.from_bytes(data, "big") != known.missing


def _exponent(
    field: Field, by_path: Mapping[FieldPath, Field], contents: Mapping[FieldPath, bytes]
) -> tuple[int | None, int | None, str]:
    """The power of ten of a field: itself, the address that told it, and a doubt. It is looked for in the field's own
    group, then in those around it."""
    if field.exponent is None:
        return None, None, ""
    if isinstance(field.exponent, int):
        return field.exponent, None, ""
    for depth in range(len(field.path) - 1, -1, -1):
        path = (*field.path[:depth], field.exponent)
        if path in contents:
            exponent = int.from_bytes(contents[path], "big", signed=True)
            if EXPONENT_MIN <= exponent <= EXPONENT_MAX:
                return exponent, by_path[path].address, ""
            what = "is not implemented" if exponent == -0x8000 else f"is {exponent}"
            return None, None, f"the scale factor {field.exponent} of {field.name} {what}: its value is not known"
    return None, None, f"the device does not tell the scale factor {field.exponent} of {field.name}"


def _shown(field: Field, raw: int | float | str | bytes, data: bytes, exponent: int | None) -> Shown:
    known = POINT_TYPES[field.type_name]
    if known.nature is Nature.STATE or (known.nature is Nature.FLAGS and _is_state(field)):
        assert isinstance(raw, int), raw
        return field.symbols.get(raw, str(raw))
    if known.nature is Nature.FLAGS:
        assert isinstance(raw, int), raw
        return ", ".join(field.symbols.get(bit, f"bit {bit}") for bit in range(raw.bit_length()) if raw >> bit & 1)
    if field.type_name == "ipaddr":
        return str(ipaddress.IPv4Address(data))
    if field.type_name == "ipv6addr":
        return str(ipaddress.IPv6Address(data)) if len(data) == 16 else data.hex()
    if field.type_name == "eui48":
        return ":".join(f"{each:02X}" for each in data[-6:])
    if isinstance(raw, str):
        return printable(raw)
    if isinstance(raw, bytes):
        return raw.hex()
    if field.exponent is None:
        return raw
    if exponent is None:
        return None
    return Decimal(raw).scaleb(exponent)


def _is_state(field: Field) -> bool:
    """Whether what is called flags is described as two states: ``disconnected=0 connected=1`` (model 122, ECPConn)."""
    return set(field.symbols) == {0, 1} and bool(re.search(r"=\s*0\b.*=\s*1\b", field.description))


def _doubt(field: Field, raw: int | float | str | bytes, data: bytes) -> str:
    known = POINT_TYPES[field.type_name]
    content = int.from_bytes(data, "big")
    if content in OTHER_SIGN and known.missing != content and len(data) == 2 * int(OTHER_SIGN[content][3:]) // 16:
        return (
            f"{field.name} holds {content:X}h, which means {content} in its type {field.type_name}, and is what "
            f"{OTHER_SIGN[content]} has for not implemented: does the device mean a value?"
        )
    if known.nature is Nature.FLAGS and _is_state(field):
        return f"{field.name} is called flags by its definition, and described as states; it is read as a state"
    if known.nature is Nature.STATE and field.symbols and raw not in field.symbols:
        return f"{field.name} is {content}, and its definition has no such state"
    return ""
