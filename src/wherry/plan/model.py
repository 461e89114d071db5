"""The resolved plan: what the user declared with every default written out. Frozen; durations in nanoseconds.

Nothing here knows about files: ``path`` is the place in the document, from which the document finds line and column.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from enum import StrEnum
from typing import Final

from wherry import limits as bounds
from wherry.findings import Path
from wherry.plan.durations import YEAR_NS as YEAR_NS
from wherry.protocol.functions import Framing as Framing
from wherry.protocol.functions import Table as Table
from wherry.protocol.tolerance import Tolerance
from wherry.values.scaling import Rounding as Rounding
from wherry.values.scaling import Scale as Scale
from wherry.values.types import BOOL, Order, ValueType, raw

REFERENCE_DIGIT: Final = {Table.COIL: 0, Table.DISCRETE: 1, Table.INPUT: 3, Table.HOLDING: 4}
"""First digit of a reference number (common practice, no source; the specification numbers items from 1, 4.4)."""


ENDURANCE_WRITES: Final = 100_000
"""Writes that a non-volatile place is taken to stand unless the plan says it (common practice, no source; manuals name
10,000 to 1,000,000)."""

LIFE_NS: Final = 10 * YEAR_NS
"""How long a non-volatile place must last unless the plan says it (a choice of ours)."""


class OnLoss(StrEnum):
    """What the receiver is given while the source is lost or a value is Bad."""

    HOLD = "hold"
    SUBSTITUTE = "substitute"


class Storage(StrEnum):
    """How a place of a controller is kept. UNKNOWN counts as wearing."""

    VOLATILE = "volatile"
    NON_VOLATILE = "non-volatile"
    UNKNOWN = "unknown"


class OnStep(StrEnum):
    """What becomes of a value that is further than its ``step`` from what the receiver holds."""

    RAMP = "ramp"
    HOLD = "hold"


class Direction(StrEnum):
    """Which way a counter counts."""

    UP = "up"
    DOWN = "down"


class WhenSilent(StrEnum):
    """What a controller does when nothing is written to it any more."""

    HOLDS = "holds"
    FALLS_BACK = "falls back"
    STOPS = "stops"
    RUNS_ON = "runs on"

    @property
    def words(self) -> str:
        """A sentence without its subject, for people."""
        return _WHEN_SILENT[self]


_WHEN_SILENT: Final = {
    WhenSilent.HOLDS: "holds the last values",
    WhenSilent.FALLS_BACK: "falls back to values of its own",
    WhenSilent.STOPS: "stops",
    WhenSilent.RUNS_ON: "runs on to a limit",
}


@dataclass(frozen=True, slots=True, order=True)
class Span:
    """A run of items in one table: ``count`` registers or bits from ``start`` (PDU address, from zero)."""

    table: Table
    start: int
    count: int

    @property
    def stop(self) -> int:
        """One past the last address."""
        return self.start + self.count

    @property
    def last(self) -> int:
        return self.start + self.count - 1

    def __str__(self) -> str:
        return f"{self.table} {self.start}" if self.count == 1 else f"{self.table} {self.start}..{self.last}"


@dataclass(frozen=True, slots=True)
class Point:
    """One typed value at one place in one controller.

    ``bit`` (0 is the least significant) is set for a bool inside a register; then ``type`` is bool and ``count`` is 1.
    ``text`` is the place as the user wrote it.
    """

    table: Table
    address: int
    type: ValueType = BOOL
    order: Order = Order.ABCD
    bit: int | None = None
    text: str = field(default="", compare=False)
    path: Path = field(default=(), compare=False)
    span: Span = field(init=False, repr=False, compare=False)
    """The items that it takes. Worked out once: packing and budgets ask for it again and again."""

    def __post_init__(self) -> None:
        count = max(1, self.type.length) if self.table.is_bits else self.type.registers
        object.__setattr__(self, "span", Span(self.table, self.address, count))

    @property
    def count(self) -> int:
        """Items it takes: bits in a table of bits, registers otherwise."""
        return self.span.count

    def __str__(self) -> str:
        place = f"{self.table} {self.address}"
        if self.bit is not None:
            return f"{place}.{self.bit}"
        if self.count > 1 and self.type.kind == "raw":
            return str(self.span)
        if self.table.is_bits:
            return place
        order = f" {self.order}" if self.order is not Order.ABCD else ""
        return f"{place} {self.type}{order}"


def reference_number(table: Table, address: int) -> str:
    """The reference number from one: five digits while it fits, six otherwise (``40001``, ``410001``)."""
    number = address + 1
    digit = REFERENCE_DIGIT[table]
    return f"{digit}{number:04d}" if number <= 9999 else f"{digit}{number:05d}"


class Connection(StrEnum):
    """What becomes of a connection when all that was asked is answered."""

    HOLD = "hold"
    PER_EXCHANGE = "per exchange"


@dataclass(frozen=True, slots=True)
class Limits:
    """What a controller stands. The defaults are the safe ones: the standard's quantities, one request at a time."""

    read_registers: int = bounds.READ_REGISTERS_MAX
    write_registers: int = bounds.WRITE_REGISTERS_MAX
    read_bits: int = bounds.READ_BITS_MAX
    write_bits: int = bounds.WRITE_BITS_MAX
    in_flight: int = 1
    connections: int = 1
    gap_ns: int = 0
    """Least time from the end of one exchange to the next request."""
    requests_per_s: float | None = None
    timeout_ns: int = 1_000_000_000
    """How long a reply is waited for."""
    reconnect_ns: int = 500_000_000
    """First wait before a new connection; it doubles, with jitter, up to ``reconnect_ns_max``."""
    reconnect_ns_max: int = 5_000_000_000
    connects_per_hour: int | None = None
    """Attempts to connect within any hour; None: no limit."""
    idle_ns: int | None = None
    """The device closes a connection on which nothing was asked for this long; None: it does not, or nobody knows."""
    connection: Connection = Connection.HOLD
    gateway_timeout_ns: int | None = None
    """How long a gateway waits for one of its units before it gives up."""

    def read_count_max(self, table: Table) -> int:
        return self.read_bits if table.is_bits else self.read_registers

    def write_count_max(self, table: Table) -> int:
        return self.write_bits if table.is_bits else self.write_registers


@dataclass(frozen=True, slots=True)
class ResponseTime:
    """How long a controller takes to answer, as declared: fixed plus per register. Used for packing and simulation."""

    fixed_ns: int = 5_000_000
    per_register_ns: int = 20_000
    is_declared: bool = False


@dataclass(frozen=True, slots=True)
class Signal:
    """A moving value of a simulated controller (``wherry simulate``)."""

    at: Point
    shape: str  # constant, ramp, sine, walk, counter, step
    low: float = 0.0
    high: float = 100.0
    period_ns: int = 60_000_000_000
    path: Path = ()


@dataclass(frozen=True, slots=True)
class Simulation:
    """How a controller behaves when simulated. Never used against a real one."""

    signals: tuple[Signal, ...] = ()
    holes: tuple[Span, ...] = ()
    path: Path = ()


class BitWrites(StrEnum):
    """How a bit inside a register is set."""

    MASK = "mask"
    """With function 16 (hex), which leaves the other bits alone."""
    READ_CHANGE_WRITE = "read-change-write"


@dataclass(frozen=True, slots=True)
class IdentityRegister:
    """A place that tells one device from another by what it holds. ``data`` as it travels, ``content`` as written."""

    at: Point
    data: bytes
    content: str
    path: Path = ()


@dataclass(frozen=True, slots=True)
class Identity:
    """What a controller must say of itself: objects of function 2B/0E (hex) by number, and contents of registers."""

    objects: tuple[tuple[int, str], ...] = ()
    registers: tuple[IdentityRegister, ...] = ()
    path: Path = ()


@dataclass(frozen=True, slots=True)
class Controller:
    """One device that answers requests."""

    name: str
    host: str
    port: int = bounds.TCP_PORT_DEFAULT
    framing: Framing = Framing.MBAP
    unit: int = 1
    limits: Limits = Limits()
    response: ResponseTime = ResponseTime()
    readable: tuple[Span, ...] = ()
    """Spans that may be read even where no value is declared (gaps inside them may be read over)."""
    write_single: bool = False
    """Write single items with functions 05 and 06 rather than 0F and 10 (hex)."""
    simulation: Simulation = Simulation()
    path: Path = ()
    lease_ns: int | None = None
    """How long it keeps what it was given; None: as long as it likes, or not known."""
    when_silent: WhenSilent | None = None
    """What it does when nothing is written to it any more; None: nobody has said."""
    bit_writes: BitWrites = BitWrites.MASK
    owned: tuple[Span, ...] = ()
    """Holding registers that nobody but this plan writes."""
    identity: Identity | None = None
    storage: Storage = Storage.UNKNOWN
    """How its places are kept, where neither the transfer nor the value says it."""
    endurance: int = ENDURANCE_WRITES
    """Writes that a non-volatile place stands."""
    life_ns: int = LIFE_NS
    """How long its non-volatile places must last."""
    tolerate: tuple[Tolerance, ...] = ()
    """Ways of breaking the rules in which its replies are taken all the same, and nothing of it is Good."""
    profile: str = ""
    """The file of its device profile, as the plan names it; empty: there is none."""
    absent: tuple[Span, ...] = ()
    """Where its profile says that nothing is."""
    starts: tuple[Span, ...] = ()
    """Where a read may begin, if its profile says that it may not begin anywhere."""
    wholes: tuple[Span, ...] = ()
    """Values of several registers that, as its profile says, cannot be read in parts."""

    baud: int | None = None
    """The rate of the serial line behind its gateway, in bits a second; None: there is none, or it is not declared."""
    update_ns: int | None = None
    """How often its program renews what it shows; None: not said, and not counted."""
    scan_ns: int | None = None
    """How often its program looks at what was put; None: not said, and not counted."""

    def owns_word(self, point: Point) -> bool:
        """Whether a bit is set there by reading, changing and writing its word, which is declared as ours."""
        return self.bit_writes is BitWrites.READ_CHANGE_WRITE and any(
            span.table is point.table and span.start <= point.address < span.stop for span in self.owned
        )


@dataclass(frozen=True, slots=True)
class Value:
    """One value of a transfer: where it is taken, what is done to it, where it is put.

    The way of a number: the ``take`` point's number -> ``take_scale`` -> the value in ``unit`` (shown to people, held
    against ``range``) -> converted to ``put_unit`` -> ``scale`` -> rounded -> the ``put`` point's number.
    Raw and text values go through unchanged.
    """

    name: str
    take: Point
    put: Point
    take_scale: Scale | None = None
    scale: Scale | None = None
    unit: str = ""
    put_unit: str = ""
    """Empty: the same as ``unit``."""
    range: tuple[float, float] | None = None
    not_available: tuple[int, ...] = ()
    """Register contents (as unsigned whole numbers over all registers, high word first) that mean "no value"."""
    clamp: bool = False
    """A number beyond what the destination holds is put as the nearest one it holds, and is Uncertain; else it is
    Bad."""
    rounding: Rounding = Rounding.EVEN
    substitute: float | bool | str | None = None
    """What is put instead while the value is Bad and ``on_loss = "substitute"``: in ``unit``, and converted like any
    value."""
    group: str = ""
    """Values of one group are read in one request and written in one request."""
    is_copy: bool = False
    path: Path = ()
    jump: float | None = None
    """The largest step of the source's value within one period, in ``unit``; a larger one is Bad."""
    counter: Direction | None = None
    """A counter moves this way only; a reading that went the other way is Bad."""
    modulus: float | None = None
    """The number, in ``unit``, at which the counter begins again from 0; None if it does not."""

    deadband: float | None = None
    """By how much, in ``unit``, a value must differ from the one written last to be written again."""
    shortest_ns: int = 0
    """Least time between two writes."""
    refresh_ns: int | None = None
    """Longest time between two writes; None: only a change counts."""
    is_on_change: bool = False
    """Whether it is written on change; else in every cycle."""
    is_alive: bool = False
    """The source's own counter on its way to ``alive_put``: as it is, whatever becomes of the other values."""

    storage: Storage = Storage.UNKNOWN
    """How its place is kept: as the value says, else its transfer, else the controller."""
    step: float | None = None
    """The largest change of its place in one period, in ``unit``; the place is read before each write."""
    on_step: OnStep = OnStep.RAMP
    verify_ns: int | None = None
    """Its place is read back, and must hold what was put after this time; None: it is not read back."""
    verify_at: Point | None = None
    """Another point that shows what became of it, in the same numbers; None: the place itself."""
    tolerance: float = 0.0
    """How far what is read back may be off, in ``unit``."""

    @property
    def is_watched(self) -> bool:
        """Whether a reading is held against the one before it."""
        return self.jump is not None or self.counter is not None


@dataclass(frozen=True, slots=True)
class Careful:
    """How a source is read that can be caught in the middle of an update."""

    guard: Point | None = None
    """A counter that the source moves when it begins and when it ends an update; even while it is at rest."""
    gap_ns: int | None = None
    """Everything is read twice, with at least this time in between, and must be equal; None: read once."""
    tries: int = 3
    """How many readings there are at most in one cycle."""


@dataclass(frozen=True, slots=True)
class Transfer:
    """Values carried together from one controller to another at one period."""

    name: str
    source: str
    destination: str
    period_ns: int
    max_age_ns: int
    values: tuple[Value, ...]
    on_loss: OnLoss = OnLoss.HOLD
    on_loss_is_declared: bool = False
    alive: Point | None = None
    """The source program's own counter: it must keep moving."""
    status: Span | None = None
    """Four holding registers in the receiver: heartbeat, quality, age in ms, sequence."""
    path: Path = ()
    careful: Careful | None = None
    """How torn readings are kept out; None: a reply's registers belong together."""
    storage: Storage = Storage.UNKNOWN
    """How the status registers are kept: as the transfer says, else the controller."""


@dataclass(frozen=True, slots=True)
class Command:
    """Something that is to be done once in the destination, when the source asks for it with a new request number."""

    name: str
    source: str
    destination: str
    period_ns: int
    request: Point
    """The request number in the source: another one than before asks for the command; 0 asks for nothing."""
    put: Point
    """Where the request number goes in the destination."""
    acknowledge: Point
    """The number of the request that the destination has carried out last."""
    expiry_ns: int
    """How long a request is good for."""
    values: tuple[Value, ...] = ()
    """Parameters: put before the request number, or in the same request."""
    result: Point | None = None
    """One register in the destination that is read once it has acknowledged."""
    answer: Span | None = None
    """Three holding registers in the source: request number, outcome, result."""
    path: Path = ()

    def places_in(self, controller_name: str) -> list[Span]:
        """Everything that is read or written in one controller."""
        found: list[Span] = []
        if controller_name == self.source:
            found += [self.request.span, *(value.take.span for value in self.values)]
            found += [self.answer] if self.answer is not None else []
        if controller_name == self.destination:
            found += [self.put.span, self.acknowledge.span, *(value.put.span for value in self.values)]
            found += [self.result.span] if self.result is not None else []
        return found

    @property
    def as_transfer(self) -> Transfer:
        """What is put, as a transfer: the parameters and, last, the request number."""
        number = Value(
            f"request number of {self.name}",
            replace(self.request, type=raw(1)),
            replace(self.put, type=raw(1)),
            is_copy=True,
            path=self.path,
        )
        values = (*self.values, number)
        return Transfer(
            self.name, self.source, self.destination, self.period_ns, self.expiry_ns, values, path=self.path
        )

    @property
    def answer_as_transfer(self) -> Transfer | None:
        """The answer on its way back, as a transfer; for those who look at what is put where."""
        if self.answer is None:
            return None
        path = (*self.path, "answer")
        take = replace(self.acknowledge, type=raw(1))
        put = Point(self.answer.table, self.answer.start, raw(self.answer.count), text=str(self.answer), path=path)
        value = Value(f"answer to {self.name}", take, put, is_copy=True, path=path)
        return Transfer(
            self.name, self.destination, self.source, self.period_ns, self.expiry_ns, (value,), path=self.path
        )


@dataclass(frozen=True, slots=True)
class Plan:
    """The whole plan. ``controllers`` and ``transfers`` keep the order of the file."""

    title: str
    controllers: tuple[Controller, ...]
    transfers: tuple[Transfer, ...]
    file: str = ""
    commands: tuple[Command, ...] = ()

    @property
    def putting(self) -> tuple[Transfer, ...]:
        """Everything that is put anywhere: the transfers, and the commands and their answers as transfers."""
        answers = (each.answer_as_transfer for each in self.commands)
        return (
            *self.transfers,
            *(each.as_transfer for each in self.commands),
            *(each for each in answers if each is not None),
        )

    def controller(self, name: str) -> Controller:
        """The controller of that name; KeyError if there is none."""
        for each in self.controllers:
            if each.name == name:
                return each
        raise KeyError(name)
