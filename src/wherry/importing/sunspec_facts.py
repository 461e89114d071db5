"""What has to be known of SunSpec before any model definition is read: marker, headers, types, contents for "nothing".

Source: SunSpec Device Information Model Specification, parts on the Modbus map and on point types (6.4), written down
from memory because its text was not at hand; each fact that a device shows was compared with three recorded devices
and their published values (nielsbasjes/modbus-schema at 68d672d, Apache-2.0). Model definitions are read from a folder
of the user's: the JSON files of sunspec/models.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from wherry.values.types import (
    FLOAT32,
    FLOAT64,
    INT16,
    INT32,
    INT64,
    UINT16,
    UINT32,
    UINT64,
    ValueType,
    raw,
    string,
)

MARKER: Final = b"SunS"
"""The first two registers of a map: 5375 6E53 (hex)."""

BASES: Final = (40000, 50000, 0)
"""Where a map may begin, as PDU addresses in the holding registers."""

SHIFTED_BASES: Final = (39999, 40001, 49999, 50001, 1)
"""Where it is found when a device counts from the wrong number: looked at when it is at none of the right places."""

HEADER_REGISTERS: Final = 2
"""Before each model: its number, and its length in registers without these two."""

END_MODEL: Final = 0xFFFF
COMMON_MODEL: Final = 1
EXPONENT_MIN: Final = -10
EXPONENT_MAX: Final = 10
MODELS_MAX: Final = 500
"""A bound of ours: no device has as many."""

IDENTITY_POINTS: Final = ("Mn", "Md", "Vr", "SN")
"""Points of the common model that tell one device from another: maker, model, version, serial number."""


class Nature(StrEnum):
    """What a SunSpec type is for."""

    NUMBER = "number"
    COUNTER = "counter"
    STATE = "state"
    FLAGS = "flags"
    TEXT = "text"
    EXPONENT = "exponent"
    ADDRESS = "address"
    PADDING = "padding"


@dataclass(frozen=True, slots=True)
class PointType:
    """One type: its nature, how its registers are read, and the content that means "not implemented".

    ``missing`` is a whole number over all registers; None: there is none, or (floats, texts) it is not one number.
    """

    nature: Nature
    value_type: ValueType | None
    missing: int | None = None


POINT_TYPES: Final[dict[str, PointType]] = {
    "int16": PointType(Nature.NUMBER, INT16, 0x8000),
    "int32": PointType(Nature.NUMBER, INT32, 0x8000_0000),
    "int64": PointType(Nature.NUMBER, INT64, 0x8000_0000_0000_0000),
    "uint16": PointType(Nature.NUMBER, UINT16, 0xFFFF),
    "uint32": PointType(Nature.NUMBER, UINT32, 0xFFFF_FFFF),
    "uint64": PointType(Nature.NUMBER, UINT64, 0xFFFF_FFFF_FFFF_FFFF),
    "count": PointType(Nature.NUMBER, UINT16, 0xFFFF),
    "raw16": PointType(Nature.NUMBER, UINT16),
    "acc16": PointType(Nature.COUNTER, UINT16, 0),
    "acc32": PointType(Nature.COUNTER, UINT32, 0),
    "acc64": PointType(Nature.COUNTER, UINT64, 0),
    "float32": PointType(Nature.NUMBER, FLOAT32),
    "float64": PointType(Nature.NUMBER, FLOAT64),
    "enum16": PointType(Nature.STATE, UINT16, 0xFFFF),
    "enum32": PointType(Nature.STATE, UINT32, 0xFFFF_FFFF),
    "bitfield16": PointType(Nature.FLAGS, UINT16, 0xFFFF),
    "bitfield32": PointType(Nature.FLAGS, UINT32, 0xFFFF_FFFF),
    "bitfield64": PointType(Nature.FLAGS, UINT64, 0xFFFF_FFFF_FFFF_FFFF),
    "sunssf": PointType(Nature.EXPONENT, INT16, 0x8000),
    "string": PointType(Nature.TEXT, None),
    "ipaddr": PointType(Nature.ADDRESS, UINT32, 0),
    "ipv6addr": PointType(Nature.ADDRESS, None, 0),
    "eui48": PointType(Nature.ADDRESS, UINT64, 0xFFFF_FFFF_FFFF),
    "pad": PointType(Nature.PADDING, UINT16),
}
"""Numbers of more than one register have the high word first (ABCD), as everywhere in SunSpec."""


def value_type_of(type_name: str, registers: int) -> ValueType:
    """How a field of this type and size is read in a plan."""
    known = POINT_TYPES.get(type_name)
    if known is not None and known.value_type is not None and known.value_type.registers == registers:
        return known.value_type
    return string(2 * registers) if type_name == "string" else raw(registers)


UNIT_NAMES: Final = {
    "C": "degC",
    "Pct": "percent",
    "Secs": "s",
    "Tmms": "ms",
    "Mins": "min",
    "VAr": "var",
    "Var": "var",
}
"""Units of the models by the names that a plan knows."""
