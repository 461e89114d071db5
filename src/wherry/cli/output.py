"""The only printer. Data goes to stdout, talk goes to stderr; nothing else in the package writes to either.

Colour is an addition, never the only carrier of meaning; ``NO_COLOR`` is respected (by rich). Outside a terminal the
width is 100 columns, so that saved output reads the same everywhere.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Iterable, Sequence
from enum import IntEnum
from typing import TYPE_CHECKING, Any, Literal

if TYPE_CHECKING:
    from rich.console import Console

WIDTH_COLUMNS = 100

Justify = Literal["left", "right", "center"]


class Exit(IntEnum):
    """Exit codes of every command."""

    OK = 0
    NO = 1
    """The answer is no: findings of level error, a failed proof."""
    WRONG_CALL = 2
    """The call or the plan is wrong."""
    UNREACHABLE = 3
    """A controller could not be reached."""
    INTERRUPTED = 130


def data(text: str = "") -> None:
    """One line (or several) of the command's answer, on stdout."""
    sys.stdout.write(text + "\n")
    sys.stdout.flush()


def talk(text: str = "") -> None:
    """A remark about what is going on, on stderr."""
    sys.stderr.write(text + "\n")
    sys.stderr.flush()


def error(message: str, fix: str = "") -> None:
    """A sentence that says what went wrong and, if known, what to do next. On stderr."""
    talk(f"wherry: {message}")
    if fix:
        talk(f"        {fix}")


def json_document(document: Any) -> None:
    """The one JSON document of a ``--json`` call, on stdout."""
    import json

    sys.stdout.write(json.dumps(document, indent=2, ensure_ascii=False, allow_nan=False) + "\n")
    sys.stdout.flush()


def in_terminal() -> bool:
    """Whether stdout is a terminal that a live display may use."""
    return sys.stdout.isatty() and os.environ.get("TERM") != "dumb"


def console(*, to_stderr: bool = False) -> Console:
    """A rich console on stdout (or stderr); 100 columns wide when it is not a terminal."""
    from rich.console import Console

    stream = sys.stderr if to_stderr else sys.stdout
    width = None if stream.isatty() else WIDTH_COLUMNS
    return Console(file=stream, width=width, highlight=False, soft_wrap=False, emoji=False, markup=False)


def table(columns: Sequence[tuple[str, Justify]], rows: Iterable[Sequence[str]], *, title: str = "") -> None:
    """A plain aligned table on stdout. ``columns`` are headings with their alignment."""
    console().print(make_table(columns, rows, title=title))


def make_table(columns: Sequence[tuple[str, Justify]], rows: Iterable[Sequence[str]], *, title: str = "") -> Any:
    """The same table as a rich renderable, for live displays."""
    from rich.table import Table
    from rich.text import Text

    result = Table(
        title=title or None, title_justify="left", title_style="bold", box=None, pad_edge=False, padding=(0, 2, 0, 0)
    )
    for heading, justify in columns:
        result.add_column(heading, justify=justify, header_style="bold", overflow="fold", no_wrap=justify == "right")
    for row in rows:
        result.add_row(*(Text(cell) for cell in row))
    return result


def plural(count: int, one: str, many: str = "") -> str:
    """``1 value``, ``2 values``."""
    return f"{count:,} {one if count == 1 else many or one + 's'}"
