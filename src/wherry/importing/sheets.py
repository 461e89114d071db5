"""Any CSV or XLSX as sheets of cells, as they are: nothing is thrown away, and nothing broken ends the reading.

Rows are counted as a spreadsheet shows them, from one; columns have letters, in a CSV too.
"""

from __future__ import annotations

import csv
import datetime
import io
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from wherry.errors import PlanError
from wherry.plan.files import read_bytes
from wherry.plan.lists import ListError
from wherry.plan.xlsx_list import open_workbook

TABLE_BYTES_MAX: Final = 64 * 1024 * 1024
CELL_CHARACTERS_MAX: Final = 1_000_000
TEXT_ENDINGS: Final = (".csv", ".tsv", ".txt")
SHEET_ENDINGS: Final = (".xlsx", ".xlsm", ".xls", ".ods")
DELIMITERS: Final = (",", ";", "\t", "|")


@dataclass(frozen=True, slots=True)
class Cell:
    """One cell. ``is_number``: the spreadsheet holds a number, whose last zeros are lost. ``is_date``: it holds a date,
    most likely made from something else. ``is_merged``: the text is that of the cell it is merged with."""

    text: str = ""
    is_number: bool = False
    is_date: bool = False
    is_merged: bool = False


EMPTY: Final = Cell()


@dataclass(slots=True)
class Sheet:
    """One sheet; ``rows[0]`` is row 1. The name of a CSV's sheet is empty."""

    name: str
    rows: list[list[Cell]] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)
    """What is unusual about the file itself, as sentences."""

    def cell(self, row: int, column: int) -> Cell:
        """A cell by position from 0; an empty one where there is none."""
        cells = self.rows[row]
        return cells[column] if column < len(cells) else EMPTY


def letters(column: int) -> str:
    """A column's letters: A, B ... Z, AA. ``column`` counts from 0."""
    text = ""
    column += 1
    while column:
        column, rest = divmod(column - 1, 26)
        text = chr(ord("A") + rest) + text
    return text


def column_of(text: str) -> int | None:
    """A column by its letters, from 0; None if these are none."""
    if not re.fullmatch(r"[A-Za-z]{1,3}", text):
        return None
    column = 0
    for each in text.upper():
        column = 26 * column + ord(each) - ord("A") + 1
    return column - 1


def read_sheets(path: Path) -> list[Sheet]:
    """All visible sheets with anything in them. PlanError if the file cannot be read."""
    data = read_bytes(path, TABLE_BYTES_MAX, "the register table")
    ending = path.suffix.lower()
    if ending in SHEET_ENDINGS or data.startswith(b"PK\x03\x04"):
        try:
            sheets = _workbook(data, str(path))
        except ListError as broken:
            raise PlanError(f"{broken.broken.message}; {broken.broken.fix}") from None
    elif b"\x00" in data[:4096] and not data.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise PlanError(f"{path} is neither text nor a spreadsheet; save the register table as CSV or XLSX")
    else:
        sheets = [_text_sheet(data)]
    sheets = [each for each in sheets if any(cell.text.strip() for row in each.rows for cell in row)]
    if not sheets:
        raise PlanError(f"{path} is empty: there is no cell with anything in it")
    return sheets


# Text.


def _text_sheet(data: bytes) -> Sheet:
    sheet = Sheet("")
    text = _decoded(data, sheet).replace("\r\n", "\n").replace("\r", "\n")
    if match := re.match(r"sep=(.)\n", text):
        # Spreadsheets write this line to tell each other the delimiter; it is a row all the same.
        delimiter = match[1]
        text = "\n" + text[match.end() :]
    else:
        delimiter = _delimiter(text)
    previous_max = csv.field_size_limit(CELL_CHARACTERS_MAX)
    try:
        for cells in csv.reader(io.StringIO(text, newline=""), delimiter=delimiter):
            sheet.rows.append([Cell(each) for each in cells])
    except csv.Error as broken:
        sheet.remarks.append(
            f"the text cannot be taken apart into cells from row {len(sheet.rows) + 1} on ({broken}): "
            "is a quote left open there?"
        )
    finally:
        csv.field_size_limit(previous_max)
    for number, row in enumerate(sheet.rows, 1):
        lines = max((each.text.count("\n") for each in row if each.text.count(delimiter) >= len(row)), default=0)
        if lines:
            sheet.remarks.append(f"a cell of row {number} goes over {lines + 1} lines: is a quote left open there?")
    return sheet


def _decoded(data: bytes, sheet: Sheet) -> str:
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        return data.decode("utf-16", errors="replace")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        sheet.remarks.append("the text is not UTF-8; it is read as Windows-1252, so look at every sign beyond A to Z")
        return data.decode("cp1252", errors="replace")


def _delimiter(text: str) -> str:
    """The sign that divides the lines into the most cells, counted where lines have equally many of them."""
    lines = [re.sub(r'"[^"\n]*"', "", line) for line in text.split("\n")[:200]]
    best, chosen = 0, ","
    for each in DELIMITERS:
        alike = Counter(line.count(each) for line in lines if each in line)
        cells = max((count * number for count, number in alike.items()), default=0)
        if cells > best:
            best, chosen = cells, each
    return chosen


# Workbooks.


def _workbook(data: bytes, file: str) -> list[Sheet]:
    from python_calamine import CalamineError, SheetVisibleEnum

    workbook = open_workbook(data, file)
    sheets: list[Sheet] = []
    for about in workbook.sheets_metadata:
        if about.visible is not SheetVisibleEnum.Visible:
            continue
        try:
            source = workbook.get_sheet_by_name(about.name)
        except (CalamineError, ValueError) as broken:
            sheets.append(Sheet(about.name, remarks=[f"the sheet {about.name} cannot be read: {broken}"]))
            continue
        rows = [[_cell(each) for each in row] for row in source.to_python(skip_empty_area=False)]
        _fill_merged(rows, source.merged_cell_ranges or ())
        sheets.append(Sheet(about.name, rows))
    return sheets


def _cell(content: Any) -> Cell:
    """A cell as one would type it."""
    if isinstance(content, bool):
        return Cell("true" if content else "false")
    if isinstance(content, int | float):
        is_whole = float(content).is_integer() and abs(content) < 1e15
        return Cell(str(int(content)) if is_whole else repr(content), is_number=True)
    if isinstance(content, datetime.date | datetime.time | datetime.timedelta):
        return Cell(str(content), is_date=True)
    return Cell("" if content is None else str(content))


def _fill_merged(rows: list[list[Cell]], ranges: Sequence[tuple[tuple[int, int], tuple[int, int]]]) -> None:
    """Give the cells that are merged downwards the text of the first one."""
    for (top, left), (bottom, _right) in ranges:
        if top >= len(rows) or left >= len(rows[top]) or bottom == top:
            continue
        first = rows[top][left]
        for row in rows[top + 1 : bottom + 1]:
            if left < len(row) and not row[left].text:
                row[left] = Cell(first.text, first.is_number, first.is_date, is_merged=True)
