"""A test pattern: a few constants that a programmer puts into registers, and that tell in one read how numbers lie.

Each constant has bytes that all differ from one another and from those of the others, the signed ones are below zero
and the unsigned ones above the middle of their range: so one look tells address, width, order and sign.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from wherry.fit.forms import FORMS, Form, encode
from wherry.fit.others import KnownText, find_text
from wherry.fit.readings import Round
from wherry.plan.model import Table
from wherry.values.types import Order


@dataclass(frozen=True, slots=True)
class Constant:
    """One constant. ``iec`` is its type in IEC 61131-3, ``type`` the type in a plan."""

    name: str
    iec: str
    type: str
    value: int | float


CONSTANTS: Final = (
    Constant("pattern_int", "INT", "int16", -13035),
    Constant("pattern_uint", "UINT", "uint16", 51966),
    Constant("pattern_dint", "DINT", "int32", -1698898192),
    Constant("pattern_udint", "UDINT", "uint32", 3735928559),
    Constant("pattern_real", "REAL", "float32", 1234.5677490234375),
    Constant("pattern_lint", "LINT", "int64", -8171307487034929917),
    Constant("pattern_lreal", "LREAL", "float64", 123456.78901234567),
)
"""The tests keep it so that no two orders of any of them hold the same words, here or in another one."""
TEXT: Final = "WHERRY42"
TEXT_NAME: Final = "pattern_text"


@dataclass(frozen=True, slots=True)
class Seen:
    """Where one constant was found, and how it is kept there."""

    constant: Constant
    table: Table
    address: int
    orders: tuple[Order, ...]
    """All orders that mean the same for it."""
    form: Form


def program_text() -> str:
    """The constants as declarations in structured text (IEC 61131-3), for the source's programmer."""
    width = max(len(each.name) for each in CONSTANTS)
    lines = ["VAR_GLOBAL"]
    lines += [f"    {each.name:<{width}} : {each.iec} := {literal(each)};" for each in CONSTANTS]
    lines += [f"    {TEXT_NAME:<{width}} : STRING[{len(TEXT)}] := '{TEXT}';", "END_VAR"]
    return "\n".join(lines)


def literal(constant: Constant) -> str:
    """The value as it is written in a program: with enough digits that the same bits come of it."""
    if constant.type == "float32":
        return "1234.5677"
    return repr(constant.value)


def find_pattern(rounds: Sequence[Round]) -> list[Seen]:
    """Every place where a constant lies in every reading, in any order."""
    found: list[Seen] = []
    for constant in CONSTANTS:
        for form in FORMS:
            if form.name != constant.type:
                continue
            words = encode(form, constant.value)
            for table in (Table.INPUT, Table.HOLDING):
                held = [each.tables.get(table, {}) for each in rounds]
                for address, word in held[0].items() if held else ():
                    if word == words[0] and all(
                        each.get(address + offset) == expected for each in held for offset, expected in enumerate(words)
                    ):
                        found.append(Seen(constant, table, address, form.orders_alike, form))
    return sorted(found, key=lambda each: (each.table, each.address))


def find_pattern_text(rounds: Sequence[Round]) -> list[tuple[Table, int, Order]]:
    """Where the text of the pattern lies."""
    points = find_text(rounds, KnownText(TEXT_NAME, TEXT)).points
    return [(point.table, point.address, point.order) for point in points]


def conclusions(found: Sequence[Seen]) -> list[str]:
    """What the pattern tells of the device, in sentences."""
    said: list[str] = []
    for bits in (32, 64):
        orders = sorted({each.orders for each in found if each.form.bits == bits})
        if len(orders) == 1:
            said.append(f"numbers of {bits} bits are kept in the order {orders[0][0]}")
        elif orders:
            kept = "; ".join(f"{each.constant.iec} in {each.orders[0]}" for each in found if each.form.bits == bits)
            said.append(f"the order of numbers of {bits} bits differs: {kept}")
    swapped = {Order.BADC in each.orders for each in found if each.form.bits == 16}
    if len(swapped) == 1:
        said.append("the bytes of single words are " + ("swapped (BADC)" if swapped.pop() else "as usual (ABCD)"))
    return said


def missing(found: Sequence[Seen]) -> list[Constant]:
    """The constants that are nowhere."""
    return [each for each in CONSTANTS if all(seen.constant is not each for seen in found)]
