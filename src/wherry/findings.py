"""What a judgement about a plan looks like: a finding, and its place in the file."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum

Path = tuple[str | int, ...]
"""Where in the document: keys and list positions, for example ``("transfer", "water", "values", 3, "take")``."""


class Level(StrEnum):
    """How much a finding matters. Only errors make the answer no."""

    ERROR = "error"
    WARNING = "warning"
    NOTE = "note"


@dataclass(frozen=True, slots=True)
class Span:
    """A place in a file. Lines and columns count from 1; columns count characters, ``column_end`` is exclusive."""

    file: str
    line: int
    column: int
    line_end: int
    column_end: int


@dataclass(frozen=True, slots=True)
class Related:
    """Another place that belongs to the finding, such as the first of two duplicates."""

    message: str
    path: Path
    span: Span | None = None


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that is wrong or doubtful in a plan.

    ``name`` is stable, kebab-case, and names the problem; it is never given another meaning. ``offset`` narrows the
    place to part of a string value: start and end in characters of the value's text.
    """

    name: str
    level: Level
    message: str
    path: Path
    expected: str = ""
    found: str = ""
    fix: str = ""
    related: tuple[Related, ...] = ()
    on_key: bool = False
    """The place is the key itself (an unknown key), not its value."""
    offset: tuple[int, int] | None = None
    span: Span | None = field(default=None, compare=False)
