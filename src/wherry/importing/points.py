"""What an import makes: points with the place they were printed at, as lines of a plan and as a list beside one."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Final

from wherry.errors import LocalError
from wherry.limits import ITEMS_PER_TABLE, REGISTER_BITS
from wherry.plan.model import REFERENCE_DIGIT, Table, reference_number
from wherry.plan.places import parse_span
from wherry.plan.wording import printable
from wherry.values.types import Kind, Order, ValueType

FourNumbers = tuple[int | float, int | float, int | float, int | float]

SPAN: Final = 10_000
"""The end of a scale in the source's own numbers: any register of sixteen bits holds it."""

COLUMNS: Final = ("name", "take", "put", "take_scale", "scale", "unit", "range", "not_available")
"""Of the list that is saved: keys of a value in a plan."""


@dataclass(frozen=True, slots=True)
class ImportedPoint:
    """One value of the other side's papers. ``factor`` turns its number into the value in ``unit``.

    ``printed`` is the address as the source has it, ``where`` the place in the source, ``remarks`` what is assumed.
    """

    name: str
    table: Table
    address: int
    type: ValueType
    order: Order = Order.ABCD
    bit: int | None = None
    factor: Fraction = Fraction(1)
    unit: str = ""
    range: tuple[Fraction, Fraction] | None = None
    not_available: tuple[int, ...] = ()
    printed: str = ""
    where: str = ""
    remarks: tuple[str, ...] = ()
    is_writable: bool = False
    source: tuple[str, int] = ("", 0)
    """Sheet and row."""

    @property
    def take(self) -> str:
        """The place as a plan writes it, counted from zero."""
        return f"{place_text(self.table, self.address)}{_ending(self.type, self.order, self.bit, self.address)}"

    @property
    def reference(self) -> str:
        """The reference number of the first item."""
        return reference_number(self.table, self.address)

    @property
    def take_scale(self) -> FourNumbers | None:
        """From the source's number to the value, in numbers without rounding; None for a factor of one. The span is
        one that registers have, since a plan's scale also tells how far a value goes."""
        if self.factor == 1:
            return None
        divides = SPAN % self.factor.denominator == 0
        span = SPAN if divides else SPAN * self.factor.denominator
        return 0, span, 0, int(span * self.factor)


def _ending(value_type: ValueType, order: Order, bit: int | None, address: int) -> str:
    if bit is not None:
        return f".{bit}"
    if value_type.kind is Kind.BOOL:
        return ""
    if value_type.kind is Kind.RAW:
        return f"..{address + value_type.length - 1}" if value_type.length > 1 else " raw"
    return f" {value_type}" + (f" {order}" if order is not Order.ABCD else "")


def with_names_of_their_own(points: Sequence[ImportedPoint]) -> list[ImportedPoint]:
    """The same points; a name that is there already gets a number behind it."""
    seen: set[str] = set()
    result: list[ImportedPoint] = []
    for each in points:
        base = printable(" ".join(each.name.split())) or each.printed
        # A line of a list that begins with this sign is a comment.
        base = f"No. {base[1:].lstrip()}" if base.startswith("#") else base
        name, count = base, 1
        while name in seen:
            count += 1
            name = f"{base} ({count})"
        seen.add(name)
        result.append(replace(each, name=name))
    return result


def lay_puts(points: Sequence[ImportedPoint], start: str) -> list[str]:
    """A place in the receiver for each, one after the other from a holding register: numbers in their own type, bits
    sixteen to a register. LocalError (PlanError for a start that cannot be read) when they do not fit."""
    span = parse_span(start)
    if span.table is not Table.HOLDING:
        raise LocalError(f"imported values are put into holding registers, and `{start}` is not one")
    at, bit, places = span.start, 0, list[str]()
    for each in points:
        if each.type.kind is Kind.BOOL:
            if bit == REGISTER_BITS:
                at, bit = at + 1, 0
            places.append(f"{place_text(Table.HOLDING, at)}.{bit}")
            bit += 1
            continue
        if bit:
            at, bit = at + 1, 0
        places.append(place_text(Table.HOLDING, at) + _ending(each.type, Order.ABCD, None, at))
        at += each.type.registers
    if at + bool(bit) > ITEMS_PER_TABLE:
        raise LocalError(f"the values do not fit behind `{start}`: the last register is {ITEMS_PER_TABLE - 1}")
    return places


def place_text(table: Table, address: int) -> str:
    """Table and address as a plan takes them: a number that could be a reference number is called an address."""
    is_doubtful = (
        address > 9999 and str(address)[0] == str(REFERENCE_DIGIT[table]) and str(address)[1:].strip("0") != ""
    )
    return f"{table} {'address ' if is_doubtful else ''}{address}"


def _fields(point: ImportedPoint, put: str) -> dict[str, object]:
    """The keys of a value in a plan; what is not said is left out."""
    scale = point.take_scale
    # The receiver gets the number that the source has, unless somebody plans otherwise: nothing is rounded away.
    back = None if scale is None or not put else (scale[2], scale[3], scale[0], scale[1])
    found: dict[str, object] = {
        "name": point.name,
        "take": point.take,
        "put": put,
        "take_scale": scale,
        "scale": back,
        "unit": point.unit,
        "range": None if point.range is None else tuple(map(_number, point.range)),
        "not_available": tuple(f"0x{each:X}" for each in point.not_available) or None,
    }
    return {key: value for key, value in found.items() if value not in (None, "") or key == "put"}


def _number(number: Fraction) -> int | float:
    return int(number) if number.denominator == 1 else float(number)


def plan_lines(points: Sequence[ImportedPoint], puts: Sequence[str]) -> list[str]:
    """Each point as a line of ``values`` in a plan."""
    return [f"{{ {', '.join(_pairs(_fields(each, put)))} }}," for each, put in zip(points, puts, strict=True)]


def _pairs(fields: dict[str, object]) -> list[str]:
    return [f"{key} = {json.dumps(value, ensure_ascii=False)}" for key, value in fields.items()]


def value_list(points: Sequence[ImportedPoint], puts: Sequence[str], head: Sequence[str]) -> str:
    """The points as a CSV list for a plan. ``head`` and what is known of each point go in as comments."""
    text = io.StringIO(newline="")
    for line in head:
        text.write(f"# {printable(line)}\n")
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(COLUMNS)
    for each, put in zip(points, puts, strict=True):
        about = "; ".join(
            [f"{each.where}: {each.printed}", f"{each.table} {each.address} is {each.reference}", *each.remarks]
        )
        text.write(f"# {printable(about)}\n")
        fields = _fields(each, put)
        writer.writerow([_cell(fields.get(key, "")) for key in COLUMNS])
    return text.getvalue()


def _cell(value: object) -> str:
    return " ".join(map(str, value)) if isinstance(value, tuple) else str(value)
