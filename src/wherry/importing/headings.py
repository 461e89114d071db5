"""Which column of a register table is what: guessed from the words of its headings, and shown.

The words are common practice (register tables of many makers, in English, and the usual German ones); no source.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from functools import lru_cache
from typing import Final

from wherry.importing import words
from wherry.importing.sheets import Cell, Sheet


class Column(StrEnum):
    """What a column of a register table may be."""

    ADDRESS = "address"
    NAME = "name"
    TABLE = "table"
    TYPE = "type"
    ORDER = "order"
    SCALE = "scale"
    UNIT = "unit"
    RANGE = "range"
    LOW = "low"
    HIGH = "high"
    ACCESS = "access"
    LENGTH = "length"
    BIT = "bit"


_WORDS: Final[tuple[tuple[Column, int, str], ...]] = (
    (Column.LENGTH, 9, r"(no|nr|num|number|anzahl|count|amount|quantity|qty|#) ?(of )?(modbus )?"
                       r"(regs?|registers?|words)"),
    (Column.LENGTH, 9, r"(data )?(length|len|size)|words|word count|registers|regs|register (count|length|size)|länge"),
    (Column.LENGTH, 9, r"(quantity|qty|count|width)( in)?( (words|registers|bits|bytes))?"),
    (Column.TABLE, 8, r"(modbus )?(register|object|modbus|reg|address) ?(type|kind|class|area|space|table|art)"),
    (Column.TABLE, 8, r"(table|area|object|(read )?function( ?codes?)?|func|fc|fcs|function code read|register ?art)"),
    (Column.ORDER, 9, r"((byte|word|register) ?)+order|endian(ness)?|(byte|word) ?swap|order"),
    (Column.TYPE, 8, r"(data|value|variable|var|number|point|signal)? ?(type|format)|datentyp|typ|encoding"),
    (Column.SCALE, 9, r"(scal(e|ing)|conversion)( factor)?|factor|multipl(ier|y)( factor)?|mult|gain|resolution|lsb"),
    (Column.SCALE, 9, r"div(isor|ide by)?|coeff?(icient)?|decimals?|decimal (places|digits|point)|exponent"),
    (Column.SCALE, 9, r"skalierung|faktor"),
    (Column.UNIT, 9, r"(eng(ineering)? ?)?units?|unit of meas(ure(ment)?)?|uom|eu|einheit(en)?|dimension"),
    (Column.RANGE, 8, r"(valid |value |data )?(range|limits|values)|min ?[-/.… ]+ ?max|bereich|wertebereich"),
    (Column.LOW, 9, r"min(imum)?( value)?|low(er)?( limit)?|lo"),
    (Column.HIGH, 9, r"max(imum)?( value)?|high(er)?( limit)?|upper( limit)?|hi"),
    (Column.ACCESS, 9, r"access( (type|mode|right)s?)?|r ?/ ?w|rw|read ?/ ?write|permissions?|attributes?|zugriff"),
    (Column.BIT, 9, r"bits?( ?(no|nr|number|position|offset))?|bit mask|mask"),
    (Column.ADDRESS, 9, r"((modbus|register|reg|pdu|start|starting|data|protocol|wire|plc|modicon|absolute|hex) ?)*"
                        r"(address|addr|adr|adresse)( ?(dec|hex|decimal|hexadecimal|range|pdu))*"),
    (Column.ADDRESS, 8, r"((modbus|register|reg|start|modicon) ?)*(number|no|nr|num|offset|reference|ref|#)"
                        r"( ?(dec|hex))?"),
    (Column.ADDRESS, 7, r"(modbus |holding |input )?(register|reg|coil)( ?(dec|hex|decimal|hexadecimal))?"),
    (Column.NAME, 9, r"((register|point|signal|parameter|variable|tag|data|object|short)[ -]?)?name|bezeichnung"),
    (Column.NAME, 7, r"parameter|signal|tag|variable|label|point|item|measurement|(quantity|value|register) name"),
    (Column.NAME, 4, r"value|remarks?|comments?|notes?|.*\b(parameter|name|description|signal|measurement)\b.*"),
    (Column.NAME, 5, r"description|desc|designation|beschreibung|meaning|function description|contents?|text|data"),
)  # fmt: skip
_PATTERNS: Final = tuple((column, weight, re.compile(pattern)) for column, weight, pattern in _WORDS)
_LIKE_ADDRESS: Final = re.compile(r"adr|addr|reg|coil|offset|ref|no|nr|num|#", re.IGNORECASE)
"""What every heading of an address has in it: most rows are none, and are told at once."""
RUNNING: Final = ("no", "nr", "num", "number", "#", "nummer")
"""Beside a heading that says address or register these count rows, not registers."""
ROWS_LOOKED_AT: Final = 60
"""How far down the headings may stand."""

_COUNTED: Final = r"(address|addr|register|number|offset)\w*\b[^.;]{{0,30}}\b(start|begin|count)\w*[^.;]{{0,12}}\b{0}\b"
ZERO_BASED: Final = re.compile(
    r"\b(0|zero)[- ]?based\b|\bbase[: ]*(0|zero)\b|" + _COUNTED.format(r"(from|at|with) (0|zero)")
)
ONE_BASED: Final = re.compile(
    r"\b(1|one)[- ]?based\b|\bbase[: ]*(1|one)\b|" + _COUNTED.format(r"(from|at|with) (1|one)")
)
WIRE: Final = re.compile(r"\bpdu\b|\bprotocol addr|\bon the wire\b|\bfrom (0|zero)\b")
"""In the heading of the addresses itself."""
HEXADECIMAL: Final = re.compile(r"\bhex(adecimal)?\b|\b0x\b")
DECIMAL: Final = re.compile(r"\bdec(imal)?\b")


@dataclass(slots=True)
class Headings:
    """One row of headings, by position from 0, and the rows that belong to it."""

    row: int
    columns: dict[Column, int] = field(default_factory=dict)
    texts: dict[int, str] = field(default_factory=dict)
    """The heading of each column, as printed."""
    second_address: int | None = None
    stop: int = 0
    """The row after the last one below it."""


def plain(text: str) -> str:
    """A heading for comparison: lower case, no brackets and points, single blanks."""
    return re.sub(r"[\s_\-.:()\[\]]+", " ", text.lower()).strip()


@lru_cache(4096)
def meaning(text: str) -> tuple[tuple[Column, int], ...]:
    """What a heading may be, with weights."""
    whole = plain(text)
    if not whole or len(whole) > 60:
        return ()
    # What stands in brackets explains: `Address (dec)`, `Value [kW]`.
    bare = plain(re.sub(r"[(\[].*?[)\]]", " ", text))
    found: dict[Column, int] = {}
    for column, weight, pattern in _PATTERNS:
        if pattern.fullmatch(whole) or (bare and pattern.fullmatch(bare)):
            found[column] = max(found.get(column, 0), weight)
    return tuple(found.items())


def read_headings(cells: Sequence[Cell], row: int) -> Headings:
    """What each column of a row of headings is: the surest first, each once."""
    result = Headings(row, texts={at: cell.text.strip() for at, cell in enumerate(cells) if cell.text.strip()})
    guesses = sorted(
        ((weight, -at, column) for at, cell in enumerate(cells) for column, weight in meaning(cell.text)), reverse=True
    )
    taken: set[int] = set()
    for _, negative, column in guesses:
        at = -negative
        if at in taken:
            continue
        if column not in result.columns:
            result.columns[column] = at
            taken.add(at)
        elif column is Column.ADDRESS and result.second_address is None:
            result.second_address = at
            taken.add(at)
    _sort_out_addresses(result)
    return result


def _sort_out_addresses(result: Headings) -> None:
    """Of two columns of numbers: none of them counts rows, and the first one is the one that is printed first."""
    if result.second_address is None:
        return
    both = (result.columns[Column.ADDRESS], result.second_address)
    running = [at for at in both if plain(result.texts[at]) in RUNNING]
    if running:
        result.columns[Column.ADDRESS] = next((at for at in both if at not in running), both[0])
        result.second_address = None
    else:
        result.columns[Column.ADDRESS], result.second_address = sorted(both)


def is_headings(cells: Sequence[Cell]) -> bool:
    """Whether a row looks like headings: an address, and one thing more, and hardly anything else."""
    if not any(_LIKE_ADDRESS.search(cell.text) for cell in cells):
        return False
    filled = [cell.text for cell in cells if cell.text.strip()]
    known = read_headings(cells, 0).columns
    if Column.ADDRESS not in known or len(known) < 2:
        return False
    return 2 * len(known) >= min(len(filled), 6)


def find_headings(sheet: Sheet, wanted: int | None, given: Mapping[Column, int]) -> list[Headings]:
    """All rows of headings of a sheet, in order. ``wanted``: the row that the user names, from 0; ``given``: columns
    that the user names."""
    if wanted is not None:
        rows = [wanted] if wanted < len(sheet.rows) else []
    else:
        rows = [row for row, cells in enumerate(sheet.rows) if is_headings(cells)]
        if rows and rows[0] > ROWS_LOOKED_AT:
            rows = []
        if not rows and given:
            rows = [-1]
    found: list[Headings] = []
    for row in rows:
        headings = read_headings(sheet.rows[row], row) if row >= 0 else Headings(-1)
        for column, at in given.items():
            for other in [each for each, where in headings.columns.items() if where == at]:
                del headings.columns[other]
            if headings.second_address == at:
                headings.second_address = None
            headings.columns[column] = at
        found.append(headings)
    stops = [*(each.row for each in found[1:]), len(sheet.rows)]
    for headings, stop in zip(found, stops, strict=False):
        headings.stop = stop
        _mend_by_content(sheet, headings, given)
    return found


def _mend_by_content(sheet: Sheet, headings: Headings, given: Mapping[Column, int]) -> None:
    """``Type`` may head tables, and ``Register type`` types: what stands below decides."""
    for column, other in ((Column.TABLE, Column.TYPE), (Column.TYPE, Column.TABLE)):
        at = headings.columns.get(column)
        if at is None or column in given:
            continue
        texts = [sheet.cell(row, at).text for row in range(headings.row + 1, headings.stop)]
        texts = [text for text in texts if not words.is_nothing(text)]
        is_this = sum(1 for text in texts if _is_one(column, text))
        is_other = sum(1 for text in texts if _is_one(other, text))
        if is_other > is_this and 2 * is_other >= len(texts):
            del headings.columns[column]
            if other not in headings.columns:
                headings.columns[other] = at
            return


def _is_one(column: Column, text: str) -> bool:
    """Whether a cell can be read as what its column is."""
    try:
        if column is Column.TABLE:
            words.table_of(text)
        else:
            words.type_of(text, None)
    except words.UnclearError:
        return False
    return True
