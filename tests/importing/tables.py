"""Register tables for tests: written as CSV or as a workbook."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from pathlib import Path

from openpyxl import Workbook  # type: ignore[import-untyped]

Cells = Sequence[Sequence[object]]


def csv_file(folder: Path, rows: Cells, name: str = "map.csv", delimiter: str = ",") -> Path:
    """The rows as CSV."""
    text = io.StringIO(newline="")
    csv.writer(text, delimiter=delimiter).writerows(rows)
    file = folder / name
    file.write_text(text.getvalue(), encoding="utf-8", newline="")
    return file


def workbook_file(folder: Path, rows: Cells, merged: Sequence[str] = (), sheet: str = "Map") -> Path:
    """The rows as a workbook with one sheet; numbers are numbers, as one would type them."""
    book = Workbook()
    page = book.active
    assert page is not None
    page.title = sheet
    for row in rows:
        page.append([int(each) if isinstance(each, str) and plain_number(each) else each for each in row])
    for each in merged:
        page.merge_cells(each)
    file = folder / "map.xlsx"
    book.save(file)
    return file


def plain_number(text: str) -> bool:
    """What a spreadsheet would make a number of."""
    return text.isdecimal() and (text == "0" or text[0] != "0")
