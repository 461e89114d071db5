"""Saved readings, brought into rounds: in one round each item was read once.

A round ends where an item is read again. So the parts of one pass over a controller, which take several requests,
belong together, and a controller that was read eight times gives eight rounds.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Final

from wherry.errors import LocalError
from wherry.limits import ITEMS_PER_TABLE
from wherry.plan.model import Table
from wherry.survey.snapshot import Reading, Snapshot

ROUNDS_MAX: Final = 1000
"""A bound of ours."""


@dataclass(slots=True)
class Round:
    """What was read once: the items of each table by PDU address; words are 0 to 65535, bits 0 or 1. What was not
    read, or refused, is not there. ``at_ns`` is when the first of it came, None when nobody knows."""

    at_ns: int | None = None
    tables: dict[Table, dict[int, int]] = field(default_factory=dict)

    def put(self, table: Table, start: int, items: Sequence[int]) -> None:
        """Take in a run of items. LocalError if one does not fit, or lies outside the table."""
        most = 1 if table.is_bits else 0xFFFF
        if start < 0 or start + len(items) > ITEMS_PER_TABLE:
            raise LocalError(f"{table} {start} and {len(items)} items do not fit into the table")
        if any(not 0 <= item <= most for item in items):
            raise LocalError(f"{table} {start}: an item is not within 0 to {most}")
        self.tables.setdefault(table, {}).update(zip(range(start, start + len(items)), items, strict=True))

    def has_any(self, reading: Reading) -> bool:
        """Whether one of these items was read in this round already."""
        held = self.tables.get(reading.table, {})
        return any(address in held for address in range(reading.start, reading.stop))

    @property
    def count(self) -> int:
        """How many items were read, over all tables."""
        return sum(map(len, self.tables.values()))


def rounds(snapshots: Iterable[Snapshot]) -> list[Round]:
    """The rounds of one snapshot after the other. LocalError if there are more than can be looked at."""
    result: list[Round] = []
    for snapshot in snapshots:
        is_first = True
        for reading in snapshot.readings:
            if is_first or result[-1].has_any(reading):
                result.append(Round(reading.at_ns))
                is_first = False
            result[-1].put(reading.table, reading.start, reading.words)
    if len(result) > ROUNDS_MAX:
        raise LocalError(f"{len(result):,} rounds of readings, and at most {ROUNDS_MAX:,} are looked at")
    return result
