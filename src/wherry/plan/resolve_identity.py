"""What a controller must say of itself, from the tables of a plan file."""

from __future__ import annotations

from collections.abc import Sequence

from msgspec import UNSET

from wherry.findings import Path
from wherry.plan.model import Identity, IdentityRegister, Table
from wherry.plan.places import parse_point
from wherry.plan.reader import Reader
from wherry.plan.schema import IdentityRegisterTable, IdentityTable
from wherry.plan.wording import shown
from wherry.values.codec import DoesNotFitError, writer
from wherry.values.types import Kind


def resolve_identity(reader: Reader, table: IdentityTable, path: Path) -> Identity | None:
    """The identity; None and a finding when it says nothing."""
    texts = (table.vendor, table.product, table.revision)
    objects = tuple((number, text) for number, text in enumerate(texts) if text is not UNSET)
    tables: Sequence[IdentityRegisterTable | None] = table.registers
    found = [_register(reader, each, (*path, "registers", i)) for i, each in enumerate(tables) if each is not None]
    registers = tuple(each for each in found if each is not None)
    if not objects and not tables:
        reader.add(
            "bad-value",
            "`identity` says nothing",
            path,
            expected="one or more of `vendor`, `product`, `revision` and `registers`",
            found="an empty table",
            fix="write what the controller says of itself, or remove it",
        )
    return Identity(objects, registers, path) if objects or registers else None


def _register(reader: Reader, table: IdentityRegisterTable, path: Path) -> IdentityRegister | None:
    at = reader.read(lambda text: parse_point(text, (*path, "at")), table.at, (*path, "at"))
    if at is None:
        return None
    if at.table not in (Table.HOLDING, Table.INPUT) or at.bit is not None or at.type.kind is Kind.RAW:
        reader.add(
            "bad-value",
            f"`{at.text}` cannot tell one device from another",
            (*path, "at"),
            expected="input or holding registers of a number or text type",
            found=at.text,
            fix="name a place such as `holding 9000` or `holding 9000 string(8)`",
        )
        return None
    try:
        data = writer(at)(table.is_)
    except DoesNotFitError:
        reader.add(
            "bad-value",
            f"`{at}` never holds {shown(table.is_)}",
            (*path, "is"),
            expected=f"a value of type {at.type}",
            found=shown(table.is_),
            fix="write what the registers hold, or give `at` their type",
        )
        return None
    return IdentityRegister(at, data, str(table.is_), path)
