"""Old places and new ones, and a plan's transfers with the new ones in place of the old."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

from wherry.findings import Path
from wherry.plan.model import Plan, Point, Span, Table, Transfer, Value
from wherry.plan.places import parse_point
from wherry.plan.wording import TextError
from wherry.values.types import BOOL, UINT16

BitKey = tuple[Table, int, int | None]


@dataclass(frozen=True, slots=True)
class Move:
    """One place that becomes another one. ``old`` is None for what the plan did not have; ``path`` is its key there."""

    controller: str
    transfer: str
    value: str
    side: str
    """``take`` or ``put``."""
    old: Point | Span | None
    new: Point | Span
    path: Path


class Moves:
    """Where everything goes. Places of a source are moved register by register, those of a receiver by value."""

    def __init__(self, plan: Plan) -> None:
        self.plan = plan
        self._registers: dict[str, dict[tuple[Table, int], int]] = {}
        self._bits: dict[str, dict[BitKey, tuple[int, int]]] = {}
        self._runs: dict[str, dict[tuple[Table, int], int]] = {}
        self._puts: dict[tuple[str, int], Point] = {}
        self._status: dict[str, Span] = {}
        self._alive: dict[str, Point] = {}
        self._source = ""

    # Noting.

    def begin(self, source: str) -> None:
        """What is moved from now on is taken from this controller."""
        self._source = source
        for kept in (self._registers, self._bits, self._runs):
            kept.setdefault(source, {})

    def move_registers(self, span: Span, start: int) -> None:
        """A run of registers goes to holding registers from ``start``."""
        for offset in range(span.count):
            self._registers[self._source][span.table, span.start + offset] = start + offset

    def move_bit(self, key: BitKey, register: int, bit: int) -> None:
        """A bit goes to a bit of a holding register."""
        self._bits[self._source][key] = (register, bit)

    def move_run(self, span: Span, start: int) -> None:
        """A run of bits goes to coils from ``start``."""
        for offset in range(span.count):
            self._runs[self._source][span.table, span.start + offset] = start + offset

    def put(self, transfer: Transfer, at: int, table: Table, address: int) -> None:
        """A value is put there."""
        put = transfer.values[at].put
        self._puts[transfer.name, at] = _with_text(replace(put, table=table, address=address, bit=None))

    def put_status(self, transfer: Transfer, address: int) -> None:
        self._status[transfer.name] = Span(Table.HOLDING, address, 4)

    def add_alive(self, transfer: Transfer, point: Point) -> None:
        """A heartbeat for a transfer that has none."""
        self._alive[transfer.name] = _with_text(point)

    # Asking.

    def taken(self, source: str, point: Point) -> Point:
        """A place of a source as it will be."""
        if source not in self._registers:
            return point
        key = (point.table, point.address, point.bit)
        if key in self._bits[source] and point.count == 1:
            register, bit = self._bits[source][key]
            return _with_text(replace(point, table=Table.HOLDING, address=register, type=BOOL, bit=bit))
        if point.table.is_bits:
            start = self._runs[source].get((point.table, point.address))
            return point if start is None else _with_text(replace(point, table=Table.COIL, address=start))
        start = self._registers[source].get((point.table, point.address))
        return point if start is None else _with_text(replace(point, table=Table.HOLDING, address=start))

    def is_whole(self, source: str, point: Point) -> bool:
        """Whether all of a place moves, and stays in one piece."""
        known = self._runs if point.table.is_bits else self._registers
        if source not in known:
            return False
        if (point.table, point.address, point.bit) in self._bits[source]:
            return True
        starts = [known[source].get((point.table, point.address + offset)) for offset in range(point.count)]
        first = starts[0]
        return first is not None and starts == list(range(first, first + point.count))

    def value(self, transfer: Transfer, at: int) -> Value:
        """One value with its new places."""
        value = transfer.values[at]
        put = self._puts.get((transfer.name, at), value.put)
        return replace(value, take=self.taken(transfer.source, value.take), put=put)

    def transfer(self, transfer: Transfer) -> Transfer:
        """A transfer with its new places, its values in the old order."""
        alive = self._alive.get(transfer.name)
        if alive is None and transfer.alive is not None:
            alive = self.taken(transfer.source, transfer.alive)
        careful = transfer.careful
        if careful is not None and careful.guard is not None:
            careful = replace(careful, guard=self.taken(transfer.source, careful.guard))
        return replace(
            transfer,
            values=tuple(self.value(transfer, at) for at in range(len(transfer.values))),
            alive=alive,
            status=self._status.get(transfer.name, transfer.status),
            careful=careful,
        )

    def listed(self) -> Iterator[Move]:
        """Everything that moves, in the order of the plan."""
        for transfer in self.plan.transfers:
            moved = self.transfer(transfer)
            yield from self._signs(transfer, moved)
            for old, new in zip(transfer.values, moved.values, strict=True):
                if new.take != old.take and not old.is_alive:
                    yield Move(transfer.source, transfer.name, old.name, "take", old.take, new.take, old.take.path)
                if new.put != old.put:
                    yield Move(transfer.destination, transfer.name, old.name, "put", old.put, new.put, old.put.path)
            if moved.status is not None and moved.status != transfer.status:
                path = (*transfer.path, "status")
                yield Move(transfer.destination, transfer.name, "status", "put", transfer.status, moved.status, path)

    def _signs(self, old: Transfer, new: Transfer) -> Iterator[Move]:
        if new.alive is not None and new.alive != old.alive:
            yield Move(old.source, old.name, "alive", "take", old.alive, new.alive, (*old.path, "alive"))
        if old.careful is not None and new.careful is not None:
            before, after = old.careful.guard, new.careful.guard
            if before is not None and after is not None and before != after:
                yield Move(old.source, old.name, "guard", "take", before, after, (*old.path, "guard"))


def _with_text(point: Point) -> Point:
    """The point with its text as its user writes it: a type that goes without saying stays unsaid."""
    text = str(point)
    is_plain = point.type == UINT16 and UINT16.name not in point.text
    return replace(point, text=in_one_way(text.removesuffix(f" {UINT16.name}") if is_plain else text))


def in_one_way(text: str) -> str:
    """A place as a plan takes it: a number that could be a reference number too is said to be an address."""
    try:
        parse_point(text)
    except TextError:
        table, _, rest = text.partition(" ")
        return f"{table} address {rest}"
    return text
