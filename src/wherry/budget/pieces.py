"""What is taken from one controller, cut into pieces that can be moved apart from one another.

Registers that overlap stay as they are to each other: a value inside of a copied run, a bit of a word that is taken
whole. Bits that stand alone are collected sixteen to a register. The values of a group stay side by side.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from wherry.budget.moved import BitKey, Moves
from wherry.limits import REGISTER_BITS
from wherry.packing.layout import readable_spans
from wherry.packing.units import read_units
from wherry.plan.model import Plan, Point, Span, Transfer


@dataclass
class Item:
    """Pieces that stay side by side: runs of registers and single bits, or (``is_run``) runs of bits."""

    spans: list[Span] = field(default_factory=list)
    bits: list[BitKey] = field(default_factory=list)
    is_run: bool = False

    @property
    def width(self) -> int:
        """Registers, or bits of a run."""
        return sum(span.count for span in self.spans) + -(-len(self.bits) // REGISTER_BITS)

    def place(self, moves: Moves, start: int) -> None:
        """Note that it goes to ``start``."""
        for span in self.spans:
            (moves.move_run if self.is_run else moves.move_registers)(span, start)
            start += span.count
        for index, key in enumerate(self.bits):
            moves.move_bit(key, start + index // REGISTER_BITS, index % REGISTER_BITS)


@dataclass
class Section:
    """What is read together: the items, and the transfers that they are for."""

    transfers: list[Transfer] = field(default_factory=list)
    items: list[Item] = field(default_factory=list)
    guards: list[Point] = field(default_factory=list)
    """Guard counters, which are read by themselves."""


def sections_of(plan: Plan, source: str) -> list[Section]:
    """All that the transfers take from a controller, the shortest period first.

    What several of them take belongs to the one that is read most often.
    """
    sections: dict[tuple[int, str], Section] = {}
    transfers = sorted((each for each in plan.transfers if each.source == source), key=lambda each: each.period_ns)
    for each in transfers:
        key = (each.period_ns, each.name if each.careful is not None else "")
        sections.setdefault(key, Section()).transfers.append(each)
    taken = _Taken(plan, source, transfers)
    for section in sections.values():
        taken.fill(section)
    return list(sections.values())


class _Taken:
    """Which pieces there are, and which are spoken for already."""

    def __init__(self, plan: Plan, source: str, transfers: Sequence[Transfer]) -> None:
        self.limits = plan.controller(source).limits
        self.readable = readable_spans(plan, source)
        points = [point for each in transfers for point in points_of(each)]
        whole = [point.span for point in points if point.bit is None and not is_single_bit(point)]
        self.clusters = overlapping(whole)
        self.done: set[Span | BitKey] = set()

    def cluster_of(self, point: Point) -> Span | None:
        """The run that the place lies in; None for a bit that stands alone."""
        key = (point.table, point.address)
        at = bisect_right(self.clusters, key, key=lambda span: (span.table, span.start)) - 1
        found = self.clusters[at] if at >= 0 else None
        return found if found is not None and found.table is point.table and point.address < found.stop else None

    def fill(self, section: Section) -> None:
        """The items of a section, in the order of the plan."""
        loose: list[BitKey] = []
        for transfer in section.transfers:
            for points in self._together(transfer):
                item = Item()
                for point in points:
                    self._add(item, point)
                if not item.spans and len(points) == 1:
                    loose += item.bits
                elif item.width:
                    item.is_run = any(span.table.is_bits for span in item.spans)
                    section.items.append(item)
            guard = None if transfer.careful is None else transfer.careful.guard
            if guard is not None and guard.span not in self.done:
                self.done.add(guard.span)
                section.guards.append(guard)
        for first in range(0, len(loose), REGISTER_BITS):
            section.items.append(Item(bits=loose[first : first + REGISTER_BITS]))

    def _together(self, transfer: Transfer) -> list[list[Point]]:
        """Places that stay side by side: those of a group, and the parts of one copy."""
        found: list[list[Point]] = [] if transfer.alive is None else [[transfer.alive]]
        units, _ = read_units(transfer, self.limits, self.readable)
        copies: dict[object, list[Point]] = {}
        rest: list[tuple[int, list[Point]]] = []
        for unit in units:
            points = [transfer.values[at].take for at in unit.values]
            value = transfer.values[unit.values[0]]
            if value.is_alive:
                continue
            if value.is_copy:
                if value.path not in copies:
                    copies[value.path] = []
                    rest.append((unit.values[0], copies[value.path]))
                copies[value.path] += points
            else:
                rest.append((unit.values[0], points))
        rest.sort(key=lambda each: each[0])
        return [*found, *(points for _, points in rest)]

    def _add(self, item: Item, point: Point) -> None:
        span = self.cluster_of(point)
        key: Span | BitKey = (point.table, point.address, point.bit) if span is None else span
        if key in self.done:
            return
        self.done.add(key)
        if isinstance(key, Span):
            item.spans.append(key)
        else:
            item.bits.append(key)


def points_of(transfer: Transfer) -> Iterable[Point]:
    """All that a transfer takes, but for guard counters."""
    yield from (value.take for value in transfer.values if not value.is_alive)
    if transfer.alive is not None:
        yield transfer.alive


def is_single_bit(point: Point) -> bool:
    """Whether it is one bit of a table of bits."""
    return point.table.is_bits and point.count == 1


def overlapping(spans: Iterable[Span]) -> list[Span]:
    """Spans that overlap made one; those that only touch stay apart."""
    joined: list[Span] = []
    for span in sorted(spans):
        last = joined[-1] if joined else None
        if last is not None and last.table is span.table and span.start < last.stop:
            joined[-1] = Span(last.table, last.start, max(last.stop, span.stop) - last.start)
        else:
            joined.append(span)
    return joined
