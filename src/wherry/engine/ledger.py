"""How often each place that wears out has been written: a file that outlives every run, and is never below the truth.

A write is on disk before it leaves. For a place of declared non-volatile storage each one is written down by itself,
so that the count is exact, also after a kill at any instant. Places whose storage nobody declared may be written
several times a second: for them blocks are reserved ahead, of a size that doubles while they are written often, and
after a kill the count is the end of the block. A run that ends by itself leaves exact counts.

One line for each shape of request (a run of registers or coils that were written together)::

    CRC ["controller", "table", first address, count, writes]

CRC is the CRC-32 (as in IEEE 802.3, by zlib) of the rest in 8 hexadecimal digits. The last line of a shape counts. A
last line that is cut short is passed over: it was on its way to the disk when the power went, and its write had not
left. Any other line that cannot be read is damage, and a reason not to start: what it counted would be missing.
"""

from __future__ import annotations

import json
import os
import zlib
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO, Final

from wherry.engine.file_lock import lock
from wherry.engine.guard import write_spans
from wherry.engine.job import touched
from wherry.errors import LocalError
from wherry.plan.model import Plan, Span, Storage, Table
from wherry.protocol.session import Prepared

BLOCK_WRITES_MAX: Final = 1024
"""Writes reserved ahead of places of undeclared storage: at five a second, one wait for the disk in 200 s."""
BYTES_MAX: Final = 1024 * 1024
"""The file is written anew when it is as large, and at every start."""
HEADS_MAX: Final = 4096
"""Heads of requests remembered; bounded, whatever is written."""
DAY_NS: Final = 86_400 * 10**9
WRITES_MIN: Final = 3
"""Fewer writes in a run tell no pace: the first one comes with the start."""
DAYS_MAX: Final = 365_250
"""Beyond a thousand years there is no date worth telling."""

Shape = tuple[str, str, int, int]
"""Controller, table, first address, count."""


class _Entry:
    """The writes of one shape."""

    __slots__ = ("begun_with", "block_writes", "count", "is_exact", "reserved", "shape")

    def __init__(self, shape: Shape, count: int) -> None:
        self.shape = shape
        self.count = self.reserved = self.begun_with = count
        self.is_exact = False
        self.block_writes = 1


@dataclass(frozen=True, slots=True)
class WornPlace:
    """One place that wears out, or may: its writes ever, and in this run."""

    controller: str
    span: Span
    name: str
    storage: Storage
    endurance: int
    writes: int
    writes_this_run: int

    def days_left(self, run_ns: int) -> float | None:
        """Days until it is worn out if it is written on as in this run; None if that cannot be told from so few writes,
        or is a thousand years away."""
        if self.writes_this_run < WRITES_MIN or run_ns <= 0:
            return None
        days = max(0, self.endurance - self.writes) / (self.writes_this_run - 1) * run_ns / DAY_NS
        return days if days <= DAYS_MAX else None


def append_to(path: Path) -> BinaryIO:
    """Open a file for appending."""
    return path.open("ab")


def wait_for_disk(file: BinaryIO) -> None:
    """Return when all that was written to the file is on the disk."""
    file.flush()
    os.fsync(file.fileno())


class Ledger:
    """The ledger of one plan. ``on_lost`` is told once, in a sentence, when the file cannot be written any more."""

    def __init__(
        self,
        path: Path,
        on_lost: Callable[[str], None],
        *,
        block_writes_max: int = BLOCK_WRITES_MAX,
        bytes_max: int = BYTES_MAX,
        opener: Callable[[Path], BinaryIO] = append_to,
        sync: Callable[[BinaryIO], None] = wait_for_disk,
    ) -> None:
        """OSError when the file cannot be read or written, LocalError when it is damaged or another run holds it.

        ``opener`` opens the file for appending, and ``sync`` returns when what was written to a file is on the disk.
        """
        self.path = path
        self.is_kept = True
        self._on_lost = on_lost
        self._block_writes_max = block_writes_max
        self._bytes_max = bytes_max
        self._opener = opener
        self._sync = sync
        self._lock = lock(path.with_name(path.name + ".lock"))
        if self._lock is None:
            raise LocalError(
                f"the ledger of writes {path} is held by another run of this plan; two at a time would fight over the "
                "same places: end the other one first"
            )
        try:
            self._entries = {shape: _Entry(shape, count) for shape, count in self._read()}
            self._write_anew()
        except BaseException:
            self._lock.close()
            raise

    # Counting.

    def entry(self, shape: Shape, *, is_exact: bool) -> _Entry:
        """The writes of a shape; a new one begins with none."""
        found = self._entries.get(shape)
        if found is None:
            found = self._entries[shape] = _Entry(shape, 0)
        found.is_exact = found.is_exact or is_exact
        return found

    def count(self, entry: _Entry) -> bool:
        """One more write is about to leave. False where it must not: it would wear a place out and not be counted."""
        if entry.count < entry.reserved:
            entry.count += 1
            return True
        if self.is_kept:
            # What is written seldom must not be counted as a large block at each kill, so the blocks begin with one.
            reserved = entry.count + (1 if entry.is_exact else entry.block_writes)
            if self._append(entry.shape, reserved):
                entry.block_writes = min(2 * entry.block_writes, self._block_writes_max)
                entry.reserved = reserved
                entry.count += 1
                return True
        if entry.is_exact:
            return False
        entry.count += 1
        return True

    def writes_at(self, controller: str, table: Table, address: int) -> tuple[int, int]:
        """How often a single register or coil was written: ever, and since this ledger was opened."""
        ever = run = 0
        for (name, of_table, start, count), entry in self._entries.items():
            if name == controller and of_table == table.value and start <= address < start + count:
                ever += entry.count
                run += entry.count - entry.begun_with
        return ever, run

    # The file.

    def close(self) -> None:
        """The run is over and nothing leaves any more: exact counts, and the file is free for the next run."""
        try:
            if self.is_kept:
                for entry in self._entries.values():
                    if entry.reserved != entry.count:
                        self._append(entry.shape, entry.count)
                self._file.close()
            else:
                # Writes to places of undeclared storage went on uncounted on the disk; there may be room by now.
                self._file.close()
                for entry in self._entries.values():
                    entry.reserved = max(entry.reserved, entry.count)
                self._write_anew()
                self._file.close()
        except OSError as failed:
            self._lose(failed)
        if self._lock is not None:
            self._lock.close()

    def _append(self, shape: Shape, writes: int) -> bool:
        line = _line(shape, writes)
        try:
            if self._size + len(line) > self._bytes_max:
                self._file.close()
                self._write_anew()
            self._file.write(line)
            self._sync(self._file)
        except OSError as failed:
            self._lose(failed)
            return False
        self._size += len(line)
        return True

    def _lose(self, failed: OSError) -> None:
        if not self.is_kept:
            return
        self.is_kept = False
        self._on_lost(
            f"the ledger of writes {self.path} cannot be written any more ({failed.strerror or failed}): NOTHING is "
            "written to non-volatile places until the next start, the rest of the exchange goes on; free the disk or "
            "choose another place with --ledger, and start again"
        )

    def _read(self) -> Iterator[tuple[Shape, int]]:
        """The last good line of each shape."""
        yield from read_counts(self.path).items()

    def _write_anew(self) -> None:
        """One line for each shape, in a new file that takes the place of the old one at one instant."""
        fresh = self.path.with_name(self.path.name + ".new")
        with fresh.open("wb") as file:
            file.write(b"".join(_line(shape, entry.reserved) for shape, entry in self._entries.items()))
            self._sync(file)
            self._size = file.tell()
        fresh.replace(self.path)
        _sync_directory(self.path.parent)
        self._file: BinaryIO = self._opener(self.path)
        # Twice what is there now is always allowed, or a large plan would write it anew each time.
        self._bytes_max = max(self._bytes_max, 2 * self._size + 1)


def read_counts(path: Path) -> dict[Shape, int]:
    """The writes of each shape by a ledger, which is only read and need not be there. OSError when it cannot be read,
    LocalError when it is damaged."""
    found: dict[Shape, int] = {}
    try:
        data = path.read_bytes()
    except FileNotFoundError:
        data = b""
    *lines, tail = data.split(b"\n")
    for number, line in enumerate(lines, 1):
        read = _parse(line)
        if read is None:
            raise LocalError(
                f"line {number} of the ledger of writes {path} is damaged, and with it a count is lost: take an older "
                "copy of the file, or remove the line, knowing that its writes are not counted then"
            )
        found[read[0]] = read[1]
    cut_short = _parse(tail)
    if cut_short is not None:
        found[cut_short[0]] = cut_short[1]
    return found


def most_writes(counts: Mapping[Shape, int], controller: str, span: Span) -> int:
    """How often the register or coil of a place that was written most often was written."""

    def at(address: int) -> int:
        return sum(
            writes
            for (name, table, start, count), writes in counts.items()
            if name == controller and table == span.table.value and start <= address < start + count
        )

    return max(at(address) for address in range(span.start, span.stop))


def _line(shape: Shape, writes: int) -> bytes:
    text = json.dumps([*shape, writes], ensure_ascii=True, separators=(",", ":")).encode()
    return b"%08x %s\n" % (zlib.crc32(text), text)


def _parse(line: bytes) -> tuple[Shape, int] | None:
    try:
        if int(line[:8], 16) != zlib.crc32(line[9:]) or line[8:9] != b" ":
            return None
        name, table, start, count, writes = json.loads(line[9:])
    except ValueError:
        return None
    return (str(name), str(table), int(start), int(count)), int(writes)


def _sync_directory(directory: Path) -> None:
    """The new name of a file is on disk; where directories cannot be opened (Windows) that is the system's own care."""
    try:
        handle = os.open(directory, os.O_RDONLY)
    except OSError:
        return
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


class LineLedger:
    """What a line asks before each write: whether it may leave, and that it is counted."""

    __slots__ = ("_entries", "_exact", "_ledger", "_name", "_worn")

    def __init__(self, ledger: Ledger, name: str, storages: Mapping[tuple[Table, int], Storage]) -> None:
        """``storages``: the storage of each register and coil that the plan writes."""
        self._ledger = ledger
        self._name = name
        self._worn = frozenset(place for place, storage in storages.items() if storage is not Storage.VOLATILE)
        self._exact = frozenset(place for place, storage in storages.items() if storage is Storage.NON_VOLATILE)
        self._entries: dict[bytes, _Entry | None] = {}

    def allows(self, prepared: Prepared) -> bool:
        """Count a write that is about to leave; False where it must not."""
        # The address alone where there is no quantity (functions 05, 06 and 16 hex): what follows it is data.
        head = prepared.pdu[:5] if prepared.pdu[0] in (0x0F, 0x10) else prepared.pdu[:3]
        try:
            entry = self._entries[head]
        except KeyError:
            entry = self._entry(prepared)
            if len(self._entries) < HEADS_MAX:
                self._entries[head] = entry
        return entry is None or self._ledger.count(entry)

    def _entry(self, prepared: Prepared) -> _Entry | None:
        is_bits, start, stop = touched(prepared)
        table = Table.COIL if is_bits else Table.HOLDING
        places = {(table, address) for address in range(start, stop)}
        if places.isdisjoint(self._worn):
            return None
        shape = (self._name, table.value, start, stop - start)
        return self._ledger.entry(shape, is_exact=not places.isdisjoint(self._exact))


def storages_of(plan: Plan, controller_name: str) -> dict[tuple[Table, int], Storage]:
    """How each register and coil is kept that the plan writes in one controller.

    Where two share a place, and say different things, it is taken as the one that wears."""
    controller = plan.controller(controller_name)
    found: dict[tuple[Table, int], Storage] = {}
    order = (Storage.VOLATILE, Storage.UNKNOWN, Storage.NON_VOLATILE)

    def add(span: Span, storage: Storage) -> None:
        for address in range(span.start, span.stop):
            place = (span.table, address)
            found[place] = max(found.get(place, Storage.VOLATILE), storage, key=order.index)

    for transfer in plan.putting:
        if transfer.destination != controller_name:
            continue
        for value in transfer.values:
            storage = value.storage if value.storage is not Storage.UNKNOWN else controller.storage
            add(value.put.span, storage)
        if transfer.status is not None:
            add(transfer.status, transfer.storage if transfer.storage is not Storage.UNKNOWN else controller.storage)
    assert all((span.table, span.start) in found for span in write_spans(plan, controller_name))
    return found


def wears_out(plan: Plan, controller_names: frozenset[str]) -> bool:
    """Whether the plan writes places in these controllers that wear out, or of which nobody says that they do not."""
    return any(
        storage is not Storage.VOLATILE for name in controller_names for storage in storages_of(plan, name).values()
    )


def line_ledger(ledger: Ledger, plan: Plan, controller_name: str) -> LineLedger | None:
    """The ledger for one line; None where nothing wears out."""
    storages = storages_of(plan, controller_name)
    if all(storage is Storage.VOLATILE for storage in storages.values()):
        return None
    return LineLedger(ledger, controller_name, storages)


def worn_places(ledger: Ledger, plan: Plan) -> Iterator[WornPlace]:
    """Every place of the plan that wears out or may, with its writes: those of the register written most often."""
    for transfer in plan.putting:
        controller = plan.controller(transfer.destination)
        storages = storages_of(plan, controller.name)
        places = [(value.put.span, value.name) for value in transfer.values]
        places += [(transfer.status, f"status of {transfer.name}")] if transfer.status is not None else []
        for span, name in places:
            storage = storages[span.table, span.start]
            if storage is Storage.VOLATILE:
                continue
            writes, run = max(ledger.writes_at(controller.name, span.table, at) for at in range(span.start, span.stop))
            yield WornPlace(controller.name, span, name, storage, controller.endurance, writes, run)
