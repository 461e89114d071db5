"""Words that were read, with the instants at which they came: saved as CSV, one line a reading.

The file is for people and for other programs as well: after lines of remarks (``# host: 10.20.0.11``) come the headings
``at_s,table,start,words`` and the readings. ``words`` are four hexadecimal digits for each register, or one digit for
each bit, with spaces between them; ``start`` is the PDU address, from zero.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from dataclasses import dataclass, field
from decimal import Decimal, InvalidOperation
from pathlib import Path
from typing import Final

from wherry.clock import NS_PER_S
from wherry.errors import LocalError
from wherry.limits import ITEMS_PER_TABLE, PLAN_BYTES_MAX
from wherry.plan.files import read_bytes
from wherry.plan.model import Table

HEADINGS: Final = ("at_s", "table", "start", "words")
_WORD_MAX: Final = 0xFFFF


@dataclass(frozen=True, slots=True)
class Reading:
    """The items of one reply. ``words`` are registers as unsigned numbers, or bits as 0 and 1."""

    at_ns: int
    """When the reply came, in nanoseconds since the survey began."""
    table: Table
    start: int
    words: tuple[int, ...]

    @property
    def stop(self) -> int:
        """One past the last address."""
        return self.start + len(self.words)


@dataclass(frozen=True, slots=True)
class Snapshot:
    """Readings of one controller, in the order in which they came. ``about`` says what they are of, in words."""

    readings: tuple[Reading, ...]
    about: dict[str, str] = field(default_factory=dict)
    """Remarks by name, such as ``host``, ``unit`` and ``taken`` (RFC 3339)."""

    def samples(self, table: Table, address: int) -> list[tuple[int, int]]:
        """Every reading of one item: instant in nanoseconds and word."""
        return [
            (each.at_ns, each.words[address - each.start])
            for each in self.readings
            if each.table is table and each.start <= address < each.stop
        ]

    def latest(self, table: Table) -> dict[int, int]:
        """The last word of every address of a table that was read."""
        words: dict[int, int] = {}
        for each in self.readings:
            if each.table is table:
                words.update(zip(range(each.start, each.stop), each.words, strict=True))
        return dict(sorted(words.items()))

    def tables(self) -> list[Table]:
        """The tables that were read."""
        return [table for table in Table if any(each.table is table for each in self.readings)]


def snapshot_text(snapshot: Snapshot) -> str:
    """The file's text."""
    out = io.StringIO()
    for name, words in snapshot.about.items():
        out.write(f"# {name}: {' '.join(words.split())}\n")
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(HEADINGS)
    for each in snapshot.readings:
        form = "d" if each.table.is_bits else "04x"
        words = " ".join(format(word, form) for word in each.words)
        writer.writerow((f"{Decimal(each.at_ns) / NS_PER_S:.9f}", each.table, each.start, words))
    return out.getvalue()


def read_snapshot(path: Path) -> Snapshot:
    """A saved snapshot. PlanError when the file cannot be read, LocalError with the line when it is no snapshot."""
    try:
        text = read_bytes(path, PLAN_BYTES_MAX, "the snapshot").decode("utf-8")
    except UnicodeDecodeError:
        raise LocalError(f"{path} is not UTF-8 text, so it is no snapshot") from None
    return parse_snapshot(text, str(path))


def parse_snapshot(text: str, file: str = "snapshot.csv") -> Snapshot:
    """A snapshot from its text. LocalError with the line when it is none."""
    about: dict[str, str] = {}
    readings: list[Reading] = []
    headings: tuple[str, ...] | None = None
    for number, cells in _rows(text, about):
        if headings is None:
            headings = tuple(cells)
            if headings != HEADINGS:
                raise LocalError(f"{file}:{number}: a snapshot has the headings {','.join(HEADINGS)}")
            continue
        readings.append(_reading(cells, f"{file}:{number}"))
    if headings is None:
        raise LocalError(f"{file}: a snapshot has the headings {','.join(HEADINGS)}, and this file has none")
    return Snapshot(tuple(readings), about)


def _rows(text: str, about: dict[str, str]) -> Iterator[tuple[int, list[str]]]:
    """Number and cells of each line; remarks go into ``about``."""
    for number, line in enumerate(text.removeprefix("\ufeff").splitlines(), 1):
        if line.startswith("#"):
            name, _, words = line[1:].partition(":")
            about[name.strip()] = words.strip()
        elif line.strip():
            yield number, next(csv.reader([line]))


def _reading(cells: list[str], where: str) -> Reading:
    if len(cells) != len(HEADINGS):
        raise LocalError(f"{where}: {len(cells)} cells, where {','.join(HEADINGS)} are expected")
    at_text, table_text, start_text, words_text = (each.strip() for each in cells)
    try:
        table = Table(table_text)
    except ValueError:
        raise LocalError(f"{where}: there is no table `{table_text}`: coil, discrete, input or holding") from None
    try:
        at_ns = int(Decimal(at_text) * NS_PER_S)
        start = int(start_text)
        words = tuple(int(each, 2 if table.is_bits else 16) for each in words_text.split())
    except (ValueError, InvalidOperation, OverflowError):
        raise LocalError(f"{where}: a reading is an instant in seconds, a table, an address and its words") from None
    is_whole = words and start >= 0 and start + len(words) <= ITEMS_PER_TABLE
    if not is_whole or any(not 0 <= each <= _WORD_MAX for each in words):
        raise LocalError(f"{where}: {len(words)} words from {start} on do not fit a table of registers of 16 bits")
    return Reading(at_ns, table, start, words)
