"""Reading the registers to search in from a controller: the survey's runner carries it out, its guard lets only reads
leave."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Final

from wherry.errors import LinkError
from wherry.limits import READ_BITS_MAX, READ_REGISTERS_MAX
from wherry.plan.model import Span, Table
from wherry.protocol.pdu import ReadCoils, ReadDiscreteInputs, ReadHoldingRegisters, ReadInputRegisters, unpack_bits
from wherry.protocol.prepared import Prepared, prepare
from wherry.survey.asking import Exchange, Kind, Phase, Procedure, Rest
from wherry.survey.snapshot import Reading, Snapshot

SILENCES_MAX: Final = 3
"""Requests in a row without an answer, after which the device is left alone."""
NOTICE_NS: Final = 1_000_000
CLOSED_MAX: Final = 5
"""So often a connection may be closed in one wait."""
READS: Final = {
    Table.COIL: ReadCoils,
    Table.DISCRETE: ReadDiscreteInputs,
    Table.INPUT: ReadInputRegisters,
    Table.HOLDING: ReadHoldingRegisters,
}


def read_rounds(
    spans: Sequence[Span], unit: int, rounds: int, every_ns: int, most: int, ask: Callable[[int], None] | None = None
) -> Procedure[Snapshot]:
    """Read all spans, ``rounds`` times, ``every_ns`` apart, at most ``most`` registers in one request. What is refused
    is read again in halves, down to single items; a single one that is refused is left out. ``ask`` is called before
    each round with its number, from 0. LinkError when the device resets the connection, or answers nothing."""
    readings: list[Reading] = []
    refused: set[tuple[Table, int]] = set()
    for number in range(rounds):
        if ask is not None:
            ask(number)
        if number:
            yield from _wait(every_ns, readings[-1].at_ns if readings else 0)
        yield Phase(f"reading {number + 1} of {rounds}", sum(-(-span.count // most) for span in spans))
        for span in spans:
            readings += yield from _read(span, unit, most, refused)
    return Snapshot(tuple(readings))


def _wait(every_ns: int, since_ns: int) -> Procedure[None]:
    """Rest, also if the device closes the connection meanwhile, or has closed it while somebody was asked: it is made
    anew, and what is left of the rest is taken."""
    due_ns, left_ns = since_ns + every_ns, max(every_ns, NOTICE_NS)
    for _ in range(CLOSED_MAX):
        answer = yield Rest(left_ns)
        left_ns = due_ns - answer.at_ns
        if answer.kind is not Kind.LOST or left_ns <= 0:
            return


def _read(span: Span, unit: int, most: int, refused: set[tuple[Table, int]]) -> Procedure[list[Reading]]:
    """One span, in as few requests as it takes. Items that were refused alone are not asked for again."""
    size = min(
        most if not span.table.is_bits else 16 * most, READ_BITS_MAX if span.table.is_bits else READ_REGISTERS_MAX
    )
    waiting = [(start, min(size, span.stop - start)) for start in range(span.start, span.stop, size)][::-1]
    found: list[Reading] = []
    silences = 0
    while waiting:
        start, count = waiting.pop()
        if count == 1 and (span.table, start) in refused:
            continue
        if count > 1 and any((span.table, address) in refused for address in range(start, start + count)):
            waiting += [(start + count // 2, count - count // 2), (start, count // 2)]
            continue
        answer = yield Exchange(_request(span.table, unit, start, count), may_fail=True)
        if answer.kind is Kind.LOST:
            raise LinkError(f"the connection was lost: {answer.why}; nothing more was asked")
        silences = silences + 1 if answer.kind is Kind.SILENT else 0
        if silences >= SILENCES_MAX:
            raise LinkError(f"unit {unit} answered none of {silences} requests in a row; nothing more was asked")
        if answer.is_data:
            found.append(Reading(answer.at_ns, span.table, start, _items(span.table, answer.payload, count)))
        elif count > 1:
            waiting += [(start + count // 2, count - count // 2), (start, count // 2)]
        else:
            refused.add((span.table, start))
    return found


def _request(table: Table, unit: int, start: int, count: int) -> Prepared:
    return prepare(unit, READS[table](start, count))


def _items(table: Table, payload: bytes, count: int) -> tuple[int, ...]:
    if table.is_bits:
        return tuple(int(bit) for bit in unpack_bits(payload, count))
    return tuple(int.from_bytes(payload[at : at + 2], "big") for at in range(0, 2 * count, 2))
