"""What ``wherry import`` shows of a register table: how it was read, what it holds, what to ask its maker."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final

from wherry.cli import output
from wherry.importing.headings import Column, Headings
from wherry.importing.notation import Notation
from wherry.importing.points import ImportedPoint
from wherry.importing.sheets import letters
from wherry.importing.table import TableImport
from wherry.importing.trouble import Level, Problem
from wherry.plan.model import reference_number
from wherry.plan.wording import printable

POINTS_SHOWN: Final = 40
POINTS: Final[Sequence[tuple[str, output.Justify]]] = (
    ("name", "left"), ("printed", "left"), ("place", "left"), ("reference", "left"), ("factor", "right"),
    ("unit", "left"),
)  # fmt: skip


def show_table(result: TableImport, puts: Sequence[str], saved: Path | None) -> None:
    """Everything about one register table, on stdout."""
    for sheet, headings in result.sheets:
        _show_headings(result.file, sheet, headings)
    _show_notation(result)
    if result.points and not result.asks:
        output.data()
        show_points(result.points)
    _show_problems(result.problems)
    if not result.asks:
        _show_assumed(result.points)
    for remark in result.remarks:
        output.sentence(f"note: {printable(remark)}")
    for each in result.asks:
        output.data()
        output.sentence(f"{each.why}: say {each.option} ({' | '.join(each.choices)})")
    counted = f"{output.plural(len(result.points), 'point')} of {output.plural(result.rows, 'row')}"
    left = f"; {output.plural(result.damaged_rows, 'row')} left out" if result.damaged_rows else ""
    reserved = f"; {output.plural(result.reserved, 'reserved row')}" if result.reserved else ""
    output.data(f"\n{counted}{left}{reserved}" + ("; nothing was written" if result.asks else ""))
    if saved is not None:
        show_saved(saved, puts)


def show_saved(saved: Path, puts: Sequence[str]) -> None:
    """Where the list is, and what to do with it."""
    output.data(f"wrote {saved}")
    if any(puts):
        output.data(f"a plan with it: wherry new water.toml --from-csv {output.quoted(saved)}")
    else:
        output.data("fill in its column `put`, or import again with --put 'holding 100'")


def _show_headings(file: str, sheet: str, headings: Headings) -> None:
    where = f"{file}, sheet {sheet}" if sheet else file
    row = f"headings in row {headings.row + 1}" if headings.row >= 0 else "no row of headings"
    output.data(f"{where}: {row}")
    for column in Column:
        at = headings.columns.get(column)
        if at is not None:
            output.data(f"  {column:<8} column {letters(at):<3} {printable(headings.texts.get(at, ''))}".rstrip())
    if headings.second_address is not None:
        at = headings.second_address
        output.data(f"  {'':<8} column {letters(at):<3} {printable(headings.texts.get(at, ''))} (a second address)")
    unused = [
        f"{letters(at)} ({printable(text)[:24]})"
        for at, text in headings.texts.items()
        if at not in headings.columns.values() and at != headings.second_address
    ]
    if unused:
        output.sentence(f"  not used: {', '.join(unused)}")


def _show_notation(result: TableImport) -> None:
    decision = result.decision
    output.data()
    if decision.notation is not None:
        base = ", in hexadecimal" if decision.is_hex else ""
        output.sentence(f"registers are read as {decision.notation}{base}: {decision.notation.words}")
        output.sentence(f"because {decision.how}")
        if result.points:
            output.sentence(
                f"so {_same(result.points[0])}" + (f"; {_same(result.points[-1])}" if result.points[1:] else "")
            )
        for each in decision.against[decision.notation]:
            output.sentence(f"  against it: {each}")
    elif decision.against:
        output.data("registers can be read in more than one way:")
        for notation in Notation:
            against = decision.against[notation]
            if notation in decision.possible:
                but = f"; but for {against[0]}" if against else ""
                output.sentence(f"  {notation:<12} {notation.words}{but}")
                reading = decision.readings.get(notation)
                if reading:
                    output.sentence(f"  {'':<12} then {reading}")
            elif against:
                output.sentence(f"  not {notation}: {against[0]}")
    for each in decision.hints:
        output.sentence(f"  hint: {each}")


def _same(point: ImportedPoint) -> str:
    return f"{printable(point.printed)} is {point.table} {point.address} ({point.reference})"


def show_points(points: Sequence[ImportedPoint]) -> None:
    """The first points, one a row."""
    rows = [
        (
            each.name,
            each.printed,
            each.take,
            each.reference,
            "" if each.factor == 1 else f"{float(each.factor):g}",
            each.unit,
        )
        for each in points[:POINTS_SHOWN]
    ]
    output.table(POINTS, rows, shrink=(0,), drop=(5, 4))
    if len(points) > POINTS_SHOWN:
        output.data(f"... and {len(points) - POINTS_SHOWN:,} more")


def _show_assumed(points: Sequence[ImportedPoint]) -> None:
    """What is taken although nothing says it, once for each kind."""
    kinds: dict[str, list[ImportedPoint]] = {}
    for each in points:
        for remark in each.remarks:
            kinds.setdefault(remark, []).append(each)
    if kinds:
        output.data("\nassumed:")
    for remark, of in kinds.items():
        output.sentence(f"  {printable(remark)} ({output.plural(len(of), 'point')}, the first in {of[0].where})")


def _show_problems(problems: Sequence[Problem]) -> None:
    for level, title in (
        (Level.DAMAGED, "left out, with what to ask the maker"),
        (Level.DOUBTFUL, "taken, and doubtful"),
    ):
        chosen = [each for each in problems if each.level is level]
        if chosen:
            output.data(f"\n{title}:")
        for each in chosen:
            heading = f" ({printable(each.heading)[:24]})" if each.heading else ""
            output.sentence(
                f"  {each.place}{heading}: {printable(each.what)}. {each.question[0].upper()}{each.question[1:]}"
            )


# JSON.


def point_document(point: ImportedPoint, put: str) -> dict[str, Any]:
    """One point."""
    return {
        "name": point.name,
        "take": point.take,
        "put": put or None,
        "table": str(point.table),
        "address": point.address,
        "reference": reference_number(point.table, point.address),
        "printed": point.printed,
        "where": point.where,
        "type": str(point.type),
        "order": str(point.order),
        "bit": point.bit,
        "take_scale": point.take_scale,
        "unit": point.unit,
        "range": None if point.range is None else [float(each) for each in point.range],
        "not_available": list(point.not_available),
        "is_writable": point.is_writable,
        "remarks": list(point.remarks),
    }


def table_document(result: TableImport, puts: Sequence[str], saved: Path | None) -> dict[str, Any]:
    """Everything about one register table."""
    decision = result.decision
    return {
        "file": result.file,
        "headings": [
            {
                "sheet": sheet,
                "row": headings.row + 1,
                "columns": {str(column): letters(at) for column, at in headings.columns.items()},
            }
            for sheet, headings in result.sheets
        ],
        "notation": None if decision.notation is None else str(decision.notation),
        "notation_because": decision.how,
        "notations_possible": [str(each) for each in decision.possible],
        "digits": "hexadecimal" if decision.is_hex else "decimal",
        "asks": [{"option": each.option, "choices": list(each.choices), "why": each.why} for each in result.asks],
        "rows": result.rows,
        "rows_left_out": result.damaged_rows,
        "rows_reserved": result.reserved,
        "points": [point_document(each, put) for each, put in zip(result.points, puts, strict=True)],
        "problems": [
            {
                "sheet": each.sheet,
                "row": each.row,
                "column": each.column or None,
                "heading": each.heading,
                "level": str(each.level),
                "what": each.what,
                "question": each.question,
            }
            for each in result.problems
        ],
        "remarks": result.remarks,
        "saved": None if saved is None else str(saved),
    }
