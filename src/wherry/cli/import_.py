"""``wherry import``: a register table, or a device that describes itself, made into points of a plan."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Literal

from cyclopts import Parameter

from wherry.cli import import_view as view
from wherry.cli import output
from wherry.cli.output import Exit
from wherry.errors import LocalError, PlanError
from wherry.importing.headings import Column
from wherry.importing.notation import Notation
from wherry.importing.points import ImportedPoint, lay_puts, plan_lines, value_list, with_names_of_their_own
from wherry.importing.table import Options, TableImport, import_table
from wherry.plan.model import Table
from wherry.plan.wording import listed, nearest
from wherry.values.types import BOOL, NUMBERS, Order, ValueType


def _said(text: str) -> Parameter:
    """A word of the call, with what is told of it."""
    return Parameter(help=text, negative=())


@Parameter(name="*", group="Reading a file")
@dataclass(frozen=True)
class FileWords:
    """What may be said of a register table."""

    sheet: Annotated[str | None, _said("Read this sheet of the workbook only.")] = None
    heading_row: Annotated[int | None, _said("The row of the headings, counted as a spreadsheet does.")] = None
    column: Annotated[
        list[str] | None,
        _said(
            'What a column is, by its letter or heading: address=B or "name=Signal". Give it once for each. They are '
            "address, name, table, type, order, scale, unit, range, low, high, access, length and bit."
        ),
    ] = None
    notation: Annotated[
        Literal["address", "number", "reference-5", "reference-6"] | None,
        _said(
            "How registers are numbered: address (from zero, as they travel), number (from one), reference-5 (40001), "
            "reference-6 (400001)."
        ),
    ] = None
    digits: Annotated[Literal["decimal", "hexadecimal"] | None, _said("What numbers without a mark are.")] = None
    table: Annotated[
        Literal["coil", "discrete", "input", "holding"] | None, _said("The table, where the file does not say it.")
    ] = None
    type_: Annotated[
        str | None, Parameter(name="--type", help="The type of the values, where the file does not say it.")
    ] = None
    order: Annotated[
        Literal["ABCD", "CDAB", "BADC", "DCBA"] | None,
        _said("The byte order of values of several registers, where the file does not say it."),
    ] = None
    scale: Annotated[
        Literal["multiply", "divide"] | None,
        _said("What a bare factor above one does: multiply or divide the register's number."),
    ] = None


@Parameter(name="*", group="Reading a device")
@dataclass(frozen=True)
class DeviceWords:
    """What may be said of a device."""

    models: Annotated[Path | None, _said("The folder with the SunSpec model definitions (model_1.json and so on).")] = (
        None
    )
    unit: Annotated[int, _said("The unit id.")] = 1
    base: Annotated[int | None, _said("The address of the SunSpec marker, if not 40000, 50000 or 0.")] = None
    rate: Annotated[float, _said("Most requests in a second.")] = 10.0
    yes: Annotated[bool, _said("Do not ask before the first request is sent.")] = False


def import_command(
    source: str,
    *,
    put: str | None = None,
    save: Path | None = None,
    force: Annotated[bool, Parameter(negative=())] = False,
    json: Annotated[bool, Parameter(negative=())] = False,
    file: FileWords = FileWords(),
    device: DeviceWords = DeviceWords(),
) -> int:
    """Make points of a plan from a register table (CSV, XLSX), or from a SunSpec device. It never writes to a device.

    Parameters
    ----------
    source
        A file, or the address of a device: tcp://10.20.0.11
    put
        Where the values go in the receiver: the first free register, such as "holding 100"; they are laid there one
        after the other.
    save
        Write the points to this CSV file, a list of values for a plan.
    force
        Write over a file that is there already.
    json
        Print one JSON document and nothing else on stdout.
    """
    if save is not None and save.suffix.lower() != ".csv":
        raise LocalError(f"--save {save}: the points are saved as CSV; give it a name that ends in .csv")
    if save is not None and save.exists() and not force:
        output.error(f"{save} is there already, and was not touched", "give another name, or --force to write over it")
        return Exit.WRONG_CALL
    if "://" in source:
        from wherry.cli.import_device import import_device

        return import_device(source, device, put, save, json=json)
    return _import_file(Path(source), _options(file), put, save, json=json)


def _options(file: FileWords) -> Options:
    if file.heading_row is not None and file.heading_row < 1:
        raise LocalError("--heading-row counts from 1, as a spreadsheet does")
    return Options(
        file.sheet,
        file.heading_row,
        _columns(file.column or ()),
        None if file.notation is None else Notation(file.notation),
        None if file.digits is None else file.digits == "hexadecimal",
        None if file.table is None else Table(file.table),
        None if file.type_ is None else _type(file.type_),
        None if file.order is None else Order(file.order),
        file.scale,
    )


def _import_file(source: Path, options: Options, put: str | None, save: Path | None, *, json: bool) -> int:
    result = import_table(source, options)
    result.points = with_names_of_their_own(result.points)
    puts = lay_puts(result.points, put) if put is not None else [""] * len(result.points)
    is_open = bool(result.asks)
    saved = save if save is not None and result.points and not is_open else None
    if saved is not None:
        write_list(saved, result.points, puts, _head(result))
    if json:
        output.json_document(view.table_document(result, puts, saved))
    else:
        view.show_table(result, puts, saved)
        if save is None and result.points and not is_open:
            show_lines(result.points, puts)
    if is_open:
        return Exit.WRONG_CALL
    return Exit.NO if result.damaged_rows or not result.points else Exit.OK


def _columns(given: Sequence[str]) -> dict[Column, str]:
    found: dict[Column, str] = {}
    for text in given:
        key, equals, where = text.partition("=")
        if not equals or key not in set(Column) or not where:
            near = nearest(key, list(Column))
            hint = (
                f"; did you mean `{near}`?"
                if near and near != key
                else f"; write one of {listed(Column)}, = and a column"
            )
            raise LocalError(f"--column {text} is not understood{hint}")
        found[Column(key)] = where
    return found


def _type(text: str) -> ValueType:
    known = {**NUMBERS, "bool": BOOL}
    if text not in known:
        near = nearest(text, known)
        raise LocalError(
            f"--type {text}: there is no such type; write {f'`{near}`' if near else f'one of {listed(known)}'}"
        )
    return known[text]


def _head(result: TableImport) -> list[str]:
    """What is told at the top of a saved list."""
    decision = result.decision
    lines = [
        f"Imported from {result.file} by `wherry import`; the line above each value says where it is from.",
        f"Registers are read as {decision.notation}: {decision.notation.words if decision.notation else ''}; "
        f"{decision.how}.",
        "What a paper says is declared, not proved: compare one register with a known value first.",
    ]
    if result.damaged_rows:
        lines.append(f"{output.plural(result.damaged_rows, 'row')} of the table could not be read, and are not here.")
    return lines


def write_list(file: Path, points: Sequence[ImportedPoint], puts: Sequence[str], head: Sequence[str]) -> None:
    """Write a list of values for a plan. PlanError if the file cannot be written."""
    try:
        beside = file.with_name(f".{file.name}.new")
        beside.write_text(value_list(points, puts, head), encoding="utf-8", newline="")
        beside.replace(file)
    except OSError as failed:
        raise PlanError(f"{file} cannot be written: {failed.strerror or failed}") from None


def show_lines(points: Sequence[ImportedPoint], puts: Sequence[str]) -> None:
    """The points as lines of a plan."""
    output.data("\nvalues = [")
    for line in plan_lines(points, puts):
        output.data(f"  {line}")
    output.data("]")
    if not any(puts):
        output.talk("no value has a place in the receiver yet: say --put 'holding 100', or fill in each `put`")
