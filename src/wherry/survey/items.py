"""Reads of one table of one unit: each is made once and remembered, and what is known of each address is kept."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from enum import IntEnum

from wherry.errors import LocalError
from wherry.limits import ITEMS_PER_TABLE, READ_BITS_MAX, READ_REGISTERS_MAX
from wherry.plan.model import Span, Table
from wherry.plan.profile import Holes as Holes
from wherry.protocol.functions import ExceptionCode
from wherry.protocol.message import unpack_bits, unpack_registers
from wherry.protocol.pdu import ReadCoils, ReadDiscreteInputs, ReadHoldingRegisters, ReadInputRegisters
from wherry.protocol.prepared import Prepared, prepare
from wherry.survey.asking import Answer, Exchange, Procedure

_READS = {
    Table.COIL: ReadCoils,
    Table.DISCRETE: ReadDiscreteInputs,
    Table.HOLDING: ReadHoldingRegisters,
    Table.INPUT: ReadInputRegisters,
}


class State(IntEnum):
    """What is known of one address."""

    UNKNOWN = 0
    """Not looked at."""
    READABLE = 1
    ABSENT = 2
    """Refused, or shown to be left out."""
    ZERO = 3
    """Reads as zero where the device fills holes with zeros: it may not exist."""
    COVERED = 4
    """Comes with a read that begins before it and holds zero: it may not exist."""


class BudgetSpentError(Exception):
    """This table has had its share of requests."""


class SurpriseError(Exception):
    """What the device does does not fit the behaviour that was taken for its own."""

    def __init__(self, holes: Holes | None, why: str) -> None:
        super().__init__(why)
        self.holes = holes


def read_of(unit: int, table: Table, start: int, count: int) -> Prepared:
    """The request that reads these items."""
    return prepare(unit, _READS[table](start, count))


def words_of(table: Table, answer: Answer, count: int) -> tuple[int, ...]:
    """The items of an answer: registers, or bits as 0 and 1."""
    if table.is_bits:
        return tuple(map(int, unpack_bits(answer.payload, count)))
    return unpack_registers(answer.payload)


@dataclass
class Items:
    """The addresses ``low`` up to (not including) ``high`` of one table."""

    unit: int
    table: Table
    low: int
    high: int
    budget: int
    """Reads that may still be made."""
    most: int = 0
    """Items in one read as far as is known: the standard's limit at first."""
    known: dict[tuple[int, int], Answer] = field(default_factory=dict)
    state: dict[int, State] = field(default_factory=dict)
    starts: set[int] = field(default_factory=set)
    """Addresses from which a read may begin, where it may not begin anywhere."""
    wholes: dict[int, int] = field(default_factory=dict)
    """Values of several registers that cannot be read in parts: count by address."""
    samples: list[tuple[int, int, tuple[int, ...]]] = field(default_factory=list)
    """Every reading: instant, start, words."""
    times: list[tuple[int, int]] = field(default_factory=list)
    """Count and response time in nanoseconds of every read that was answered with data."""

    def __post_init__(self) -> None:
        if not 0 <= self.low < self.high <= ITEMS_PER_TABLE:
            raise LocalError(f"addresses {self.low} to {self.high - 1} are not within 0 to {ITEMS_PER_TABLE - 1}")
        self.most = self.most or (READ_BITS_MAX if self.table.is_bits else READ_REGISTERS_MAX)

    def read(self, start: int, count: int, *, anew: bool = False, may_fail: bool = False) -> Procedure[Answer]:
        """Read, or remember what became of the same read."""
        known = self.known.get((start, count))
        if known is not None and not anew:
            return known
        if self.budget <= 0:
            raise BudgetSpentError
        self.budget -= 1
        answer = yield Exchange(read_of(self.unit, self.table, start, count), may_fail=may_fail)
        self.known[start, count] = answer
        if answer.is_data:
            self.samples.append((answer.at_ns, start, words_of(self.table, answer, count)))
            self.times.append((count, answer.elapsed_ns))
        return answer

    def gives(self, start: int, count: int) -> Procedure[bool]:
        """Whether a read gives data. False for what lies outside, without asking."""
        if start < self.low or start + count > self.high:
            return False
        answer = yield from self.read(start, count)
        return answer.is_data

    def was_refused(self, start: int, count: int) -> bool:
        """Whether this read was made and gave nothing."""
        answer = self.known.get((start, count))
        return answer is not None and not answer.is_data

    def words(self, start: int, count: int) -> tuple[int, ...]:
        """What a read gave that was made."""
        return words_of(self.table, self.known[start, count], count)

    def given(self) -> list[tuple[int, int]]:
        """The reads that gave data: start and count."""
        return [span for span, answer in self.known.items() if answer.is_data]

    def refused(self) -> list[tuple[int, int]]:
        """The reads that did not."""
        return [span for span, answer in self.known.items() if not answer.is_data]

    def mark(self, start: int, stop: int, state: State) -> None:
        """Note what is known of addresses."""
        for address in range(start, stop):
            self.state[address] = state

    def forget_states(self) -> None:
        """Begin the map again; what was read stays known."""
        self.state.clear()
        self.starts.clear()
        self.wholes.clear()

    def spans(self, *states: State) -> tuple[Span, ...]:
        """Runs of addresses in one of these states."""
        runs = runs_of(at for at in range(self.low, self.high) if self.state.get(at, State.UNKNOWN) in states)
        return tuple(Span(self.table, start, stop - start) for start, stop in runs)

    def not_zero(self) -> set[int]:
        """Addresses at which something other than zero was seen in any reading."""
        return {start + at for _, start, words in self.samples for at, word in enumerate(words) if word}


def runs_of(addresses: Iterable[int]) -> list[tuple[int, int]]:
    """Start and stop of runs of rising numbers."""
    runs: list[tuple[int, int]] = []
    for each in addresses:
        if runs and runs[-1][1] == each:
            runs[-1] = (runs[-1][0], each + 1)
        else:
            runs.append((each, each + 1))
    return runs


def is_not_served(answer: Answer) -> bool:
    """Whether an answer says that the function or the unit itself is not there."""
    return not answer.is_answer or answer.code in (
        ExceptionCode.ILLEGAL_FUNCTION,
        ExceptionCode.GATEWAY_PATH_UNAVAILABLE,
        ExceptionCode.GATEWAY_TARGET_FAILED,
    )
