"""The requests of a whole plan: what is read and written in each period, and how each value is cut out or put in.

All transfers of one source with one period form a sweep. A sweep reads each point once, whoever needs it. A transfer
whose source can be caught in the middle of an update (``careful``) has a sweep of its own: its requests have an order.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

from wherry.packing.cost import cost_of
from wherry.packing.reads import join, pack_in_runs, pack_reads
from wherry.packing.units import read_units, write_units
from wherry.packing.writes import pack_writes
from wherry.plan.model import Controller, Limits, Plan, Span, Table, Transfer

ALIVE: Final = -1
"""Stands for the ``alive`` point in ``Cut.value``."""
STATUS: Final = -2
"""Stands for the status registers in ``Cut.value``."""
GUARD: Final = -3
"""Stands for the guard counter in ``Cut.value``."""


@dataclass(frozen=True, slots=True)
class Cut:
    """Where one value lies in a request.

    ``transfer`` is the position in ``Sweep.transfers``; ``value`` the position in ``transfer.values``, or ALIVE,
    STATUS or GUARD. ``offset`` and ``count`` are in items (registers or bits) from the start of the request.
    """

    transfer: int
    value: int
    offset: int
    count: int


@dataclass(frozen=True, slots=True)
class ReadRequest:
    """One read, with everything that is cut out of its reply."""

    span: Span
    cuts: tuple[Cut, ...]


@dataclass(frozen=True, slots=True)
class WriteRequest:
    """One write. ``is_mask``: bits inside one holding register (function 16 hex), a cut for each of its bits."""

    span: Span
    cuts: tuple[Cut, ...]
    is_mask: bool = False


@dataclass(frozen=True, slots=True)
class TransferLayout:
    """The requests of one transfer in one period."""

    transfer: Transfer
    reads: tuple[int, ...]
    """Positions in ``Sweep.reads``, rising."""
    writes: tuple[WriteRequest, ...]
    """In the order in which they leave."""
    status_in: int | None = None
    """Which write carries the status registers too: the last one, if they lie next to it and fit. Else None."""
    status_alone: WriteRequest | None = None
    """A request with nothing but the status registers, for every transfer that has them."""
    verify_reads: tuple[ReadRequest, ...] = ()
    """What is read back from the destination before the writes, for values with ``verify``."""


@dataclass(frozen=True, slots=True)
class Sweep:
    """Everything that is read from one source at one period, and the transfers it feeds."""

    source: str
    period_ns: int
    reads: tuple[ReadRequest, ...]
    transfers: tuple[TransferLayout, ...]
    guard: ReadRequest | None = None
    """A request with nothing but the guard counter, for a transfer that has one: it is asked before and after."""
    rounds: int = 1
    """How often ``reads`` are asked in a cycle in which nothing is torn: twice for a transfer that reads double."""


def layout(plan: Plan) -> tuple[Sweep, ...]:
    """The requests of a plan, in the order of its file. The same plan always gives the same requests.

    Total even for plans that must not run: a value wider than a limit gets one request that is too long, and a group
    that cannot be kept together is packed as single values. Checks report both as errors.
    """
    controllers = {each.name: each for each in plan.controllers}
    sweeps: dict[tuple[str, int, str], list[Transfer]] = {}
    for transfer in plan.transfers:
        own = transfer.name if transfer.careful is not None else ""
        sweeps.setdefault((transfer.source, transfer.period_ns, own), []).append(transfer)
    readable = {name: readable_spans(plan, name) for name in dict.fromkeys(name for name, _, _ in sweeps)}
    return tuple(
        _lay_out_sweep(controllers, source, period_ns, transfers, readable[source])
        for (source, period_ns, _), transfers in sweeps.items()
    )


def readable_spans(plan: Plan, controller_name: str) -> list[Span]:
    """The union of all that may be read from a controller: what it declares readable, and every point taken from it."""
    spans: list[Span] = list(plan.controller(controller_name).readable)
    for transfer in plan.putting:
        if transfer.source == controller_name:
            spans.extend(value.take.span for value in transfer.values)
            if transfer.alive is not None:
                spans.append(transfer.alive.span)
            if transfer.careful is not None and transfer.careful.guard is not None:
                spans.append(transfer.careful.guard.span)
    return join(spans)


def _lay_out_sweep(
    controllers: dict[str, Controller],
    source: str,
    period_ns: int,
    transfers: Sequence[Transfer],
    readable: Sequence[Span],
) -> Sweep:
    reads = _lay_out_reads(controllers[source], transfers, readable)
    needed: list[set[int]] = [set() for _ in transfers]
    for position, request in enumerate(reads):
        for cut in request.cuts:
            needed[cut.transfer].add(position)
    layouts = tuple(
        _lay_out_transfer(transfer, index, tuple(sorted(needed[index])), controllers[transfer.destination])
        for index, transfer in enumerate(transfers)
    )
    careful = transfers[0].careful
    if careful is None:
        return Sweep(source, period_ns, reads, layouts)
    guard = None
    if careful.guard is not None:
        span = careful.guard.span
        guard = ReadRequest(span, (Cut(0, GUARD, 0, span.count),))
    return Sweep(source, period_ns, reads, layouts, guard, 1 if careful.gap_ns is None else 2)


def _lay_out_reads(
    controller: Controller, transfers: Sequence[Transfer], readable: Sequence[Span]
) -> tuple[ReadRequest, ...]:
    spans: dict[Table, list[Span]] = {}
    parts: dict[Table, list[list[tuple[int, int, Span]]]] = {}
    for index, transfer in enumerate(transfers):
        units, _ = read_units(transfer, controller.limits, readable)
        for unit in units:
            spans.setdefault(unit.span.table, []).append(unit.span)
            parts.setdefault(unit.span.table, []).append(
                [(index, value, transfer.values[value].take.span) for value in unit.values]
            )
        if transfer.alive is not None:
            span = transfer.alive.span
            spans.setdefault(span.table, []).append(span)
            parts.setdefault(span.table, []).append([(index, ALIVE, span)])
    requests: list[ReadRequest] = []
    for table in sorted(spans):
        run_starts = [span.start for span in readable if span.table is table]
        count_max = controller.limits.read_count_max(table)
        packs = pack_in_runs(spans[table], count_max, cost_of(controller, table), run_starts)
        for pack in packs:
            cuts = _cuts_in(pack.span, (part for item in pack.items for part in parts[table][item]))
            requests.append(ReadRequest(pack.span, cuts))
    return tuple(requests)


def _lay_out_verify(transfer: Transfer, index: int, destination: Controller) -> tuple[ReadRequest, ...]:
    """The reads that bring the places of values with ``verify``: nothing is read over but what is declared readable."""
    places: dict[Table, list[tuple[int, int, Span]]] = {}
    for position, value in enumerate(transfer.values):
        if value.verify_ns is not None:
            at = value.verify_at or value.put
            places.setdefault(at.table, []).append((index, position, at.span))
    requests: list[ReadRequest] = []
    for table in sorted(places):
        parts = places[table]
        readable = [span for span in destination.readable if span.table is table]
        count_max = destination.limits.read_count_max(table)
        packs = pack_reads([span for *_, span in parts], count_max, cost_of(destination, table), readable)
        requests += [ReadRequest(pack.span, _cuts_in(pack.span, (parts[at] for at in pack.items))) for pack in packs]
    return tuple(requests)


def _lay_out_transfer(
    transfer: Transfer, index: int, reads: tuple[int, ...], destination: Controller
) -> TransferLayout:
    limits = destination.limits
    verify_reads = _lay_out_verify(transfer, index, destination)
    units, _ = write_units(transfer, limits)
    writes: list[WriteRequest] = []
    for pack in pack_writes(units, limits):
        parts = ((index, value, transfer.values[value].put.span) for unit in pack.units for value in unit.values)
        writes.append(WriteRequest(pack.span, _cuts_in(pack.span, parts), pack.is_mask))
    if transfer.status is None:
        return TransferLayout(transfer, reads, tuple(writes), verify_reads=verify_reads)
    status = transfer.status
    alone = WriteRequest(status, (Cut(index, STATUS, 0, status.count),))
    status_in: int | None = None
    if writes and _status_fits(writes[-1], status, limits):
        last = writes[-1]
        span = Span(status.table, min(last.span.start, status.start), last.span.count + status.count)
        moved = last.span.start - span.start
        cuts = [Cut(each.transfer, each.value, each.offset + moved, each.count) for each in last.cuts]
        cuts.append(Cut(index, STATUS, status.start - span.start, status.count))
        status_in = len(writes) - 1
        writes[-1] = WriteRequest(span, tuple(sorted(cuts, key=lambda cut: cut.offset)))
    return TransferLayout(transfer, reads, tuple(writes), status_in, alone, verify_reads)


def _status_fits(write: WriteRequest, status: Span, limits: Limits) -> bool:
    return (
        not write.is_mask
        and write.span.table is status.table
        and (write.span.stop == status.start or status.stop == write.span.start)
        and write.span.count + status.count <= limits.write_count_max(status.table)
    )


def _cuts_in(request: Span, parts: Iterable[tuple[int, int, Span]]) -> tuple[Cut, ...]:
    """The cuts of one request, sorted by place, then by transfer and value."""
    cuts = [Cut(transfer, value, span.start - request.start, span.count) for transfer, value, span in parts]
    assert all(cut.offset >= 0 and cut.offset + cut.count <= request.count for cut in cuts), "cut outside its request"
    cuts.sort(key=lambda cut: (cut.offset, cut.transfer, cut.value))
    return tuple(cuts)
