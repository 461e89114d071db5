"""The picture of an address space: what can be read, what moves, what is not there, what is not safe to read over.

Made to be read in black and white: in the terminal by letters, on paper by hatches; colour only supports them.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, Any, Final

from wherry import drawing
from wherry.drawing import pictured
from wherry.survey.found import Found, Looked
from wherry.survey.items import Holes, State
from wherry.survey.watching import Motion

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

COLUMNS: Final = 64
ROWS_MAX: Final = 16
"""Rows of one run of addresses; of a longer one several addresses share a place."""
WIDTH_INCHES: Final = 10.5
TITLE_INCHES: Final = 0.45
HEADING_INCHES: Final = 0.25
ROW_INCHES: Final = 0.17
PANEL_INCHES: Final = HEADING_INCHES + 0.33
KEY_COLUMNS: Final = 4
EDGE: Final = "#707070"
STYLE: Final[Mapping[Any, Any]] = {**drawing.STYLE, "hatch.linewidth": 0.5, "axes.linewidth": 0.5}


class Cell(StrEnum):
    """What one place of the picture shows; the value is its letter."""

    STILL = "="
    MOVES = "~"
    COUNTS = "+"
    READABLE = "-"
    ABSENT = "."
    UNSAFE = "!"
    DOUBTFUL = "0"
    MIXED = "%"
    UNKNOWN = "?"


WORDS: Final[Mapping[Cell, str]] = {
    Cell.STILL: "stands still",
    Cell.MOVES: "moves",
    Cell.COUNTS: "counts",
    Cell.READABLE: "readable, not watched",
    Cell.ABSENT: "refused: nothing there",
    Cell.UNSAFE: "left out without a word: never read over it",
    Cell.DOUBTFUL: "reads as zero, may not exist",
    Cell.MIXED: "several kinds in one place",
    Cell.UNKNOWN: "not looked at",
}
FACES: Final[Mapping[Cell, tuple[str, str]]] = {
    Cell.STILL: ("#c7d9e8", ""),
    Cell.MOVES: ("#e9b872", "///"),
    Cell.COUNTS: ("#8fbf88", "++"),
    Cell.READABLE: ("#e6eef4", ""),
    Cell.ABSENT: ("#ffffff", "\\\\"),
    Cell.UNSAFE: ("#d9706b", "xxx"),
    Cell.DOUBTFUL: ("#f2f2f2", "..."),
    Cell.MIXED: ("#d8d0e4", "---"),
    Cell.UNKNOWN: ("#ffffff", "oo"),
}
"""Colour and hatch."""


def cell_of(looked: Looked, address: int) -> Cell:
    """What is known of one address."""
    state = looked.items.state.get(address, State.UNKNOWN)
    if state is State.ABSENT:
        return Cell.UNSAFE if looked.holes is Holes.SHIFT else Cell.ABSENT
    if state in (State.ZERO, State.COVERED):
        return Cell.DOUBTFUL
    if state is State.UNKNOWN:
        return Cell.UNKNOWN
    match looked.motions.get(address):
        case None:
            return Cell.READABLE
        case Motion.STILL:
            return Cell.STILL
        case Motion.MOVES:
            return Cell.MOVES
        case _:
            return Cell.COUNTS


@dataclass(frozen=True, slots=True)
class Row:
    """One line: the first address, and what stands there; each place is ``step`` addresses."""

    start: int
    cells: tuple[Cell, ...]
    step: int


def rows_of(looked: Looked) -> list[Row]:
    """The picture of one run of addresses."""
    low, high = looked.items.low, looked.items.high
    step = max(1, math.ceil((high - low) / (COLUMNS * ROWS_MAX)))
    cells = [
        _together([cell_of(looked, at) for at in range(start, min(start + step, high))])
        for start in range(low, high, step)
    ]
    return [
        Row(low + first * step, tuple(cells[first : first + COLUMNS]), step) for first in range(0, len(cells), COLUMNS)
    ]


def _together(cells: Sequence[Cell]) -> Cell:
    kinds = set(cells)
    if Cell.UNSAFE in kinds:
        return Cell.UNSAFE
    return kinds.pop() if len(kinds) == 1 else Cell.MIXED


def shown_of(found: Found) -> list[Looked]:
    """What there is a picture of: places of which anything is known."""
    return [each for each in found.looked if each.items.state]


def key_of(rows: Sequence[Row]) -> list[tuple[Cell, str]]:
    """The letters that are used, with their meaning."""
    used = {cell for row in rows for cell in row.cells}
    return [(cell, WORDS[cell]) for cell in Cell if cell in used]


# On paper.


def drawn(found: Found, title: str, kind: str) -> bytes:
    """The picture as ``svg`` or ``png``. The same survey gives the same bytes."""
    return pictured(lambda: _figure(found, title), [kind], STYLE)[kind]


def _figure(found: Found, title: str) -> Figure:
    from matplotlib.figure import Figure

    pictures = [(looked, rows_of(looked)) for looked in shown_of(found)]
    heights = [PANEL_INCHES + ROW_INCHES * len(rows) for _, rows in pictures]
    key = key_of([row for _, rows in pictures for row in rows])
    key_inches = 0.2 + 0.2 * math.ceil(len(key) / KEY_COLUMNS)
    height = TITLE_INCHES + sum(heights) + key_inches
    figure = Figure(figsize=(WIDTH_INCHES, height))
    figure.text(0.07, 1 - 0.15 / height, title, ha="left", va="top", fontsize=10, fontweight="bold")
    top = height - TITLE_INCHES
    for (looked, rows), own in zip(pictures, heights, strict=True):
        inner = ROW_INCHES * len(rows)
        bottom = top - HEADING_INCHES - inner
        axis = figure.add_axes((0.07, bottom / height, 0.9, inner / height))
        _panel(axis, looked, rows)
        top -= own
    _key(figure, key)
    return figure


def _panel(axis: Axes, looked: Looked, rows: Sequence[Row]) -> None:
    """One run of addresses."""
    from matplotlib.patches import Rectangle

    for number, row in enumerate(rows):
        for column, cell in enumerate(row.cells):
            face, hatch = FACES[cell]
            axis.add_patch(
                Rectangle((column, number), 1, 1, facecolor=face, hatch=hatch, edgecolor=EDGE, linewidth=0.3)
            )
    step = rows[0].step
    each = "" if step == 1 else f", {step} addresses in a place"
    holes = "" if looked.holes is None else f": {looked.holes.words}"
    axis.set_title(f"{looked.items.table}{holes}{each}", loc="left", fontsize=8, pad=4)
    axis.set_xlim(0, COLUMNS)
    axis.set_ylim(len(rows), 0)
    axis.set_yticks([number + 0.5 for number in range(len(rows))], [str(row.start) for row in rows])
    axis.set_xticks(range(0, COLUMNS + 1, 8), [f"+{step * at}" for at in range(0, COLUMNS + 1, 8)])
    axis.tick_params(length=0)
    for spine in axis.spines.values():
        spine.set_visible(False)


def _key(figure: Figure, key: Sequence[tuple[Cell, str]]) -> None:
    """What the patterns mean."""
    from matplotlib.patches import Patch

    handles = [
        Patch(facecolor=FACES[cell][0], hatch=FACES[cell][1], edgecolor=EDGE, linewidth=0.3, label=words)
        for cell, words in key
    ]
    if handles:
        figure.legend(handles=handles, loc="lower left", bbox_to_anchor=(0.06, 0), ncols=KEY_COLUMNS, frameon=False)
