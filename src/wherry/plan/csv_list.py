"""CSV as in RFC 4180: cells with commas (or semicolons) between them, in quotes where they hold such a sign themselves.

Blank lines are nothing, and a line that begins with ``#`` is a comment: both are ours.
"""

from __future__ import annotations

import re
from bisect import bisect_right
from collections.abc import Sequence

from wherry.findings import Span
from wherry.plan.lists import ListError, Offset
from wherry.plan.wording import TextError, printable

BOM = "\ufeff"


class CsvList:
    """One CSV file: texts of the cells, and where each stands."""

    def __init__(self, data: bytes, file: str) -> None:
        self.file = file
        self.text = self._decoded(data)
        self._line_starts = [0, *(match.end() for match in re.finditer("\n", self.text))]
        self.rows: list[Sequence[str]] = []
        self._starts: list[int] = []
        """Where each row begins in the text."""
        self._quoted: dict[int, list[Offset]] = {}
        """Rows with quotes: begin and end of each cell in the text, quotes included."""
        self._delimiter = ","
        self._read()

    def _decoded(self, data: bytes) -> str:
        try:
            text = data.decode("utf-8")
        except UnicodeDecodeError as broken:
            before = data[: broken.start].decode("utf-8").removeprefix(BOM).replace("\r\n", "\n")
            line, column = before.count("\n") + 1, len(before) - (before.rfind("\n") + 1) + 1
            raise ListError(
                TextError(
                    "broken-row",
                    f"the list is not UTF-8 text: byte {data[broken.start]:#04x} is none",
                    expected="text in UTF-8",
                    found=f"byte {data[broken.start]:#04x}",
                    fix='save the list again as "CSV UTF-8"',
                ),
                Span(self.file, line, column, line, column + 1),
            ) from None
        return text.removeprefix(BOM).replace("\r\n", "\n").replace("\r", "\n")

    def _read(self) -> None:
        """Cut the text into rows."""
        at, text = 0, self.text
        if match := re.match(r"sep=([,;])\n", text):  # spreadsheets write this line to tell each other the delimiter
            self._delimiter = match[1]
            at = match.end()
        is_first = not at
        while at < len(text):
            end = text.find("\n", at)
            end = len(text) if end < 0 else end
            line = text[at:end]
            start, bare = at, line.strip()
            at = end + 1
            if not bare or bare.startswith("#"):
                continue
            if is_first:
                self._choose_delimiter(line)
                is_first = False
            if '"' in line:
                cells, places, at = self._quoted_row(start)
                self._quoted[len(self.rows)] = places
            else:
                cells = line.split(self._delimiter)
            if any(cell.strip() for cell in cells):
                self.rows.append(cells)
                self._starts.append(start)
            else:
                self._quoted.pop(len(self.rows), None)

    def _choose_delimiter(self, headings: str) -> None:
        bare = re.sub(r'"[^"]*"', "", headings)
        if ";" in bare:
            self._delimiter = ";"
        elif "\t" in bare and "," not in bare:
            raise ListError(
                TextError(
                    "broken-row",
                    "the columns of the list have tabs between them",
                    expected="commas or semicolons between the columns",
                    found="tabs",
                    fix='save the list again as "CSV UTF-8"',
                ),
                self.span(self.text.index(headings), self.text.index(headings) + len(headings)),
            )

    def _quoted_row(self, at: int) -> tuple[list[str], list[Offset], int]:
        """One row cell by cell; a cell in quotes may go over several lines. Also where the next row begins."""
        text, delimiter = self.text, self._delimiter
        cells: list[str] = []
        places: list[Offset] = []
        plain = re.compile(rf"[^\n{delimiter}]*")
        while True:
            start = at
            if text[at : at + 1] == '"':
                at, cell = self._quoted_cell(at)
            else:
                match = plain.match(text, at)
                assert match is not None, "an empty cell matches"
                at, cell = match.end(), match[0]
                if '"' in cell:
                    inside = start + cell.index('"')
                    raise self._broken(
                        "a quote stands inside a cell that does not begin with one",
                        "put the whole cell in quotes, and write each quote inside it twice",
                        inside,
                        inside + 1,
                    )
            cells.append(cell)
            places.append((start, at))
            if at >= len(text) or text[at] == "\n":
                return cells, places, at + 1
            if text[at] != delimiter:
                raise self._broken(
                    f"`{printable(text[at])}` follows the closing quote of a cell",
                    f"write `{delimiter}` after the quote, or write each quote inside the cell twice",
                    at,
                    at + 1,
                )
            at += 1

    def _quoted_cell(self, at: int) -> tuple[int, str]:
        match = re.compile(r'"((?:[^"]|"")*)"').match(self.text, at)
        if match is None:
            raise self._broken("a cell begins with a quote that is never closed", "close the quote", at, at + 1)
        return match.end(), match[1].replace('""', '"')

    def _broken(self, message: str, fix: str, start: int, end: int) -> ListError:
        span = self.span(start, end)
        return ListError(
            TextError(
                "broken-row",
                message,
                expected="cells as RFC 4180 has them",
                found=printable(self.line(span.line))[:80],
                fix=fix,
            ),
            span,
        )

    # Places.

    def span(self, start: int, end: int) -> Span:
        """A place from two offsets in the text."""
        line, line_end = bisect_right(self._line_starts, start), bisect_right(self._line_starts, end)
        return Span(
            self.file,
            line,
            start - self._line_starts[line - 1] + 1,
            line_end,
            end - self._line_starts[line_end - 1] + 1,
        )

    def _cell_place(self, row: int, column: int) -> Offset:
        if row in self._quoted:
            return self._quoted[row][column]
        cells = self.rows[row]
        start = self._starts[row] + sum(len(cell) + 1 for cell in cells[:column])
        return start, start + len(cells[column])

    def cell_span(self, row: int, column: int, offset: Offset | None = None) -> Span:
        """The place of one cell, or of a part of its text."""
        if column >= len(self.rows[row]):
            return self.row_span(row)
        start, end = self._cell_place(row, column)
        source = self.text[start:end]
        is_quoted = source.startswith('"')
        # For each character of the cell's text: where it begins.
        starts: list[int] = []
        at, last = (start + 1, end - 1) if is_quoted else (start, end)
        while at < last:
            starts.append(at)
            at += 2 if is_quoted and self.text.startswith('""', at) else 1
        starts.append(last)
        stripped = self.rows[row][column]
        left = len(stripped) - len(stripped.lstrip())
        right = len(stripped.rstrip())
        if offset is None:
            return self.span(start, end) if is_quoted or left > right else self.span(starts[left], starts[right])
        first, after = (min(max(left + each, 0), len(starts) - 1) for each in offset)
        return self.span(starts[first], starts[max(first, after)])

    def row_span(self, row: int) -> Span:
        """The place of a whole row."""
        end = self._cell_place(row, len(self.rows[row]) - 1)[1]
        return self.span(self._starts[row], end)

    def line(self, number: int) -> str:
        """One line of the file."""
        if not 0 < number <= len(self._line_starts):
            return ""
        start = self._line_starts[number - 1]
        end = self.text.find("\n", start)
        return self.text[start : len(self.text) if end < 0 else end]
