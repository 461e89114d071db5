"""Framing on TCP: a header of seven bytes before each PDU, read incrementally from a byte stream.

Header (MG 3.1.3, MODBUS Messaging on TCP/IP V1.0b, pages 5-6), big-endian: transaction id 2, protocol id 2 (always 0),
length 2 (bytes that follow, unit id included), unit id 1.
"""

from __future__ import annotations

import struct
from typing import Final, NamedTuple

from wherry.errors import LocalError, PeerError
from wherry.limits import MBAP_BYTES, PDU_BYTES_MAX, TCP_ADU_BYTES_MAX, TRANSACTION_IDS, UNIT_MAX

HEADER: Final = struct.Struct(">HHHB")
LENGTH_MIN: Final = 2  # unit id and function code
LENGTH_MAX: Final = PDU_BYTES_MAX + 1
_BEFORE_UNIT: Final = MBAP_BYTES - 1

assert HEADER.size == MBAP_BYTES
assert _BEFORE_UNIT + LENGTH_MAX == TCP_ADU_BYTES_MAX


class MbapFrame(NamedTuple):
    """One framed PDU."""

    transaction: int
    unit: int
    pdu: bytes


def encode_adu(transaction: int, unit: int, pdu: bytes) -> bytes:
    """The bytes on the wire for one PDU. LocalError if a number or the PDU does not fit its field."""
    if not 0 <= transaction < TRANSACTION_IDS:
        raise LocalError(f"transaction id {transaction} does not fit two bytes")
    if not 0 <= unit <= UNIT_MAX:
        raise LocalError(f"unit id {unit} does not fit one byte")
    if not 1 <= len(pdu) <= PDU_BYTES_MAX:
        raise LocalError(f"a PDU has 1 to {PDU_BYTES_MAX} bytes, not {len(pdu)}")
    return HEADER.pack(transaction, 0, len(pdu) + 1, unit) + pdu


class MbapReader:
    """Cuts a byte stream into frames. Holds less than one ADU between calls.

    After a header that cannot be right the place of the next one is unknown: ``error`` is set, frames that came
    before are still returned, and nothing more is read. ``skips_protocols`` steps over frames of another protocol id
    instead, as a server does (MG page 29), and counts them in ``skipped``.
    """

    __slots__ = ("_buffer", "_skips", "error", "skipped")

    def __init__(self, *, skips_protocols: bool = False) -> None:
        self._buffer = b""
        self._skips = skips_protocols
        self.error: PeerError | None = None
        self.skipped = 0

    @property
    def buffered(self) -> int:
        """How many bytes wait for the rest of their frame."""
        return len(self._buffer)

    def feed(self, data: bytes) -> list[MbapFrame]:
        """Take bytes as they come; return the frames they complete. LocalError after a framing error."""
        if self.error is not None:
            raise LocalError(f"this reader has lost its place and takes no more bytes: {self.error}")
        stream = self._buffer + data if self._buffer else bytes(data)
        end = len(stream)
        frames: list[MbapFrame] = []
        at = 0
        while end - at >= _BEFORE_UNIT:
            transaction, protocol, length = int.from_bytes(stream[at : at + 2], "big"), 0, 0
            protocol = int.from_bytes(stream[at + 2 : at + 4], "big")
            length = int.from_bytes(stream[at + 4 : at + 6], "big")
            problem = self._header_problem(protocol, length)
            if problem:
                self.error = PeerError(problem, stream[at : at + TCP_ADU_BYTES_MAX])
                self._buffer = b""
                return frames
            stop = at + _BEFORE_UNIT + length
            if stop > end:
                break
            if protocol == 0:
                frames.append(MbapFrame(transaction, stream[at + _BEFORE_UNIT], stream[at + MBAP_BYTES : stop]))
            else:
                self.skipped += 1
            at = stop
        self._buffer = stream[at:]
        assert len(self._buffer) < TCP_ADU_BYTES_MAX, len(self._buffer)
        return frames

    def _header_problem(self, protocol: int, length: int) -> str:
        if protocol != 0 and not self._skips:
            return f"protocol id {protocol} in a header where Modbus has 0: framing lost"
        if not LENGTH_MIN <= length <= LENGTH_MAX:
            return f"length {length} in a header where {LENGTH_MIN} to {LENGTH_MAX} is possible: framing lost"
        return ""
