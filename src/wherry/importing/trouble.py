"""What is wrong with a register table, as its maker would have to hear it, and what the user has to say."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Level(StrEnum):
    """What becomes of the row."""

    DAMAGED = "damaged"
    """It is left out."""
    DOUBTFUL = "doubtful"
    """It is taken, without what is doubtful."""


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing that is wrong in one row. ``row`` counts from one, ``column`` has letters, ``heading`` its words."""

    sheet: str
    row: int
    column: str
    heading: str
    level: Level
    what: str
    question: str

    @property
    def place(self) -> str:
        """``Map!C14``, or ``row 14, column C`` where there are no sheets."""
        cell = f"{self.column}{self.row}" if self.column else f"row {self.row}"
        if self.sheet:
            return f"{self.sheet}!{cell}" if self.column else f"{self.sheet}, row {self.row}"
        return f"row {self.row}, column {self.column}" if self.column else f"row {self.row}"


@dataclass(frozen=True, slots=True)
class Ask:
    """Something that the file does not decide: the option that says it, and what it may be."""

    option: str
    choices: tuple[str, ...]
    why: str
