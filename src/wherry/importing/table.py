"""A register table (CSV or XLSX) as points of a plan, and the questions to its maker.

First the columns are guessed, then the notation of the addresses from all rows together, then each row is read. A row
that cannot be read with certainty is left out, and told with its sheet, row, column and the question to mend it.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from pathlib import Path
from typing import Final

from wherry.errors import PlanError
from wherry.importing import words
from wherry.importing.headings import (
    DECIMAL,
    HEXADECIMAL,
    ONE_BASED,
    ROWS_LOOKED_AT,
    WIRE,
    ZERO_BASED,
    Column,
    Headings,
    find_headings,
    plain,
)
from wherry.importing.notation import Decision, Notation, Numbered, Place, Told, decide, place_of
from wherry.importing.points import ImportedPoint
from wherry.importing.row import Context, Row, read_row
from wherry.importing.sheets import Sheet, column_of, read_sheets
from wherry.importing.trouble import Ask, Level, Problem
from wherry.plan.model import Table
from wherry.values.types import Kind, Order, ValueType

RESERVED: Final = re.compile(
    r"(reserved?|spare|not used|unused|n/?u|reserviert|frei|leer|dummy|padding)\b.*", re.IGNORECASE
)


@dataclass(frozen=True, slots=True)
class Options:
    """What the user says; whatever is not said is guessed, or asked for."""

    sheet: str | None = None
    heading_row: int | None = None
    """As a spreadsheet counts, from one."""
    columns: Mapping[Column, str] = field(default_factory=dict)
    """Column letters or the heading itself."""
    notation: Notation | None = None
    is_hex: bool | None = None
    table: Table | None = None
    type: ValueType | None = None
    order: Order | None = None
    scale: str | None = None
    """``multiply`` or ``divide``: what a bare factor above one does."""


@dataclass(slots=True)
class TableImport:
    """What a register table holds. Nothing of it is to be used while there is an ``Ask``."""

    file: str
    sheets: list[tuple[str, Headings]] = field(default_factory=list)
    decision: Decision = field(default_factory=Decision)
    points: list[ImportedPoint] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)
    asks: list[Ask] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)
    rows: int = 0
    """Rows that describe a register."""
    reserved: int = 0
    """Rows that only say that nothing is there."""

    @property
    def damaged_rows(self) -> int:
        """Rows that were left out."""
        return len({(each.sheet, each.row) for each in self.problems if each.level is Level.DAMAGED})


def import_table(path: Path, options: Options) -> TableImport:
    """Read a register table. PlanError if the file cannot be read or has no column of addresses."""
    result = TableImport(str(path))
    rows: list[Row] = []
    for sheet in _chosen(read_sheets(path), options):
        result.remarks += [f"{sheet.name}: {each}" if sheet.name else each for each in sheet.remarks]
        blocks = find_headings(
            sheet, None if options.heading_row is None else options.heading_row - 1, _given(sheet, options)
        )
        blocks = [each for each in blocks if Column.ADDRESS in each.columns]
        if not blocks:
            result.remarks.append(f"{_called(sheet)} has no row of headings with an address: it is left out")
            continue
        context: Context | None = None
        for block in blocks:
            result.sheets.append((sheet.name, block))
            context = _context(sheet, block, context)
            found, context = _rows(context, result)
            rows += found
    if not result.sheets:
        raise PlanError(
            f"{path}: no column of addresses was found; name the row of headings with --heading-row, or the columns "
            "with --column address=A --column name=B"
        )
    _decide(result, rows, options)
    _ask_for_the_rest(result, rows, options)
    if result.decision.notation is not None:
        for row in rows:
            _point(result, row, options)
        _compare(result, {each.key: each for each in rows})
    result.problems.sort(key=lambda each: (each.sheet, each.row, each.column))
    return result


def _called(sheet: Sheet) -> str:
    return f"the sheet `{sheet.name}`" if sheet.name else "the table"


def _chosen(sheets: Sequence[Sheet], options: Options) -> list[Sheet]:
    if options.sheet is None:
        return list(sheets)
    chosen = [each for each in sheets if each.name.lower() == options.sheet.lower()]
    if not chosen:
        raise PlanError(
            f"there is no sheet `{options.sheet}`; there are: {', '.join(each.name or '(one)' for each in sheets)}"
        )
    return chosen


def _given(sheet: Sheet, options: Options) -> dict[Column, int]:
    """The columns that the user names, by letters or by heading."""
    found: dict[Column, int] = {}
    top = [(at, plain(cell.text)) for row in sheet.rows[:ROWS_LOOKED_AT] for at, cell in enumerate(row)]
    for column, text in options.columns.items():
        # One or two capital letters are a column; anything else is looked for among the headings first.
        at = column_of(text) if re.fullmatch(r"[A-Z]{1,2}", text) else None
        if at is None:
            at = next((at for at, heading in top if heading and heading == plain(text)), None)
        at = column_of(text) if at is None else at
        if at is None:
            raise PlanError(f"--column {column}={text}: no heading is called so, and it is no column letter")
        found[column] = at
    return found


# Rows.


def _context(sheet: Sheet, headings: Headings, before: Context | None) -> Context:
    """What the lines above some headings say of the rows below; ``before`` is what held at the end of the block above
    them on the same sheet."""
    above = range(max(headings.row, 0)) if before is None else range(0)
    titles = [sheet.name, *(cell.text for row in above for cell in sheet.rows[row])]
    heading = headings.texts.get(headings.columns[Column.ADDRESS], "")
    named = [words.table_in(heading), before.table if before is not None else None, *map(words.table_in, titles)]
    table = next((each for each in named if each is not None), None)
    kept = tuple(text for text in titles if text.strip()) + (before.titles if before is not None else ())
    return Context(sheet, headings, table, heading, kept)


def _rows(context: Context, result: TableImport) -> tuple[list[Row], Context]:
    """The rows below one row of headings, and what holds at their end."""
    sheet, headings, columns = context.sheet, context.headings, context.headings.columns
    rows: list[Row] = []
    previous: Row | None = None
    for at in range(headings.row + 1, headings.stop):
        filled = [column for column, cell in enumerate(sheet.rows[at]) if cell.text.strip()]
        if not filled:
            continue
        address = sheet.cell(at, columns[Column.ADDRESS])
        others = {column for column in filled if not sheet.cell(at, column).is_merged} - {columns[Column.ADDRESS]}
        if _is_section(sheet, at, columns, filled):
            context = replace(context, table=words.table_in(sheet.cell(at, filled[0]).text) or context.table)
            previous = None
            continue
        name = sheet.cell(at, columns[Column.NAME]).text if Column.NAME in columns else ""
        if RESERVED.fullmatch(name.strip()):
            result.reserved += 1
            previous = None
            continue
        if not others and not address.text.strip():
            continue
        result.rows += 1
        row = read_row(context, at, previous)
        rows.append(row)
        previous = row if row.printed is not None else None
    return rows, context


def _is_section(sheet: Sheet, at: int, columns: Mapping[Column, int], filled: Sequence[int]) -> bool:
    """A line that is a title between rows: one text alone, and no number where the address would be."""
    if len(filled) != 1:
        return False
    cell = sheet.cell(at, filled[0])
    if filled[0] != columns[Column.ADDRESS]:
        return (
            filled[0] != columns.get(Column.NAME) or words.table_in(cell.text) is not None or Column.NAME not in columns
        )
    return not re.search(r"\d", cell.text) or words.table_in(cell.text) is not None


# The notation.


def _decide(result: TableImport, rows: Sequence[Row], options: Options) -> None:
    numbered = [
        Numbered(each.where, each.printed, each.table, each.second) for each in rows if each.printed is not None
    ]
    told = Told(options.notation, options.is_hex)
    contexts = {id(each.context): each.context for each in rows}.values()
    for context in contexts:
        told = _told(context, told)
    result.decision = decision = decide(numbered, told)
    if not numbered:
        return
    if decision.notation is None:
        choices = [*decision.possible] or list(Notation)
        result.asks.append(
            Ask("--notation", tuple(map(str, choices)), "the rows do not decide how registers are numbered")
        )
    if decision.is_base_open:
        result.asks.append(
            Ask("--digits", ("decimal", "hexadecimal"), "numbers begin with zeros, and may be hexadecimal")
        )


def _told(context: Context, told: Told) -> Told:
    """What headings and titles say of the numbers. Titles that say both say nothing."""
    heading = context.address_heading
    zero = [each for each in (heading, *context.titles) if ZERO_BASED.search(each.lower())]
    zero += [heading] if WIRE.search(heading.lower()) else []
    one = [each for each in (heading, *context.titles) if ONE_BASED.search(each.lower())]
    if told.heading is None and bool(zero) != bool(one):
        text = " ".join((zero or one)[0].split())[:60]
        told = replace(told, heading=Notation.ADDRESS if zero else Notation.NUMBER, heading_text=text)
    lower = heading.lower()
    if told.is_hex is None and (HEXADECIMAL.search(lower) or DECIMAL.search(lower)):
        told = replace(told, is_hex=HEXADECIMAL.search(lower) is not None)
    if context.headings.second_address is not None:
        lower = context.headings.texts.get(context.headings.second_address, "").lower()
        if HEXADECIMAL.search(lower) or DECIMAL.search(lower):
            told = replace(told, second_is_hex=HEXADECIMAL.search(lower) is not None)
    return told


def _ask_for_the_rest(result: TableImport, rows: Sequence[Row], options: Options) -> None:
    """What no row says, and what cannot be guessed."""
    sound = [each for each in rows if each.printed is not None and not each.is_damaged]
    notation = result.decision.notation
    if notation is not None and not notation.is_reference:
        bare = [each for each in sound if each.table is None and each.printed and each.printed.reference is None]
        if bare and options.table is None:
            result.asks.append(
                Ask("--table", tuple(map(str, Table)), f"nothing says in which table {bare[0].where} and others are")
            )
    untyped = [each for each in sound if each.type is None and not each.says_type]
    is_said = any(each.says_type for each in rows) or options.type is not None
    if not is_said and notation is not None and any(each.table is None or not each.table.is_bits for each in untyped):
        result.asks.append(Ask("--type", ("int16", "uint16", "..."), "no column says the type of the values"))
    open_factors = [each for each in sound if each.factor is not None and each.factor.is_open]
    below_one = any(each.factor is not None and abs(each.factor.number) < 1 for each in sound)
    if open_factors and options.scale is None and not below_one:
        first = open_factors[0]
        assert first.factor is not None
        result.asks.append(
            Ask(
                "--scale",
                ("multiply", "divide"),
                f"{first.where}: is the register's number multiplied or divided by {first.factor.number}?",
            )
        )


# Points.


def _point(result: TableImport, row: Row, options: Options) -> None:
    """One row as a point, or the reason why not."""
    problems = list(row.problems)
    if row.printed is None or row.is_damaged:
        result.problems += problems
        return
    decision = result.decision
    assert decision.notation is not None
    place = place_of(row.printed, decision.notation, row.table, is_hex=decision.is_hex)
    if isinstance(place, str):
        problems.append(row.problem(Column.ADDRESS, place, "which register is it?"))
    elif (conflict := _other_column(row, place, decision)) is not None:
        problems.append(conflict)
    elif (table := place.table or options.table) is not None:
        point = _built(row, place, table, options, problems)
        if point is not None and not any(each.level is Level.DAMAGED for each in problems):
            result.points.append(point)
    result.problems += problems


def _other_column(row: Row, place: Place, decision: Decision) -> Problem | None:
    """The two columns of numbers name different registers."""
    if decision.second is None or row.second is None:
        return None
    other = place_of(row.second, decision.second, row.table, is_hex=decision.second_is_hex)
    if isinstance(other, Place) and other.address == place.address:
        return None
    shown = other if isinstance(other, str) else f"address {other.address}"
    return row.problem(
        Column.ADDRESS,
        f"`{row.printed_text}` is address {place.address}, and `{row.second.text}` beside it is {shown}",
        "which of the two is right?",
    )


def _built(row: Row, place: Place, table: Table, options: Options, problems: list[Problem]) -> ImportedPoint | None:
    """The point of a row whose place is known. Adds to ``problems``."""
    value_type = _type(row, table, options, problems)
    if value_type is None:
        return None
    count = 1 if place.last is None else place.last - place.address + 1
    if place.last is not None and count != value_type.registers:
        problems.append(
            row.problem(
                Column.ADDRESS,
                f"`{row.printed_text}` is {count} registers, and {value_type} takes {value_type.registers}",
                "how many registers does the value take, and of which type is it?",
            )
        )
        return None
    if place.address + value_type.registers > 65536:
        problems.append(
            row.problem(Column.ADDRESS, f"{value_type} there reaches beyond the last register", "which register is it?")
        )
        return None
    remarks = list(row.remarks)
    order = row.order or options.order
    if order is None and value_type.registers > 1 and value_type.is_number:
        remarks.append("order not stated: ABCD is assumed")
    factor = _factor(row, options)
    span = _range(row, value_type, factor, problems)
    if row.access == "w":
        problems.append(
            row.problem(
                Column.ACCESS,
                "the register can only be written: there is nothing to take",
                "can it be read back?",
                Level.DOUBTFUL,
            )
        )
    if row.access in ("w", "rw") and table in (Table.INPUT, Table.DISCRETE):
        problems.append(
            row.problem(
                Column.ACCESS,
                f"it can be written, and the table `{table}` cannot",
                "which table is it, or is it read only?",
            )
        )
        return None
    assert row.printed is not None
    return ImportedPoint(
        row.name, table, place.address, value_type, order or Order.ABCD, row.bit, factor, row.unit, span,
        printed=row.printed.text, where=row.where, remarks=tuple(remarks), is_writable=row.access in ("w", "rw"),
        source=row.key,
    )  # fmt: skip


def _type(row: Row, table: Table, options: Options, problems: list[Problem]) -> ValueType | None:
    from wherry.values.types import BOOL, INT16, UINT16

    value_type = row.type or options.type
    if table.is_bits:
        if value_type is not None and value_type.kind is not Kind.BOOL and row.type is not None:
            problems.append(
                row.problem(
                    Column.TYPE,
                    f"{value_type} cannot be in the table `{table}`, which holds single bits",
                    "which table is it, and which type?",
                )
            )
            return None
        return BOOL
    if row.bit is not None:
        if value_type in (None, BOOL, UINT16, INT16):
            return BOOL
        problems.append(
            row.problem(
                Column.TYPE, f"a bit of a register cannot be {value_type}", "is it one bit, or the whole register?"
            )
        )
        return None
    if value_type is None:
        problems.append(
            row.problem(Column.TYPE, "the type is missing", "what is the data type: signed or unsigned, how many bits?")
        )
        return None
    if value_type.kind is Kind.BOOL:
        problems.append(
            row.problem(
                Column.TYPE,
                "a bool in a register, without the number of its bit",
                "which bit of the register is it, or is any number but 0 true?",
            )
        )
        return None
    if row.length is not None and row.length != value_type.registers:
        problems.append(
            row.problem(
                Column.LENGTH,
                f"{value_type} takes {value_type.registers}, and the length says {row.length}",
                "how many registers does the value take, and of which type is it?",
            )
        )
        return None
    return value_type


def _factor(row: Row, options: Options) -> Fraction:
    if row.factor is None:
        return Fraction(1)
    if row.factor.is_open and options.scale == "divide":
        return 1 / row.factor.number
    return row.factor.number


def _range(
    row: Row, value_type: ValueType, factor: Fraction, problems: list[Problem]
) -> tuple[Fraction, Fraction] | None:
    """The range if it is one that the type can hold."""
    if row.range is None:
        return None
    low, high = row.range
    if low >= high:
        problems.append(
            row.problem(
                row.range_column,
                f"the range goes from {float(low):g} to {float(high):g}",
                "what are the least and the greatest value?",
            )
        )
        return None
    ends = sorted((low / factor, high / factor))
    if not words.fits(value_type, *ends):
        is_raw = words.fits(value_type, low, high)
        what = f"{value_type} with a factor of {float(factor):g} cannot hold {float(low):g} to {float(high):g}"
        problems.append(
            row.problem(
                row.range_column,
                what,
                "is the range in the register's own numbers?"
                if is_raw
                else "which is right, the range, the type or the factor?",
            )
        )
        return None
    return low, high


# Rows against each other.


def _compare(result: TableImport, rows: Mapping[tuple[str, int], Row]) -> None:
    """Overlaps, places and names that come twice."""
    taken: dict[tuple[Table, int], list[ImportedPoint]] = {}
    names: dict[str, ImportedPoint] = {}
    out: set[int] = set()
    for point in result.points:
        key = point.name.strip().lower()
        row = rows[point.source]
        if key and key in names:
            what = f"`{point.name}` is also the name of {names[key].where}"
            question = "are they two values, and what is each called?"
            result.problems.append(row.problem(Column.NAME, what, question, Level.DOUBTFUL))
        names.setdefault(key, point)
        others = {
            id(other): other
            for address in range(point.address, point.address + point.type.registers)
            for other in taken.get((point.table, address), ())
            if not _may_share(point, other)
        }
        for other in others.values():
            is_same = other.address == point.address and other.type == point.type and other.bit == point.bit
            if is_same:
                what = f"{point.printed} ({point.type}) is the same register as {other.printed} of {other.where}"
                result.problems.append(row.problem(Column.ADDRESS, what, "what is at this register?"))
                out.add(id(point))
                continue
            for one, two in ((point, other), (other, point)):
                if id(one) not in out:
                    what = (
                        f"{one.printed} ({one.type}) and {two.printed} ({two.type}) of {two.where} lie over each other"
                    )
                    problem = rows[one.source].problem(Column.ADDRESS, what, "what is at this register?")
                    result.problems.append(problem)
                    out.add(id(one))
        for address in range(point.address, point.address + point.type.registers):
            taken.setdefault((point.table, address), []).append(point)
    result.points = [each for each in result.points if id(each) not in out]


def _may_share(one: ImportedPoint, other: ImportedPoint) -> bool:
    """Bits of one register lie beside each other, and in it as a whole."""
    if one.bit is not None and other.bit is not None:
        return one.bit != other.bit
    if one.bit is not None or other.bit is not None:
        return one.type.registers == other.type.registers == 1
    return False
