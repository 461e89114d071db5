"""One row of a register table: its cells as what they mean, and what is wrong with them."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, field
from fractions import Fraction
from typing import TypeVar

from wherry.importing import words
from wherry.importing.headings import Column, Headings
from wherry.importing.notation import Printed, printed_of
from wherry.importing.sheets import EMPTY, Cell, Sheet, letters
from wherry.importing.trouble import Level, Problem
from wherry.importing.words import Factor, UnclearError
from wherry.limits import REGISTER_BITS
from wherry.plan.model import Table
from wherry.values.types import Order, ValueType

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Context:
    """What holds for a row: its sheet, its headings, and what the lines above it say."""

    sheet: Sheet
    headings: Headings
    table: Table | None
    address_heading: str
    titles: tuple[str, ...]


@dataclass(slots=True)
class Row:
    """What one row says; None where it says nothing, or nothing that can be understood (see ``problems``)."""

    context: Context
    at: int
    """By position from 0."""
    printed: Printed | None = None
    second: Printed | None = None
    name: str = ""
    table: Table | None = None
    type: ValueType | None = None
    says_type: bool = False
    order: Order | None = None
    length: int | None = None
    bit: int | None = None
    factor: Factor | None = None
    unit: str = ""
    range: tuple[Fraction, Fraction] | None = None
    range_column: Column = Column.RANGE
    access: str = ""
    remarks: list[str] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)

    @property
    def key(self) -> tuple[str, int]:
        """Sheet and row, as a spreadsheet counts."""
        return self.context.sheet.name, self.at + 1

    @property
    def where(self) -> str:
        """The row for people."""
        sheet = self.context.sheet.name
        return f"{sheet}, row {self.at + 1}" if sheet else f"row {self.at + 1}"

    @property
    def printed_text(self) -> str:
        """The address as it stands in the cell."""
        return self.cell(Column.ADDRESS).text.strip()

    @property
    def is_damaged(self) -> bool:
        return any(each.level is Level.DAMAGED for each in self.problems)

    def cell(self, column: Column) -> Cell:
        """The cell of a column; an empty one if there is no such column."""
        at = self.context.headings.columns.get(column)
        return EMPTY if at is None else self.context.sheet.cell(self.at, at)

    def problem(self, column: Column, what: str, question: str, level: Level = Level.DAMAGED) -> Problem:
        """Something wrong with a cell of this row."""
        headings = self.context.headings
        at = headings.columns.get(column, headings.columns[Column.ADDRESS])
        return Problem(
            self.context.sheet.name, self.at + 1, letters(at), headings.texts.get(at, ""), level, what, question
        )

    def read(self, column: Column, reader: Callable[[str], T], level: Level = Level.DAMAGED) -> T | None:
        """What a cell means; None where it says nothing. What cannot be understood becomes a problem."""
        cell = self.cell(column)
        if words.is_nothing(cell.text):
            return None
        try:
            if cell.is_date:
                raise UnclearError(
                    f"the spreadsheet holds a date here ({cell.text}), made from what was typed", "what is it?"
                )
            return reader(cell.text)
        except UnclearError as unclear:
            self.problems.append(self.problem(column, unclear.what, unclear.question, level))
            return None


def read_row(context: Context, at: int, previous: Row | None) -> Row:
    """One row. ``previous`` is the row before it, whose register it names a bit of if it has no address of its own."""
    row = Row(context, at)
    row.name = " ".join(row.cell(Column.NAME).text.split())
    row.bit = row.read(Column.BIT, _bit)
    _address(row, previous)
    row.table = row.read(Column.TABLE, words.table_of) or context.table
    if row.printed is not None and row.printed.table is not None:
        row.table = row.printed.table
    row.length = row.read(Column.LENGTH, _length)
    row.says_type = not words.is_nothing(row.cell(Column.TYPE).text)
    typed = row.read(Column.TYPE, lambda text: words.type_of(text, row.length))
    if typed is not None:
        row.type, row.order = typed.type, typed.order
        if re.search(r"(?<!\d)8(?!\d)|byte", row.cell(Column.TYPE).text.lower()) and typed.type.bits == REGISTER_BITS:
            row.remarks.append("8 bits in a register: the other byte is taken to be 0")
    row.order = row.read(Column.ORDER, words.order_of) or row.order
    heading = context.headings.texts.get(context.headings.columns.get(Column.SCALE, -1), "")
    row.factor = row.read(Column.SCALE, lambda text: words.factor_of(text, heading))
    row.access = row.read(Column.ACCESS, words.access_of, Level.DOUBTFUL) or ""
    _range(row)
    _unit(row)
    _texts(row)
    return row


def _unit(row: Row) -> None:
    """The unit; a number before it is a factor (``0.1 V``), if no other column says one."""
    row.unit = " ".join(row.cell(Column.UNIT).text.split())
    if words.is_nothing(row.unit):
        row.unit = ""
    match = re.fullmatch(r"[x*\u00d7]?\s*(\d[\d.,]*)\s*([^\d\s].*)", row.unit)
    if match is None:
        return
    question = "what is the unit, and what is the register's number multiplied by?"
    try:
        number = words.number_of(match[1], "factor")
    except UnclearError as unclear:
        row.problems.append(row.problem(Column.UNIT, unclear.what, unclear.question))
        return
    if number == 0 or number >= 1 or row.factor is not None:
        row.problems.append(row.problem(Column.UNIT, f"`{row.unit[:40]}` holds a number and a unit", question))
        return
    row.remarks.append(f"factor {match[1]} from the unit `{row.unit}`")
    row.factor, row.unit = Factor(number), match[2].strip()


def _address(row: Row, previous: Row | None) -> None:
    cell = row.cell(Column.ADDRESS)
    if (cell.is_merged or not cell.text.strip()) and row.bit is not None and previous is not None:
        row.printed, row.second = previous.printed, previous.second
        return
    try:
        row.printed = printed_of(cell)
        if row.printed.bit is not None:
            row.bit = row.printed.bit
    except UnclearError as unclear:
        row.problems.append(row.problem(Column.ADDRESS, unclear.what, unclear.question))
    second = row.context.headings.second_address
    if second is not None and not words.is_nothing((other := row.context.sheet.cell(row.at, second)).text):
        try:
            row.second = printed_of(other)
        except UnclearError as unclear:
            heading = row.context.headings.texts.get(second, "")
            row.problems.append(
                Problem(
                    row.context.sheet.name,
                    row.at + 1,
                    letters(second),
                    heading,
                    Level.DAMAGED,
                    unclear.what,
                    unclear.question,
                )
            )


def _bit(text: str) -> int:
    digits = text.lower().removeprefix("bit").strip(" .:#b")
    if digits.isdecimal() and int(digits) < REGISTER_BITS:
        return int(digits)
    raise UnclearError(f"`{text.strip()[:40]}` is no bit of a register: they are 0 to 15", "which bit is it?")


def _length(text: str) -> int:
    digits = text.strip().split()[0]
    if digits.isdecimal() and 1 <= int(digits) <= 125:
        return int(digits)
    raise UnclearError(f"`{text.strip()[:40]}` is no number of registers", "how many registers does the value take?")


def _range(row: Row) -> None:
    """The range from its own column, or from two."""
    found = row.read(Column.RANGE, words.range_of, Level.DOUBTFUL)
    if found is None:
        low = row.read(Column.LOW, lambda text: words.number_of(text, "least value"), Level.DOUBTFUL)
        high = row.read(Column.HIGH, lambda text: words.number_of(text, "greatest value"), Level.DOUBTFUL)
        if low is not None and high is not None:
            found, row.range_column = (low, high), Column.HIGH
    row.range = found


def _texts(row: Row) -> None:
    """Names and units that are missing or garbled, and cells that no column is for."""
    headings = row.context.headings
    if Column.NAME in headings.columns and not row.name:
        row.problems.append(row.problem(Column.NAME, "the name is missing", "what is this value?"))
    for column, text in ((Column.NAME, row.name), (Column.UNIT, row.unit)):
        if words.is_garbled(text):
            row.problems.append(
                row.problem(column, f"`{text[:40]}` holds signs of a wrong encoding", "what is meant?", Level.DOUBTFUL)
            )
            row.unit = "" if column is Column.UNIT else row.unit
    last = max([*headings.texts, *headings.columns.values()])
    for at, cell in enumerate(row.context.sheet.rows[row.at][last + 1 :], last + 1):
        if cell.text.strip():
            row.problems.append(
                Problem(
                    row.context.sheet.name, row.at + 1, letters(at), "", Level.DAMAGED,
                    f"`{cell.text.strip()[:40]}` stands beyond the last heading: the cells of this row may have moved",
                    "which cell belongs under which heading?",
                )
            )  # fmt: skip
            return
