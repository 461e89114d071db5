"""The first sheet of an XLSX workbook as rows of texts. Places are row and column numbers, from one."""

from __future__ import annotations

import datetime
import io
import zipfile
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Final

from wherry.errors import MissingExtraError
from wherry.findings import Span
from wherry.plan.lists import ListError, Offset
from wherry.plan.wording import TextError, shown

if TYPE_CHECKING:
    from python_calamine import CalamineWorkbook

UNPACKED_BYTES_MAX: Final = 256 * 1024 * 1024  # a bound of ours: a small file can unpack to a very large one


def open_workbook(data: bytes, file: str) -> CalamineWorkbook:
    """The workbook in these bytes. ListError if it is none; MissingExtraError without the part that reads them."""
    try:
        from python_calamine import CalamineError, CalamineWorkbook
    except ImportError:
        raise MissingExtraError(
            f"{file} is a spreadsheet, and the part that reads them is not installed: "
            "pip install 'wherry[sheet]'; or save the list as CSV"
        ) from None
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as packed:
            if sum(each.file_size for each in packed.infolist()) > UNPACKED_BYTES_MAX:
                raise unreadable(file, "it is too large when unpacked", "save only the list itself, as CSV")
        return CalamineWorkbook.from_filelike(io.BytesIO(data))
    except (CalamineError, zipfile.BadZipFile, OSError, ValueError) as failed:
        raise unreadable(
            file, f"it is no XLSX workbook ({type(failed).__name__})", "save it again as XLSX, or as CSV"
        ) from None


def unreadable(file: str, why: str, fix: str) -> ListError:
    """A spreadsheet that cannot be read."""
    return ListError(
        TextError("missing-file", f"the list `{file}` cannot be read: {why}", expected="an XLSX workbook", fix=fix)
    )


class XlsxList:
    """One sheet: texts of the cells, and where each stands."""

    def __init__(self, data: bytes, file: str) -> None:
        self.file = file
        self.rows: list[Sequence[str]] = []
        self._numbers: list[int] = []
        """The row number in the sheet of each row that is kept."""
        for number, cells in enumerate(self._sheet(data), 1):
            texts = [self._text(cell, number, column) for column, cell in enumerate(cells, 1)]
            while texts and not texts[-1].strip():
                texts.pop()
            if texts and not texts[0].lstrip().startswith("#"):
                self.rows.append(texts)
                self._numbers.append(number)

    def _sheet(self, data: bytes) -> list[list[Any]]:
        try:
            sheet = open_workbook(data, self.file).get_sheet_by_index(0)
        except IndexError:
            raise unreadable(self.file, "it has no sheet", "save it again as XLSX, or as CSV") from None
        rows: list[list[Any]] = sheet.to_python(skip_empty_area=False)
        return rows

    def _text(self, cell: Any, row: int, column: int) -> str:
        """A cell as one would type it."""
        if isinstance(cell, bool):
            return "true" if cell else "false"
        if isinstance(cell, float):
            return str(int(cell)) if cell.is_integer() and abs(cell) < 1e15 else repr(cell)
        if isinstance(cell, datetime.date | datetime.time | datetime.timedelta):
            raise ListError(
                TextError(
                    "broken-row",
                    "the spreadsheet holds a date or a time here",
                    expected="text or a number",
                    found=shown(cell),
                    fix="format the cells as text, then type the content again",
                ),
                Span(self.file, row, column, row, column + 1),
            )
        return "" if cell is None else str(cell)

    def cell_span(self, row: int, column: int, offset: Offset | None = None) -> Span:
        """The place of one cell; parts of a cell have none of their own."""
        number = self._numbers[row]
        return Span(self.file, number, column + 1, number, column + 2)

    def row_span(self, row: int) -> Span:
        """The place of a whole row."""
        number = self._numbers[row]
        return Span(self.file, number, 1, number, len(self.rows[row]) + 1)

    def line(self, number: int) -> str:
        """Nothing: a sheet has no lines of text."""
        return ""
