"""The inside of a simulated controller: registers that its program moves, what was asked of it, faults on demand."""

from __future__ import annotations

from bisect import bisect_left
from collections import Counter, deque
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from typing import Final

from wherry.plan.model import Table
from wherry.protocol.store import MemoryStore
from wherry.simulate.signals import Mover

WRITES_KEPT: Final = 1000
"""How many of the last writes are remembered."""

KNOWN_MAX: Final = 1024
"""For how many runs of items it is remembered what moves in them."""


@dataclass(frozen=True, slots=True)
class WriteRecord:
    """One write that was carried out. ``data`` as it travels: registers big-endian, bits from the lowest."""

    at_ns: int
    table: Table
    address: int
    count: int
    data: bytes


@dataclass(frozen=True, slots=True)
class Fault:
    """What goes wrong with one reply. Without anything set it is the right one."""

    delay_ns: int = 0
    """It comes this much later. Others are served meanwhile, as by a gateway, unless ``holds_up``."""
    holds_up: bool = False
    """Everything that comes after waits for it."""
    is_silent: bool = False
    """No reply at all."""
    closes: bool = False
    """The connection is closed in place of the reply."""
    exception: int | None = None
    """Refused with this exception code; nothing is carried out."""
    ignores: bool = False
    """Answered as if carried out, but nothing is written: a controller in local mode."""
    transaction_shift: int = 0
    """Added to the transaction id of the reply."""
    unit: int | None = None
    """Another unit id in the reply."""
    pdu: bytes | None = None
    """Another response PDU."""
    truncate_bytes: int | None = None
    """Only so many bytes of the reply are sent."""
    split_ns: int | None = None
    """The reply is sent byte by byte, with this time between them."""
    repeats: int = 0
    """The reply is sent this many times more."""
    repeat_ns: int = 0
    """The time between these; 0: they come at once."""
    alter: Callable[[bytes], bytes] | None = None
    """Makes another frame of the reply's, header and all, as it leaves."""
    joins_ns: int = 0
    """It waits up to this time for the reply after it, and leaves in one piece with that."""


FaultHook = Callable[[int, int, bytes], Fault | None]
"""Asked for each request: its number (from 0), unit id and PDU. None: no fault."""

Served = Callable[[int, int, bytes, bytes], None]
"""Told of each request that has been carried out, before its answer leaves: the instant in ns of the event loop, unit
id, request PDU, and the answer PDU as the controller made it, whatever a fault does to it on the way out; empty when
it makes none (a broadcast, or listening only)."""


@dataclass(slots=True)
class Door:
    """How an address keeps its connections. It belongs to the first controller there that has one."""

    connections_max: int | None = None
    """How many it takes at once; None: as the plan says."""
    idle_ns: int | None = None
    """A connection on which nothing was asked for this long is closed."""
    held_ns: int = 0
    """A connection that its client did not close itself (it was reset) keeps its place for this long."""
    connects_per_hour_max: int | None = None
    """More than this, and the device locks up: it accepts, and answers nothing any more."""
    queue_max: int | None = None
    """With so many requests waiting a further one is refused with 06 (server device busy)."""
    answers_late: bool = False
    """What a lost connection had asked is carried out all the same, and answered on one that is open then."""
    is_locked: bool = False


@dataclass(slots=True)
class Counts:
    """What a simulated controller has seen. Connections are those of its address, also when units share it."""

    requests: Counter[int] = field(default_factory=Counter)
    """By function code, whatever the answer was."""
    exceptions: Counter[int] = field(default_factory=Counter)
    """Refusals, by exception code."""
    reads: int = 0
    """Read requests that were carried out."""
    writes: int = 0
    """Write requests that were carried out."""
    unanswered: int = 0
    """Requests that got no reply: by a fault, or because the connection had gone."""
    other_unit: int = 0
    """Requests for a unit that is not here."""
    connections: int = 0
    connections_refused: int = 0
    connections_open_max: int = 0
    in_flight_max: int = 0
    """Most requests of one connection that waited for their answer at the same time."""
    gap_ns_min: int | None = None
    """Least time from an answer to the next request on the same connection."""

    @property
    def request_count(self) -> int:
        """All requests."""
        return sum(self.requests.values())


class MovingStore:
    """The four tables of a simulated controller, brought up to date whenever they are looked at.

    ``scan_ns`` gives the instant of the program's scan, in the time of the movers: everything read from one scan
    belongs together. ``clock_ns`` gives the instant that is noted beside a write. What moves in a hole is left out.
    """

    def __init__(
        self,
        memory: MemoryStore,
        movers: Iterable[Mover],
        scan_ns: Callable[[], int],
        clock_ns: Callable[[], int],
    ) -> None:
        self.memory = memory
        self.writes: deque[WriteRecord] = deque(maxlen=WRITES_KEPT)
        self.ignores_writes = False
        self._scan_ns = scan_ns
        self._clock_ns = clock_ns
        existing = [each for each in movers if not memory.refusal(each.table, each.address, each.count, is_write=False)]
        self._moving = {table: _Moving([each for each in existing if each.table is table]) for table in Table}

    @property
    def movers(self) -> list[Mover]:
        """What moves now."""
        return [each for moving in self._moving.values() for each in moving.all]

    def pin(self, table: Table, address: int, count: int, bit: int | None = None) -> None:
        """Stop whatever moves these items; they keep what they hold until they are written."""
        self.refresh(table, address, count)
        kept: list[Mover] = []
        for each in self._moving[table].all:
            stop = each.address + each.count
            if stop <= address or address + count <= each.address or (None not in (bit, each.bit) and bit != each.bit):
                kept.append(each)
            elif each.part is not None:
                runs = ((each.address, address), (address + count, stop))
                kept += (each.part(start, end) for start, end in runs if start < end)
        self._moving[table] = _Moving(kept)

    def change(self, made: Callable[[Mover], Mover]) -> None:
        """Let everything move otherwise: ``made`` gives the movement that takes the place of each."""
        self._moving = {table: _Moving([made(each) for each in moving.all]) for table, moving in self._moving.items()}

    def add(self, mover: Mover) -> None:
        """Let something more move, after everything that moves already."""
        self._moving[mover.table] = _Moving([*self._moving[mover.table].all, mover])

    def refresh(self, table: Table, address: int, count: int) -> None:
        """Let the program have written what it moves among these items."""
        memory = self.memory
        now_ns: int | None = None
        for mover in self._moving[table].within(address, count):
            if now_ns is None:
                now_ns = self._scan_ns()
            data = mover.bytes_at(now_ns)
            if table.is_bits:
                memory.write_bits(table, mover.address, mover.count, data)
            elif mover.bit is None:
                memory.write_registers(table, mover.address, data)
            else:
                self.write_bit(table, mover.address, mover.bit, data != b"\x00")

    def write_bit(self, table: Table, address: int, bit: int, is_on: bool) -> None:
        """Set one bit of a register and leave its neighbours."""
        word = int.from_bytes(self.memory.read_registers(table, address, 1), "big")
        word = word | 1 << bit if is_on else word & ~(1 << bit)
        self.memory.write_registers(table, address, word.to_bytes(2, "big"))

    # The store that a responder answers from.

    def refusal(self, table: Table, address: int, count: int, *, is_write: bool) -> int:
        """The exception code for these items; 0 when they exist."""
        return self.memory.refusal(table, address, count, is_write=is_write)

    def read_bits(self, table: Table, address: int, count: int) -> bytes:
        """Bits as they travel, of the present scan."""
        self.refresh(table, address, count)
        return self.memory.read_bits(table, address, count)

    def write_bits(self, table: Table, address: int, count: int, data: bytes) -> None:
        """Set bits; the write is remembered."""
        self.writes.append(WriteRecord(self._clock_ns(), table, address, count, data))
        if not self.ignores_writes:
            self.memory.write_bits(table, address, count, data)

    def read_registers(self, table: Table, address: int, count: int) -> bytes:
        """Registers as they travel, of the present scan."""
        self.refresh(table, address, count)
        return self.memory.read_registers(table, address, count)

    def write_registers(self, table: Table, address: int, data: bytes) -> None:
        """Set registers; the write is remembered."""
        self.writes.append(WriteRecord(self._clock_ns(), table, address, len(data) // 2, data))
        if not self.ignores_writes:
            self.memory.write_registers(table, address, data)


class _Moving:
    """The movers of one table, to be found by address and applied in their own order."""

    __slots__ = ("_addresses", "_known", "_ordered", "_width_max", "all")

    def __init__(self, movers: Sequence[Mover]) -> None:
        self.all = list(movers)
        self._ordered = sorted(enumerate(movers), key=lambda each: each[1].address)
        self._addresses = [mover.address for _, mover in self._ordered]
        self._width_max = max((each.count for each in movers), default=0)
        self._known: dict[tuple[int, int], list[Mover]] = {}

    def within(self, address: int, count: int) -> list[Mover]:
        """The movers that touch these items."""
        known = self._known.get((address, count))
        if known is not None:
            return known
        start = bisect_left(self._addresses, address - self._width_max + 1)
        stop = bisect_left(self._addresses, address + count)
        found = [each for each in self._ordered[start:stop] if each[1].address + each[1].count > address]
        found.sort(key=lambda each: each[0])
        if len(self._known) >= KNOWN_MAX:
            self._known.clear()
        self._known[address, count] = result = [mover for _, mover in found]
        return result
