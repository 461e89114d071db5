"""What a responder answers from: the four tables in memory, whole or only in places.

Bits are kept eight to a byte, the first in the lowest bit, and registers big-endian: both as they travel, so that
reading and writing a run is one slice.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Mapping
from typing import Final, Protocol

from wherry.errors import LocalError
from wherry.limits import ITEMS_PER_TABLE
from wherry.protocol.functions import ExceptionCode, Table
from wherry.protocol.message import bytes_for_bits

NOT_REFUSED: Final = 0

Run = tuple[int, int]
"""Start and count."""


class Store(Protocol):
    """Where a responder reads and writes. It asks ``refusal`` first and touches nothing when the answer is a code."""

    def refusal(self, table: Table, address: int, count: int, *, is_write: bool) -> int:
        """The exception code with which these items are refused; 0 when they are not."""

    def read_bits(self, table: Table, address: int, count: int) -> bytes:
        """``count`` bits, the first in the lowest bit of the first byte, the rest of the last byte zero."""

    def write_bits(self, table: Table, address: int, count: int, data: bytes) -> None:
        """Set ``count`` bits; ``data`` as ``read_bits`` gives it."""

    def read_registers(self, table: Table, address: int, count: int) -> bytes:
        """``count`` registers, big-endian."""

    def write_registers(self, table: Table, address: int, data: bytes) -> None:
        """Set the registers in ``data``, big-endian."""


class _Block:
    """A run of items without a gap."""

    __slots__ = ("data", "start", "stop")

    def __init__(self, start: int, stop: int, *, is_bits: bool) -> None:
        self.start = start
        self.stop = stop
        count = stop - start
        self.data = bytearray(bytes_for_bits(count) if is_bits else 2 * count)


class MemoryStore:
    """The four tables in memory, all zero at first.

    ``spans`` says which items exist, by table; a table that is not named is empty. Without it all 65536 of each exist.
    ``holes`` are taken out again. What does not exist is refused with exception 02. A run must lie in one piece:
    items in spans that touch each other are one piece.
    """

    __slots__ = ("_blocks", "_starts")

    def __init__(
        self,
        spans: Mapping[Table, Iterable[Run]] | None = None,
        holes: Mapping[Table, Iterable[Run]] | None = None,
    ) -> None:
        whole = ((0, ITEMS_PER_TABLE),)
        self._blocks: dict[Table, list[_Block]] = {}
        self._starts: dict[Table, list[int]] = {}
        for table in Table:
            existing = whole if spans is None else spans.get(table, ())
            absent = () if holes is None else holes.get(table, ())
            blocks = [_Block(start, stop, is_bits=table.is_bits) for start, stop in _pieces(existing, absent)]
            self._blocks[table] = blocks
            self._starts[table] = [each.start for each in blocks]

    def _block(self, table: Table, address: int, count: int) -> _Block | None:
        position = bisect_right(self._starts[table], address) - 1
        if position < 0:
            return None
        block = self._blocks[table][position]
        return block if address + count <= block.stop else None

    def _existing(self, table: Table, address: int, count: int) -> _Block:
        block = self._block(table, address, count)
        if block is None:
            raise LocalError(f"{table} {address} with {count} items does not exist in this store")
        return block

    def refusal(self, table: Table, address: int, count: int, *, is_write: bool) -> int:
        """Exception 02 unless all items exist."""
        return NOT_REFUSED if self._block(table, address, count) is not None else ExceptionCode.ILLEGAL_DATA_ADDRESS

    def read_bits(self, table: Table, address: int, count: int) -> bytes:
        """``count`` bits as they travel. LocalError if they do not exist."""
        assert table.is_bits, table
        block = self._existing(table, address, count)
        first = address - block.start
        window = block.data[first >> 3 : bytes_for_bits(first + count)]
        number = (int.from_bytes(window, "little") >> (first & 7)) & ((1 << count) - 1)
        return number.to_bytes(bytes_for_bits(count), "little")

    def write_bits(self, table: Table, address: int, count: int, data: bytes) -> None:
        """Set ``count`` bits from ``data``. LocalError if they do not exist or ``data`` is too short."""
        assert table.is_bits, table
        if len(data) != bytes_for_bits(count):
            raise LocalError(f"{len(data)} bytes for {count} bits, which take {bytes_for_bits(count)}")
        block = self._existing(table, address, count)
        first = address - block.start
        low, high = first >> 3, bytes_for_bits(first + count)
        mask = ((1 << count) - 1) << (first & 7)
        old = int.from_bytes(block.data[low:high], "little")
        new = (old & ~mask) | ((int.from_bytes(data, "little") << (first & 7)) & mask)
        block.data[low:high] = new.to_bytes(high - low, "little")

    def read_registers(self, table: Table, address: int, count: int) -> bytes:
        """``count`` registers, big-endian. LocalError if they do not exist."""
        assert not table.is_bits, table
        block = self._existing(table, address, count)
        first = 2 * (address - block.start)
        return bytes(block.data[first : first + 2 * count])

    def write_registers(self, table: Table, address: int, data: bytes) -> None:
        """Set the registers in ``data``. LocalError if they do not exist or ``data`` is no whole registers."""
        assert not table.is_bits, table
        if len(data) % 2:
            raise LocalError(f"{len(data)} bytes are not whole registers")
        block = self._existing(table, address, len(data) // 2)
        first = 2 * (address - block.start)
        block.data[first : first + len(data)] = data


def _pieces(existing: Iterable[Run], absent: Iterable[Run]) -> list[Run]:
    """Start and stop of the pieces that exist: ``existing`` joined, less ``absent``, in order."""
    pieces: list[Run] = []
    for start, stop in sorted(_checked(existing)):
        if pieces and start <= pieces[-1][1]:
            pieces[-1] = (pieces[-1][0], max(stop, pieces[-1][1]))
        else:
            pieces.append((start, stop))
    for hole_start, hole_stop in sorted(_checked(absent)):
        cut: list[Run] = []
        for start, stop in pieces:
            cut += [
                (low, high)
                for low, high in ((start, min(stop, hole_start)), (max(start, hole_stop), stop))
                if low < high
            ]
        pieces = cut
    return pieces


def _checked(runs: Iterable[Run]) -> list[Run]:
    checked = []
    for start, count in runs:
        if count < 1 or start < 0 or start + count > ITEMS_PER_TABLE:
            raise LocalError(f"{count} items from address {start} are not within 0 to {ITEMS_PER_TABLE - 1}")
        checked.append((start, start + count))
    return checked
