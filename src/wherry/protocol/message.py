"""What every request and response type shares, and the two forms in which items travel.

A message knows what is wrong with itself (``problem``). Encoding turns that into a ``LocalError``, decoding into a
``PeerError``: one rule for both ends.
"""

from __future__ import annotations

import struct
from abc import abstractmethod
from collections.abc import Iterable, Sequence
from typing import ClassVar, Self

from wherry.errors import LocalError, PeerError
from wherry.limits import ADDRESS_MAX, ITEMS_PER_TABLE, PDU_BYTES_MAX

WORD_MAX = 0xFFFF


class Message:
    """A request or response PDU as fields. ``function`` is its function code."""

    __slots__ = ()
    function: ClassVar[int]

    def problem(self) -> str:
        """What is wrong with the fields, naming the bad value; empty when nothing is."""
        return ""

    @abstractmethod
    def pack(self) -> bytes:
        """The PDU. Only for fields without a problem."""

    @classmethod
    @abstractmethod
    def unpack(cls, pdu: bytes) -> Self:
        """The fields of a PDU whose function code is right. PeerError if the lengths in it contradict each other."""


class Request(Message):
    """Any request."""

    __slots__ = ()


class Response(Message):
    """Any response that is not an exception."""

    __slots__ = ()

    def mismatch(self, request: Request) -> str:
        """Why this cannot be the answer to ``request`` (of the same function); empty when it can."""
        return ""


def check_length(pdu: bytes, expected: int, what: str) -> None:
    """PeerError unless the PDU is exactly that long."""
    if len(pdu) != expected:
        raise PeerError(f"{what} has {len(pdu)} bytes instead of {expected}", pdu[:PDU_BYTES_MAX])


def check_counted(pdu: bytes, at: int, what: str, width: int = 1) -> bytes:
    """The bytes behind a byte count at ``at``; PeerError unless they are exactly as many as it says."""
    start = at + width
    if len(pdu) < start:
        raise PeerError(f"{what} ends before its byte count", pdu)
    count = int.from_bytes(pdu[at:start], "big")
    if len(pdu) != start + count:
        raise PeerError(f"{what} says {count} bytes follow, but {len(pdu) - start} do", pdu[:PDU_BYTES_MAX])
    return pdu[start:]


def range_problem(address: int, count: int, count_max: int, item: str) -> str:
    """What is wrong with a run of items, in the standard's limits; empty when nothing is."""
    if not 1 <= count <= count_max:
        return f"{count} {item}s in one request, where 1 to {count_max} are allowed"
    if not 0 <= address <= ADDRESS_MAX:
        return f"address {address} is outside 0 to {ADDRESS_MAX}"
    if address + count > ITEMS_PER_TABLE:
        return f"{count} {item}s from address {address} pass the end of the table at {ADDRESS_MAX}"
    return ""


def word_problem(value: int, what: str) -> str:
    """What is wrong with a 16-bit number; empty when nothing is."""
    return "" if 0 <= value <= WORD_MAX else f"{what} {value} does not fit 16 bits"


def bytes_for_bits(count: int) -> int:
    """How many bytes hold ``count`` bits."""
    return (count + 7) // 8


def pack_registers(values: Iterable[int]) -> bytes:
    """Registers as they travel: two bytes each, high byte first (AP 4.2). LocalError for one beyond 16 bits."""
    numbers = tuple(values)
    try:
        return struct.pack(f">{len(numbers)}H", *numbers)
    except struct.error:
        bad = next(each for each in numbers if not 0 <= each <= WORD_MAX)
        raise LocalError(word_problem(bad, "register value")) from None


def unpack_registers(data: bytes) -> tuple[int, ...]:
    """The registers in ``data``, as unsigned numbers. LocalError for an odd number of bytes."""
    if len(data) % 2:
        raise LocalError(f"{len(data)} bytes are not whole registers")
    return struct.unpack(f">{len(data) // 2}H", data)


def pack_bits(bits: Sequence[bool] | Sequence[int]) -> bytes:
    """Bits as they travel: the first in the lowest bit of the first byte, the rest of the last byte zero (AP 6.1)."""
    number = 0
    for position, bit in enumerate(bits):
        if bit:
            number |= 1 << position
    return number.to_bytes(bytes_for_bits(len(bits)), "little")


def unpack_bits(data: bytes, count: int) -> tuple[bool, ...]:
    """The first ``count`` bits in ``data``. LocalError if there are fewer."""
    if not 0 <= count <= 8 * len(data):
        raise LocalError(f"{count} bits cannot be taken from {len(data)} bytes")
    number = int.from_bytes(data, "little")
    return tuple(bool(number >> position & 1) for position in range(count))
