"""Which few requests put the values of a transfer. The rules are stricter than for reading: nothing is written that is
not declared, and nothing out of order.

* A request carries values that are declared one after another and whose places follow one another. The order of the
  list is the order on the wire, so a trigger word that is declared last is put last. (A list that jumps about costs
  requests; it is the writer of the plan who knows whether its order matters.)
* A value is never split, and values of one group go in one request, which stands where the last of them is declared.
* Bits inside a holding register are put by a mask write (function 16 hex), which leaves the other bits alone. All bits
  that a transfer puts into one register go in one mask write, which stands where the last of them is declared.

Under these rules taking each request as long as it can get is best: any part of a permitted request is permitted too.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from wherry.packing.units import Unit
from wherry.plan.model import Limits, Span


@dataclass(frozen=True, slots=True)
class PackedWrite:
    """One request: what it writes, and the units it carries (exactly one, if it is a mask write)."""

    span: Span
    units: tuple[Unit, ...]
    is_mask: bool


def pack_writes(units: Sequence[Unit], limits: Limits) -> tuple[PackedWrite, ...]:
    """The fewest requests for ``units``, in their order.

    A unit wider than the device's limit is never split: it gets a request of its own, which is then longer than the
    device permits. Whoever judges the plan must refuse it.
    """
    packs: list[PackedWrite] = []
    row: list[Unit] = []
    count = 0
    for unit in units:
        fits = (
            row
            and not unit.is_mask
            and not row[-1].is_mask
            and unit.span.table is row[-1].span.table
            and unit.span.start == row[-1].span.stop
            and count + unit.span.count <= limits.write_count_max(unit.span.table)
        )
        if row and not fits:
            packs.append(_packed(row, count))
            row, count = [], 0
        row.append(unit)
        count += unit.span.count
    if row:
        packs.append(_packed(row, count))
    return tuple(packs)


def _packed(row: Sequence[Unit], count: int) -> PackedWrite:
    first = row[0]
    return PackedWrite(Span(first.span.table, first.span.start, count), tuple(row), first.is_mask)
