"""Lists of values that lie beside the plan, as CSV or XLSX: their columns are the keys of a value."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path as FilePath
from typing import Any

from wherry.errors import PlanError
from wherry.findings import Finding, Level, Path, Span
from wherry.limits import PLAN_BYTES_MAX
from wherry.plan.cells import COLUMNS, REQUIRED, cell_value
from wherry.plan.csv_list import CsvList
from wherry.plan.document import Document
from wherry.plan.files import read_bytes
from wherry.plan.lists import ListError, ListFile, Offset
from wherry.plan.wording import TextError, listed, nearest, printable, shown
from wherry.plan.xlsx_list import XlsxList

ENDINGS = (".csv", ".xlsx")


class ValueList:
    """The rows of one list as values, and the places of their cells."""

    def __init__(self, source: ListFile) -> None:
        self.source = source
        self.file = source.file
        self.values: list[dict[str, Any]] = []
        self.findings: list[Finding] = []
        self._rows: list[int] = []
        """The row of the file that each value comes from."""
        self._columns: dict[str, int] = {}
        if not source.rows:
            self._add(
                TextError(
                    "broken-row",
                    "the list is empty",
                    expected=f"a row of headings: {listed(COLUMNS)}",
                    fix="write the headings in the first row",
                ),
                Span(self.file, 1, 1, 1, 1),
            )
            return
        self._read_headings(source.rows[0])
        if all(key in self._columns for key in REQUIRED):
            for row in range(1, len(source.rows)):
                self._read_row(row, source.rows[row])

    def _add(self, broken: TextError, span: Span) -> None:
        self.findings.append(
            Finding(broken.name, Level.ERROR, broken.message, (), broken.expected, broken.found, broken.fix, span=span)
        )

    def _read_headings(self, cells: Sequence[str]) -> None:
        for column, cell in enumerate(cells):
            key = cell.strip()
            if key in COLUMNS and key not in self._columns:
                self._columns[key] = column
            elif key in self._columns:
                self._add(
                    TextError(
                        "broken-row",
                        f"two columns are called `{key}`",
                        expected="each heading once",
                        found=key,
                        fix="take one of them away",
                    ),
                    self.source.cell_span(0, column),
                )
            elif key or any(column < len(row) and row[column].strip() for row in self.source.rows[1:]):
                near = nearest(key, [each for each in COLUMNS if each not in self._columns])
                message = (
                    f"`{printable(key)[:40]}` is no column of a list of values" if key else "a column has no heading"
                )
                fix = f"write `{near}`" if near else "take the column away"
                self._add(
                    TextError("broken-row", message, expected=listed(COLUMNS), found=printable(key)[:40], fix=fix),
                    self.source.cell_span(0, column),
                )
        for key in REQUIRED:
            if key not in self._columns:
                self._add(
                    TextError(
                        "broken-row",
                        f"the list has no column `{key}`",
                        expected=listed(REQUIRED, last="and"),
                        fix=f"write `{key}` as a heading in the first row",
                    ),
                    self.source.row_span(0),
                )

    def _read_row(self, row: int, cells: Sequence[str]) -> None:
        """One value; a row with a broken cell is left out."""
        before = len(self.findings)
        width = len(self.source.rows[0])
        for column in range(width, len(cells)):
            if cells[column].strip():
                self._add(
                    TextError(
                        "broken-row",
                        f"the row has more cells than there are columns ({width})",
                        expected=f"{width} cells",
                        found=shown(cells[column].strip()),
                        fix="take the cell away, or put a cell that holds a delimiter in quotes",
                    ),
                    self.source.cell_span(row, column),
                )
                break
        value: dict[str, Any] = {}
        put = self._columns["put"]
        is_text_put = put < len(cells) and " string(" in cells[put]
        for key, column in self._columns.items():
            text = cells[column].strip() if column < len(cells) else ""
            if not text:
                if key in REQUIRED:
                    self._add(
                        TextError(
                            "broken-row",
                            f"the cell of `{key}` is empty",
                            expected=f"`{key}` in each row",
                            fix=f"write `{key}`, or begin the row with `#` to leave it out",
                        ),
                        self.source.cell_span(row, column),
                    )
                continue
            try:
                value[key] = cell_value(key, text, is_text_put)
            except TextError as broken:
                self._add(broken, self.source.cell_span(row, column))
        if len(self.findings) == before:
            self.values.append(value)
            self._rows.append(row)

    # Places.

    def row_span(self, index: int, path: Path, *, on_key: bool, offset: Offset | None) -> Span:
        """The place of one cell of a value (``path`` begins with its heading), or of its row."""
        row = self._rows[index] if 0 <= index < len(self._rows) else 0
        column = self._columns.get(path[0]) if path and isinstance(path[0], str) else None
        if column is None:
            return self.source.row_span(row)
        return self.source.cell_span(0 if on_key else row, column, offset if len(path) == 1 and not on_key else None)

    def line(self, number: int) -> str:
        """One line of the file, for showing."""
        return self.source.line(number)


def put_lists_in(document: Document) -> list[Finding]:
    """Read each list that the plan names and put its values into the document's data."""
    findings: list[Finding] = []
    transfers = document.data.get("transfer")
    if not isinstance(transfers, Mapping):
        return findings
    replaced: dict[str, Any] = {}
    for name, transfer in transfers.items():
        if isinstance(transfer, Mapping) and isinstance(transfer.get("values"), str):
            path: Path = ("transfer", name, "values")
            before = len(findings)
            values = _read(document, transfer["values"], path, findings)
            if values or len(findings) == before:
                replaced[name] = {**transfer, "values": values}
    if replaced:
        document.data = {**document.data, "transfer": {**transfers, **replaced}}
    return findings


def _read(document: Document, name: str, path: Path, findings: list[Finding]) -> list[dict[str, Any]]:
    try:
        source = _open(document, name)
    except ListError as broken:
        finding = broken.broken.finding(path)
        findings.append(replace(finding, span=broken.span))
        return []
    values = ValueList(source)
    findings.extend(values.findings)
    document.lists[path] = values
    return values.values


def _open(document: Document, name: str) -> ListFile:
    """The list of that name, read. Names are relative to the plan; a backslash is a slash, also where it is not."""
    if document.beside is None:
        raise _missing(
            f"the list {shown(name)} cannot be found: the plan is not a file", "write the values into the plan"
        )
    file = document.beside / name.replace("\\", "/")
    ending = os.path.splitext(name)[1].lower()
    if ending not in ENDINGS:
        raise _missing(f"the list {shown(name)} is neither CSV nor XLSX", "save it as CSV or XLSX and name that file")
    try:
        data = read_bytes(file, PLAN_BYTES_MAX, "the list")
    except PlanError as failed:
        raise _missing(str(failed).partition("; ")[0], _missing_fix(file)) from None
    return CsvList(data, str(file)) if ending == ".csv" else XlsxList(data, str(file))


def _missing(message: str, fix: str) -> ListError:
    return ListError(
        TextError(
            "missing-file", printable(message), expected="the name of a CSV or XLSX file beside the plan", fix=fix
        )
    )


def _missing_fix(file: FilePath) -> str:
    """The file that was most likely meant."""
    try:
        names = [each.name for each in file.parent.iterdir() if each.suffix.lower() in ENDINGS][:10_000]
    except (OSError, ValueError):
        return "put the list beside the plan, or correct its name"
    near = nearest(file.name, names)
    return f"write `{near}`" if near and near != file.name else "put the list beside the plan, or correct its name"
