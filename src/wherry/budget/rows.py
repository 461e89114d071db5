"""Rows of a text put in another order, each with the comments that stand right above it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from wherry.findings import Span


@dataclass(frozen=True, slots=True)
class Lines:
    """Whole lines, from ``first`` to before ``stop``; line numbers count from zero."""

    first: int
    stop: int


def reordered(text: str, rows: Sequence[Span], order: Sequence[int]) -> str | None:
    """The text with its row ``order[0]`` first. ``rows`` are their places as written; None if they cannot be parted.

    Rows on lines of their own move with their comments. Rows that share a line change places if no comment is between.
    """
    lines = text.split("\n")
    segments = _segments(lines, rows)
    if segments is None:
        return _exchanged(lines, rows, order)
    found = [lines[each.first : each.stop] for each in segments]
    last = len(rows) - 1
    if order[-1] != last and _is_element(lines, rows[last]) and not _has_comma(lines, rows[last]):
        # The row that was last is followed by another one now.
        at = rows[last].line_end - 1 - segments[last].first
        column = rows[last].column_end - 1
        found[last][at] = f"{found[last][at][:column]},{found[last][at][column:]}"
    made, at = [], 0
    for slot, each in enumerate(segments):
        made += [*lines[at : each.first], *found[order[slot]]]
        at = each.stop
    return "\n".join([*made, *lines[at:]])


def _segments(lines: Sequence[str], rows: Sequence[Span]) -> list[Lines] | None:
    """The lines of each row, with comments above it; None if rows share lines with one another or with brackets."""
    segments: list[Lines] = []
    stop = 0
    for row in rows:
        first, end = row.line - 1, row.line_end
        before, after = lines[first][: row.column - 1], lines[end - 1][row.column_end - 1 :]
        if first < stop or before.strip() or after.partition("#")[0].strip() not in ("", ","):
            return None
        while first > stop and lines[first - 1].lstrip().startswith("#"):
            first -= 1
        segments.append(Lines(first, end))
        stop = end
    return segments


def _is_element(lines: Sequence[str], row: Span) -> bool:
    """Whether it is one of an array in braces; rows of other kinds have no commas between them."""
    return lines[row.line - 1][row.column - 1 :].startswith("{")


def _has_comma(lines: Sequence[str], row: Span) -> bool:
    return lines[row.line_end - 1][row.column_end - 1 :].lstrip().startswith(",")


def _exchanged(lines: Sequence[str], rows: Sequence[Span], order: Sequence[int]) -> str | None:
    """Rows within one another's lines: their texts change places, if nothing but commas is between them."""
    text = "\n".join(lines)
    starts = [0]
    for line in lines:
        starts.append(starts[-1] + len(line) + 1)
    places = [(starts[row.line - 1] + row.column - 1, starts[row.line_end - 1] + row.column_end - 1) for row in rows]
    made, at = "", 0
    for slot, (start, end) in enumerate(places):
        between = text[at:start]
        if slot and between.strip() != ",":
            return None
        made += between + text[slice(*places[order[slot]])]
        at = end
    return made + text[at:]
