"""The request packing of a plan as rows for people and programs."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from wherry.checks.rule import Judged
from wherry.packing.functions import READ_FUNCTIONS, write_functions
from wherry.packing.layout import ALIVE, GUARD, STATUS, Cut, ReadRequest, Sweep
from wherry.plan.model import Command, Span, Table


@dataclass(frozen=True, slots=True)
class RequestRow:
    """One request that a plan makes in each period."""

    controller: str
    is_write: bool
    function: int | None
    """The function code; None for a write into a table that cannot be written (an error of the plan)."""
    span: Span
    carries: tuple[tuple[str, str], ...]
    """Transfer and value of everything in it; ``alive``, ``guard`` and ``status`` stand for themselves."""
    period_ns: int


def request_rows(judged: Judged) -> list[RequestRow]:
    """Every request of a plan: reads first, then writes, by controller, period and place."""
    rows = [row for sweep in judged.sweeps for row in _rows(judged, sweep)]
    rows += [row for command in judged.plan.commands for row in _command_rows(command)]
    place = {name: index for index, name in enumerate(judged.controllers)}
    # Writes keep the order in which they leave.
    rows.sort(key=lambda row: (place[row.controller], row.is_write, row.period_ns))
    return rows


def _rows(judged: Judged, sweep: Sweep) -> Iterator[RequestRow]:
    for read in _reads(sweep):
        function = READ_FUNCTIONS[read.span.table]
        yield RequestRow(sweep.source, False, function, read.span, _carried(sweep, read.cuts), sweep.period_ns)
    for each in sweep.transfers:
        destination = judged.destination(each.transfer)
        for read in each.verify_reads:
            function, carries = READ_FUNCTIONS[read.span.table], _carried(sweep, read.cuts)
            yield RequestRow(destination.name, False, function, read.span, carries, sweep.period_ns)
        for value in each.transfer.values:
            if value.step is not None:
                function, span = READ_FUNCTIONS[value.put.table], value.put.span
                carries = ((each.transfer.name, value.name),)
                yield RequestRow(destination.name, False, function, span, carries, sweep.period_ns)
        writes = list(each.writes)
        if each.status_alone is not None and each.status_in is None:
            writes.append(each.status_alone)
        for write in writes:
            carries = _carried(sweep, write.cuts)
            for function_code in write_functions(destination, write):
                is_write = function_code != READ_FUNCTIONS[Table.HOLDING]
                yield RequestRow(destination.name, is_write, function_code, write.span, carries, sweep.period_ns)


def _command_rows(command: Command) -> Iterator[RequestRow]:
    """What is asked in each period while a command is at work; the rest is asked once for each request."""
    for name, point, what in (
        (command.source, command.request, "request"),
        (command.destination, command.acknowledge, "acknowledge"),
    ):
        carries = ((command.name, what),)
        yield RequestRow(name, False, READ_FUNCTIONS[point.table], point.span, carries, command.period_ns)


def _reads(sweep: Sweep) -> list[ReadRequest]:
    """In the order in which they are asked; a counter that guards them before and after."""
    reads = list(sweep.reads) * sweep.rounds
    return reads if sweep.guard is None else [sweep.guard, *reads, sweep.guard]


def _carried(sweep: Sweep, cuts: Sequence[Cut]) -> tuple[tuple[str, str], ...]:
    carried: list[tuple[str, str]] = []
    for cut in cuts:
        transfer = sweep.transfers[cut.transfer].transfer
        words = {ALIVE: "alive", STATUS: "status", GUARD: "guard"}
        carried.append((transfer.name, words.get(cut.value) or transfer.values[cut.value].name))
    return tuple(carried)
