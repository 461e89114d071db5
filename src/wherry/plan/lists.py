"""What a list of values beside a plan is, whatever kind of file it comes from: headings, rows, and their places."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

from wherry.findings import Span
from wherry.plan.wording import TextError

Offset = tuple[int, int]


class ListFile(Protocol):
    """Rows of text cells. Row 0 holds the headings; blank rows and comments are not among the rows."""

    file: str
    rows: list[Sequence[str]]

    def cell_span(self, row: int, column: int, offset: Offset | None = None) -> Span:
        """The place of one cell, or of a part of its text."""
        ...

    def row_span(self, row: int) -> Span:
        """The place of a whole row."""
        ...

    def line(self, number: int) -> str:
        """One line of the file, for showing; empty if the file has no lines of text."""
        ...


class ListError(Exception):
    """A list that cannot be taken apart at one place; ``broken`` says what is wrong."""

    def __init__(self, broken: TextError, span: Span | None = None) -> None:
        super().__init__(broken.message)
        self.broken = broken
        self.span = span
