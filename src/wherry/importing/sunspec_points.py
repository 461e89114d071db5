"""The readings of a SunSpec device as points of a plan, and what proves that it still is the same device."""

from __future__ import annotations

import json
from collections.abc import Sequence
from fractions import Fraction
from typing import Final

from wherry.importing.points import ImportedPoint, place_text
from wherry.importing.sunspec_facts import POINT_TYPES, UNIT_NAMES, Nature
from wherry.importing.sunspec_read import Device
from wherry.importing.sunspec_values import Reading
from wherry.plan.model import Table
from wherry.values.codec import TEXT_ENCODING
from wherry.values.types import Kind, string

CARRIED: Final = (Nature.NUMBER, Nature.COUNTER, Nature.STATE, Nature.FLAGS, Nature.TEXT)
HEADER_POINTS: Final = ("ID", "L")


def points_of(device: Device) -> list[ImportedPoint]:
    """A point for each value that the device has. Left out are scale factors, padding and headers, what is not
    implemented, and numbers whose scale factor is not known. Numbers are divided and multiplied by the scale factor
    that the device told now; ``remarks`` say so."""
    return [_point(each) for each in device.readings if _is_carried(each)]


def _is_carried(reading: Reading) -> bool:
    field = reading.field
    if not reading.is_implemented or reading.nature not in CARRIED or field.name in HEADER_POINTS:
        return False
    if field.value_type.kind is Kind.RAW and reading.nature is not Nature.TEXT:
        return False
    return field.exponent is None or reading.exponent is not None


def _point(reading: Reading) -> ImportedPoint:
    field = reading.field
    known = POINT_TYPES[field.type_name]
    remarks = [f"{field.type_name}; {field.label}" if field.label else field.type_name]
    if reading.exponent is not None:
        told = f" in register {reading.exponent_at}" if reading.exponent_at is not None else " by its definition"
        remarks.append(f"scale factor {reading.exponent}{told}")
    if reading.doubt:
        remarks.append(reading.doubt)
    is_number = known.nature in (Nature.NUMBER, Nature.STATE, Nature.FLAGS)
    return ImportedPoint(
        f"{field.model} {field.name.replace('_', ' ')}",
        Table.HOLDING,
        field.address,
        field.value_type,
        factor=Fraction(10) ** (reading.exponent or 0),
        unit=UNIT_NAMES.get(field.unit, field.unit),
        not_available=(known.missing,) if is_number and known.missing is not None else (),
        printed=field.name,
        where=f"model {field.model}",
        remarks=tuple(remarks),
        is_writable=field.is_writable,
    )


def identity_line(device: Device, points: Sequence[ImportedPoint]) -> str:
    """The ``identity`` of the controller in a plan: what the common model says, and each scale factor that the points
    rest on. With it nothing is carried from another device, or from one that scales otherwise."""
    taken = {(each.address, each.printed) for each in points}
    exponents = {
        each.exponent_at: each.exponent
        for each in device.readings
        if each.exponent_at is not None and (each.field.address, each.field.name) in taken
    }
    entries: list[tuple[str, object]] = [entry for each in device.identity if (entry := _text_entry(each)) is not None]
    entries += [(f"{place_text(Table.HOLDING, at)} int16", exponent) for at, exponent in sorted(exponents.items())]
    if not entries:
        return ""
    registers = ", ".join(f"{{ at = {json.dumps(at)}, is = {json.dumps(told)} }}" for at, told in entries)
    return f"identity = {{ registers = [{registers}] }}"


def _text_entry(reading: Reading) -> tuple[str, object] | None:
    """Where a text of the common model is, and what it is. Identity is compared register by register, and texts are
    written with NUL behind them: of one that is padded otherwise only its own whole registers are named."""
    text, place = str(reading.raw), place_text(Table.HOLDING, reading.field.address)
    if text.encode(TEXT_ENCODING).ljust(len(reading.data), b"\0") == reading.data:
        return f"{place} {reading.field.value_type}", text
    length = len(text) // 2 * 2
    if text.encode(TEXT_ENCODING)[:length] != reading.data[:length] or not text[:length].strip():
        return None
    return f"{place} {string(length)}", text[:length]
