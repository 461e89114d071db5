"""A compact block for controllers whose program the engineer writes: which place each value moves to.

In such a controller all that is taken from it stands together, by period, with a heartbeat that its program counts; and
all that is put into it stands together, by transfer, with the four status registers (heartbeat, quality, age, sequence)
right behind it, so that the last request carries them too. Numbers, texts and raw registers go to holding registers,
and what is taken as a bit goes to a bit of one. What is put as a bit goes to coils: setting a bit inside a register
takes a request for each register.

Fewest requests: a request carries only what stands side by side, and never splits a value or a group. So the question
is how to fill as few requests as possible with items of several widths (bin packing). The widths are few and small, and
most divide one another; then filling in falling order of width, each into the first request with room, is best
(first-fit decreasing with divisible sizes: Coffman, Garey and Johnson, Journal of Complexity 3, 1987). Places follow
the order of the plan wherever that needs no more requests.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

from wherry.budget.moved import Moves
from wherry.budget.pieces import Section, sections_of
from wherry.errors import LocalError
from wherry.limits import ITEMS_PER_TABLE, STATUS_REGISTERS
from wherry.packing.layout import layout
from wherry.packing.units import Unit, write_units
from wherry.plan.model import Controller, Plan, Point, Span, Table, Transfer
from wherry.values.types import UINT16

ROUND: Final = 100
"""Blocks begin at a round address, behind everything that the plan knows of."""


@dataclass(frozen=True, slots=True)
class Part:
    """A run of addresses, and the transfers that take it (``is_put``: that put it)."""

    span: Span
    transfers: tuple[str, ...]
    is_put: bool


@dataclass(frozen=True, slots=True)
class Block:
    """Where a controller's values stand then: what is taken from it, by period, then what is put, by transfer."""

    controller: str
    parts: tuple[Part, ...]


@dataclass(frozen=True)
class Proposal:
    """New places, in the order of the plan; and rows that must stand in another order (old positions, by transfer)."""

    blocks: tuple[Block, ...]
    moves: Moves
    orders: Mapping[str, tuple[int, ...]]


@dataclass
class _Cursor:
    """The next free addresses of a block."""

    controller: Controller
    next_of: dict[Table, int]

    def take(self, table: Table, count: int) -> int:
        """The first of ``count`` addresses. LocalError when the table is full."""
        start = self.next_of[table]
        if start + count > ITEMS_PER_TABLE:
            left = ITEMS_PER_TABLE - start
            room = f"only {left} are left from {table} {start} on" if left else "none is left"
            raise LocalError(
                f"the block of {self.controller.name} does not fit up to {table} {ITEMS_PER_TABLE - 1}: it needs "
                f"{count} more, and {room}; give it another start, such as --exchange-block {self.controller.name}:1000"
            )
        self.next_of[table] = start + count
        return start

    def parts_since(self, before: Mapping[Table, int], transfers: Iterable[Transfer], *, is_put: bool) -> list[Part]:
        """The runs that were taken since then."""
        names = tuple(each.name for each in transfers)
        return [
            Part(Span(table, start, self.next_of[table] - start), names, is_put)
            for table, start in before.items()
            if self.next_of[table] > start
        ]


def propose(plan: Plan, starts: Mapping[str, int | None], *, with_signs: bool = True) -> Proposal:
    """Blocks for the controllers named in ``starts``; a start of None: behind everything that is known of it.

    ``with_signs``: give heartbeat and status to the transfers that have none. LocalError if a block cannot be had.
    """
    moves = Moves(plan)
    blocks: list[Block] = []
    devices: set[tuple[str, int, int]] = set()
    orders: dict[str, tuple[int, ...]] = {}
    for name, start in starts.items():
        controller = plan.controller(name)
        if not any(name in (each.source, each.destination) for each in plan.transfers):
            raise LocalError(f"no transfer of the plan takes from {name} or puts into it: there is nothing to move")
        device = device_of(controller)
        if device in devices:
            raise LocalError(
                f"{name} is the same device as another controller with a block: give one of them at a time"
            )
        devices.add(device)
        refuse_passing_on(plan, controller)
        cursor = _Cursor(controller, _starts(plan, controller, start))
        moves.begin(name)
        parts: list[Part] = []
        for section in sections_of(plan, name):
            before = dict(cursor.next_of)
            _place_taken(cursor, section, moves, with_signs)
            parts += cursor.parts_since(before, section.transfers, is_put=False)
        for transfer in plan.transfers:
            if transfer.destination == name:
                before = dict(cursor.next_of)
                orders |= _place_put(plan, cursor, transfer, moves, with_signs)
                parts += cursor.parts_since(before, (transfer,), is_put=True)
        block = Block(name, tuple(parts))
        _refuse_overlap(plan, controller, block)
        blocks.append(block)
    return Proposal(tuple(blocks), moves, orders)


def changed(plan: Plan, proposal: Proposal) -> Plan:
    """The plan with the new places, and simulated signals moved with the values that they are of."""
    transfers = []
    for each in plan.transfers:
        moved = proposal.moves.transfer(each)
        order = proposal.orders.get(each.name)
        if order is not None:
            rest = moved.values[len(order) :]
            moved = replace(moved, values=(*(moved.values[at] for at in order), *rest))
        transfers.append(moved)
    controllers = tuple(_with_signals_moved(each, proposal.moves) for each in plan.controllers)
    return replace(plan, controllers=controllers, transfers=tuple(transfers))


def _with_signals_moved(controller: Controller, moves: Moves) -> Controller:
    """A signal that shows only a part of what moves, or nothing of it, stays."""
    signals = tuple(
        replace(each, at=moves.taken(controller.name, each.at)) if moves.is_whole(controller.name, each.at) else each
        for each in controller.simulation.signals
    )
    return replace(controller, simulation=replace(controller.simulation, signals=signals))


# Where a block begins, and what stands in its way.


def device_of(controller: Controller) -> tuple[str, int, int]:
    """What tells one device from another."""
    return controller.host.lower(), controller.port, controller.unit


def refuse_passing_on(plan: Plan, controller: Controller) -> None:
    """LocalError if something that is put is taken again from its place: apart from one another they mean nothing."""
    same = {each.name for each in plan.controllers if device_of(each) == device_of(controller)}
    put: list[tuple[Span, str]] = []
    taken: list[tuple[Span, str]] = []
    for transfer in plan.putting:
        if transfer.destination in same:
            put += [(value.put.span, transfer.name) for value in transfer.values]
            put += [] if transfer.status is None else [(transfer.status, transfer.name)]
            taken += [(each.verify_at.span, transfer.name) for each in transfer.values if each.verify_at is not None]
        if transfer.source in same:
            points = [value.take for value in transfer.values]
            points += [each for each in (transfer.alive, _guard(transfer)) if each is not None]
            taken += [(point.span, transfer.name) for point in points]
    for command in plan.commands:
        if command.source in same:
            taken.append((command.request.span, command.name))
    put.sort()
    starts = [(span.table, span.start) for span, _ in put]
    widest = max((span.count for span, _ in put), default=0)
    for span, taker in taken:
        first = bisect_left(starts, (span.table, span.start - widest))
        for other, putter in put[first : bisect_left(starts, (span.table, span.stop))]:
            if span.start < other.stop:
                raise LocalError(
                    f"{putter} puts something into {other} of {controller.name} that {taker} takes from there again: "
                    "such values cannot be moved into a block apart from one another"
                )


def _known(plan: Plan, controller: Controller, *, with_moved: bool) -> Iterable[Span]:
    """All places of a device that the plan knows of; without those that move, what stays."""
    same = {each.name for each in plan.controllers if device_of(each) == device_of(controller)}
    for each in plan.controllers:
        if each.name in same:
            yield from each.simulation.holes
            yield from each.owned
            if each.identity is not None:
                yield from (register.at.span for register in each.identity.registers)
            if with_moved:
                yield from each.readable
                yield from (signal.at.span for signal in each.simulation.signals)
    for command in plan.commands:
        for name in same:
            yield from command.places_in(name)
    for transfer in plan.transfers:
        for value in transfer.values:
            if transfer.destination in same and value.verify_at is not None:
                yield value.verify_at.span
            if transfer.source in same and (with_moved or transfer.source != controller.name):
                yield value.take.span
            if transfer.destination in same and (with_moved or transfer.destination != controller.name):
                yield value.put.span
        if transfer.source in same and (with_moved or transfer.source != controller.name):
            yield from (each.span for each in (transfer.alive, _guard(transfer)) if each is not None)
        if transfer.destination in same and (with_moved or transfer.destination != controller.name):
            yield from () if transfer.status is None else (transfer.status,)


def _guard(transfer: Transfer) -> Point | None:
    return None if transfer.careful is None else transfer.careful.guard


def _starts(plan: Plan, controller: Controller, start: int | None) -> dict[Table, int]:
    found: dict[Table, int] = {}
    for table in (Table.HOLDING, Table.COIL):
        stops = [span.stop for span in _known(plan, controller, with_moved=True) if span.table is table]
        found[table] = -(-max(stops, default=0) // ROUND) * ROUND
    if start is not None:
        found[Table.HOLDING] = start
    return found


def _refuse_overlap(plan: Plan, controller: Controller, block: Block) -> None:
    for stays in _known(plan, controller, with_moved=False):
        for span in (part.span for part in block.parts):
            if span.table is stays.table and span.start < stays.stop and stays.start < span.stop:
                raise LocalError(
                    f"the block of {controller.name} would be {span}, and {stays} is used for something else: give it "
                    f"another start, such as --exchange-block {controller.name}:{-(-stays.stop // ROUND) * ROUND}"
                )


# What is taken.


def _place_taken(cursor: _Cursor, section: Section, moves: Moves, with_signs: bool) -> None:
    """A section is what is read together: its items in the order that needs the fewest requests."""
    lacking = [each for each in section.transfers if each.alive is None] if with_signs else []
    if lacking:
        address = cursor.take(Table.HOLDING, 1)
        for transfer in lacking:
            point = Point(Table.HOLDING, address, UINT16, path=(*transfer.path, "alive"))
            moves.add_alive(transfer, point)
    in_registers = [each for each in section.items if not each.is_run]
    limit = cursor.controller.limits.read_registers
    used = 1 if lacking else 0
    widths = [each.width for each in in_registers]
    order = best_order([used, *widths] if used else widths, limit)
    for at in order:
        if used and at == 0:
            continue
        item = in_registers[at - used]
        item.place(moves, cursor.take(Table.HOLDING, item.width))
    for item in section.items:
        if item.is_run:
            item.place(moves, cursor.take(Table.COIL, item.width))
    for guard in section.guards:
        moves.move_registers(guard.span, cursor.take(Table.HOLDING, guard.count))


def best_order(widths: Sequence[int], capacity: int) -> list[int]:
    """In which order items fill the fewest requests: as they are if that does, else by first-fit decreasing."""
    as_listed = list(range(len(widths)))
    filled = [at for each in first_fit_decreasing(widths, capacity) for at in each]
    needed = requests_of([widths[at] for at in filled], capacity)
    return as_listed if requests_of(widths, capacity) <= needed else filled


def requests_of(widths: Sequence[int], capacity: int) -> int:
    """How many requests a row of items takes, each as long as it can get. A wide copy goes over several."""
    count, room = 0, 0
    for width in widths:
        if width > room:
            count += -(-width // capacity)
            room = -(-width // capacity) * capacity
        room -= width
    return count


def first_fit_decreasing(widths: Sequence[int], capacity: int) -> list[list[int]]:
    """Which items go together. One that is wider than a request comes before those that use what it leaves."""
    rooms: list[int] = []
    bins: list[list[int]] = []
    full = 0
    for at in sorted(range(len(widths)), key=lambda at: (-widths[at], at)):
        while full < len(rooms) and rooms[full] <= 0:
            full += 1
        for index in range(full, len(rooms)):
            if widths[at] <= rooms[index]:
                rooms[index] -= widths[at]
                bins[index].append(at)
                break
        else:
            rooms.append(-widths[at] % capacity)
            bins.append([at])
    return [sorted(each, key=lambda at: (widths[at] <= capacity, at)) for each in bins]


# What is put.


def _place_put(
    plan: Plan, cursor: _Cursor, transfer: Transfer, moves: Moves, with_signs: bool
) -> dict[str, tuple[int, ...]]:
    """The places of one transfer, in the order that needs the fewest writes, the status registers last.

    Returns the order of its rows, if it must be another one than that of the plan.
    """
    rows = sum(not each.is_copy for each in transfer.values)
    has_status = transfer.status is not None or with_signs
    start = dict(cursor.next_of)
    best: tuple[int, int, tuple[int, ...]] | None = None
    for rank, order in enumerate(_orders(transfer, rows, cursor.controller, has_status)):
        trial = Moves(plan)
        _assign(_Cursor(cursor.controller, dict(start)), transfer, order, trial, has_status)
        count = _writes(plan, trial.transfer(transfer), order)
        if best is None or (count, rank) < best[:2]:
            best = (count, rank, order)
    assert best is not None, "there is always the order of the plan"
    order = best[2]
    _assign(cursor, transfer, order, moves, has_status)
    return {} if order == tuple(range(rows)) else {transfer.name: order}


def _orders(transfer: Transfer, rows: int, controller: Controller, has_status: bool) -> Iterable[tuple[int, ...]]:
    """Orders of the rows that are worth trying. Rows of one group stay together where they are."""
    as_listed = tuple(range(rows))
    yield as_listed

    def is_bit(at: int) -> bool:
        put = transfer.values[at].put
        return put.bit is not None or put.table.is_bits

    bits_first = tuple(sorted(as_listed, key=lambda at: not is_bit(at)))
    yield bits_first
    bits = [at for at in bits_first if is_bit(at)]
    units, _ = write_units(transfer, controller.limits)
    numbers = [each for each in units if each.values[0] < rows and not is_bit(each.values[0])]
    widths = [each.span.count for each in numbers]
    status = STATUS_REGISTERS if has_status else 0
    # The status registers come last, and with what the last request carries besides.
    bins = first_fit_decreasing([status, *widths] if status else widths, controller.limits.write_registers)
    if status:
        bins.sort(key=lambda each: 0 in each)
    filled = [numbers[at - bool(status)] for each in bins for at in each if at >= bool(status)]
    yield (*bits, *(at for unit in filled for at in unit.values))


def _assign(cursor: _Cursor, transfer: Transfer, order: Sequence[int], moves: Moves, has_status: bool) -> None:
    """Places in the order in which the values leave."""
    values = transfer.values
    sequence = [*order, *range(len(order), len(values))]
    for unit in _units_in_order(transfer, sequence, cursor.controller):
        for at in sorted(unit.values, key=lambda at: (values[at].put.address, values[at].put.bit or 0)):
            put = values[at].put
            if put.bit is not None or put.table.is_bits:
                moves.put(transfer, at, Table.COIL, cursor.take(Table.COIL, put.count))
            else:
                moves.put(transfer, at, Table.HOLDING, cursor.take(Table.HOLDING, put.count))
    if has_status:
        moves.put_status(transfer, cursor.take(Table.HOLDING, STATUS_REGISTERS))


def _units_in_order(transfer: Transfer, sequence: Sequence[int], controller: Controller) -> list[Unit]:
    """What is written in one piece, where the last of its values stands in the sequence.

    Bits of one register are no unit any more: they become coils, each where it stands.
    """
    place = {at: index for index, at in enumerate(sequence)}
    units: list[Unit] = []
    for unit in write_units(transfer, controller.limits)[0]:
        has_group = bool(transfer.values[unit.values[0]].group)
        if unit.is_mask and not has_group:
            units += [Unit(unit.span, (at,)) for at in unit.values]
        else:
            units.append(unit)
    return sorted(units, key=lambda unit: max(place[at] for at in unit.values))


def _writes(plan: Plan, transfer: Transfer, order: Sequence[int]) -> int:
    """How many requests put a transfer, its status among them."""
    values = (*(transfer.values[at] for at in order), *transfer.values[len(order) :])
    (sweep,) = layout(Plan("", plan.controllers, (replace(transfer, values=values),)))
    (each,) = sweep.transfers
    return len(each.writes) + (each.status_alone is not None and each.status_in is None)
