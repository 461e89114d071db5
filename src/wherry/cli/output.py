"""The only printer. Data goes to stdout, talk goes to stderr; nothing else in the package writes to either.

Colour is an addition, never the only carrier of meaning; ``NO_COLOR`` is respected (by rich). Outside a terminal the
width is 100 columns, so that saved output reads the same everywhere.
"""

from __future__ import annotations

import contextlib
import os
import sys
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from enum import IntEnum
from typing import TYPE_CHECKING, Any, Literal

from wherry.errors import LocalError

if TYPE_CHECKING:
    from rich.console import Console

WIDTH_COLUMNS = 100
CELL_COLUMNS_MIN = 8
"""What is left of a cell, at least, when a table is made to fit."""

PROGRESS_AFTER_NS = 2_000_000_000
"""What takes longer shows how far it is."""

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


def open_closed_streams() -> None:
    """Give stdout and stderr somewhere to go where the caller has closed them (``>&-``)."""
    if sys.stdout is None:
        sys.stdout = open(os.devnull, "w", encoding="utf-8")  # noqa: SIM115 - until the process ends
    if sys.stderr is None:
        sys.stderr = open(os.devnull, "w", encoding="utf-8")  # noqa: SIM115 - until the process ends


def settle() -> None:
    """Before the end: let go of what the streams cannot take any more (full disk, no reader)."""
    for stream in (sys.stdout, sys.stderr):
        try:
            stream.flush()
        except (OSError, ValueError):
            # Python flushes once more at the end and would print that this failed.
            with contextlib.suppress(OSError, ValueError):
                os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())


def data(text: str = "") -> None:
    """One line (or several) of the command's answer, on stdout."""
    try:
        sys.stdout.write(text + "\n")
        sys.stdout.flush()
    except BrokenPipeError:
        raise  # whoever read it has gone: the entry point ends quietly
    except OSError as failed:
        raise LocalError(f"the answer cannot be written to stdout ({failed.strerror or failed})") from None


def talk(text: str = "") -> None:
    """A remark about what is going on, on stderr. Never raises: an exchange must not end because nobody can be told."""
    with contextlib.suppress(OSError):
        sys.stderr.write(text + "\n")
        sys.stderr.flush()


def error(message: str, fix: str = "") -> None:
    """A sentence that says what went wrong and, if known, what to do next. On stderr."""
    talk(lines_of(f"wherry: {message}", hanging=8, to_stderr=True))
    if fix:
        talk(lines_of(f"        {fix}", hanging=8, to_stderr=True))


def sentence(text: str) -> None:
    """A sentence of the answer, on stdout; broken between words where a terminal would break it anywhere."""
    data(lines_of(text, hanging=2))


def lines_of(text: str, *, hanging: int = 0, to_stderr: bool = False) -> str:
    """The text in lines that fit the terminal, the later ones indented. Outside a terminal it stays one line."""
    stream = sys.stderr if to_stderr else sys.stdout
    return paragraph(text, hanging=hanging, to_stderr=to_stderr) if stream.isatty() else text


def page(text: str) -> str:
    """A page of prose and examples: lines of prose too long for the terminal are broken, examples stay as they are."""
    lines: list[str] = []
    is_example = False
    for line in text.split("\n"):
        is_example ^= line.startswith("```")
        hanging = 2 if line.startswith(("* ", "- ")) else 0
        lines.append(line if is_example else lines_of(line, hanging=hanging))
    return "\n".join(lines)


def paragraph(text: str, *, hanging: int = 0, to_stderr: bool = False) -> str:
    """The text in lines of at most the terminal's width, and of at most 100 columns."""
    import textwrap

    return textwrap.fill(
        text,
        width(to_stderr=to_stderr),
        subsequent_indent=" " * hanging,
        break_long_words=False,
        break_on_hyphens=False,
    )


def width(*, to_stderr: bool = False) -> int:
    """How many columns a text may have: those of the terminal, at most 100; 100 where there is no terminal."""
    stream = sys.stderr if to_stderr else sys.stdout
    if stream.isatty():
        with contextlib.suppress(OSError, ValueError):
            return min(os.get_terminal_size(stream.fileno()).columns or WIDTH_COLUMNS, WIDTH_COLUMNS)
    return WIDTH_COLUMNS


def quoted(path: object) -> str:
    """A path as it can be pasted into a shell: in quotes if it holds anything but letters, digits and ``@%+=:,./-``."""
    import re
    import shlex

    text = str(path)
    return text if re.fullmatch(r"[\w@%+=:,./-]+", text) else shlex.quote(text)


def recorded(end: Mapping[str, Any] | None) -> None:
    """Where a command was recorded, and the head of the record; nothing where it was not."""
    if end is not None:
        state = "" if end["is_whole"] else " NOT TO THE END"
        data(f"\nRecorded{state} in {quoted(end['file'])}; its head, to be signed:\n{end['entries']} {end['head']}")


def json_document(document: Any) -> None:
    """The one JSON document of a ``--json`` call, on stdout."""
    import json

    data(json.dumps(document, indent=2, ensure_ascii=False, allow_nan=False))


def in_terminal() -> bool:
    """Whether stdout is a terminal that a live display may use."""
    return sys.stdout.isatty() and os.environ.get("TERM") != "dumb"


def console(*, to_stderr: bool = False) -> Console:
    """A rich console on stdout (or stderr); 100 columns wide when it is not a terminal."""
    from rich.console import Console

    stream = sys.stderr if to_stderr else sys.stdout
    width = None if stream.isatty() else WIDTH_COLUMNS
    return Console(file=stream, width=width, highlight=False, soft_wrap=False, emoji=False, markup=False)


@contextlib.contextmanager
def progress(what: str) -> Iterator[Callable[[float], None]]:
    """A bar on stderr while something takes longer than two seconds, in a terminal only. Gives a function that is to be
    told of the share that is done, from 0 to 1, every now and then."""
    if not sys.stderr.isatty() or os.environ.get("TERM") == "dumb":
        yield lambda _share: None
        return
    from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

    from wherry.clock import elapsed_ns

    begun_ns = elapsed_ns()
    columns = (TextColumn("{task.description}"), BarColumn(), TextColumn("{task.percentage:>3.0f} %"))
    bar = Progress(*columns, TimeRemainingColumn(), console=console(to_stderr=True), transient=True, auto_refresh=False)
    task = bar.add_task(what, total=1.0)

    def on_progress(share: float) -> None:
        bar.update(task, completed=share)
        if bar.live.is_started:
            bar.refresh()
        elif elapsed_ns() - begun_ns > PROGRESS_AFTER_NS:
            bar.start()

    try:
        yield on_progress
    finally:
        bar.stop()


def table(
    columns: Sequence[tuple[str, Justify]],
    rows: Iterable[Sequence[str]],
    *,
    title: str = "",
    shrink: Sequence[int] = (),
    drop: Sequence[int] = (),
) -> None:
    """A plain aligned table on stdout. ``columns`` are headings with their alignment; ``shrink`` says which of them
    are cut, in this order, where the table would be too wide, and ``drop`` which are left out, in this order, where
    cutting is not enough."""
    made = console()
    rows = list(rows)
    kept = kept_columns(columns, rows, shrink, drop, made.width)
    columns = [columns[index] for index in kept]
    rows = [[row[index] for index in kept] for row in rows]
    shrink = [kept.index(index) for index in shrink if index in kept]
    with made.capture() as captured:
        made.print(make_table(columns, fitted(columns, rows, shrink, made.width), title=title))
    data("\n".join(line.rstrip() for line in captured.get().splitlines()))


def kept_columns(
    columns: Sequence[tuple[str, Justify]],
    rows: Sequence[Sequence[str]],
    shrink: Sequence[int],
    drop: Sequence[int],
    columns_max: int,
) -> list[int]:
    """Which columns stay: all but the first of ``drop``, as many as must go for the rest to fit when it is cut."""
    least: list[int] = []
    for index, heading_width in enumerate(heading_widths(columns)):
        width = max(heading_width, *(len(row[index]) for row in rows), 0)
        least.append(min(width, max(CELL_COLUMNS_MIN, heading_width)) if index in shrink else width)
    kept, left = list(range(len(columns))), list(drop)
    while left and sum(least[index] for index in kept) + 2 * (len(kept) - 1) > columns_max:
        kept.remove(left.pop(0))
    return kept


def heading_widths(columns: Sequence[tuple[str, Justify]]) -> list[int]:
    """How wide each heading is; it may have several lines."""
    return [max(map(len, heading.split("\n"))) for heading, _ in columns]


def fitted(
    columns: Sequence[tuple[str, Justify]], rows: Sequence[Sequence[str]], shrink: Sequence[int], columns_max: int
) -> Sequence[Sequence[str]]:
    """The rows with the cells of some columns cut, so that each row is one line of at most ``columns_max``."""
    headings = heading_widths(columns)
    widths = [max(least, *(len(row[index]) for row in rows), 0) for index, least in enumerate(headings)]
    over = sum(widths) + 2 * (len(columns) - 1) - columns_max
    for index in shrink:
        least = max(CELL_COLUMNS_MIN, headings[index])
        cut = min(max(0, over), max(0, widths[index] - least))
        widths[index] -= cut
        over -= cut
    return [[short(cell, widths[index]) if index in shrink else cell for index, cell in enumerate(row)] for row in rows]


def short(text: str, width_max: int) -> str:
    """The text, cut to a width."""
    return text if len(text) <= width_max else text[: width_max - 3] + "..."


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


def may_go_on() -> bool:
    """Ask whether to go on. False when the answer is no, or nobody can answer."""
    if not sys.stdin.isatty():
        error("nobody can be asked here", "say --yes to go on without asking")
        return False
    try:
        return input("go on? [y/N] ").strip().lower() in ("y", "yes")
    except EOFError:
        return False


def plural(count: int, one: str, many: str = "") -> str:
    """``1 value``, ``2 values``."""
    return f"{count:,} {one if count == 1 else many or one + 's'}"
