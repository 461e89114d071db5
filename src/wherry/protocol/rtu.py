"""Framing of serial lines, also met inside TCP: unit id, PDU, CRC (SL 2.5.1, MODBUS over Serial Line V1.02, page 13).

The standard parts frames by silence. Behind converters, and inside TCP, silence says nothing: bytes are held back and
joined. So the length of a frame is told from its content, and the CRC decides. When it does not fit, bytes are
dropped one at a time until a frame fits again, and what was dropped is reported. Where silence is known
(``silence``), it ends whatever is incomplete.
"""

from __future__ import annotations

from typing import Final, NamedTuple

from wherry.errors import LocalError
from wherry.limits import PDU_BYTES_MAX, RTU_ADU_BYTES_MAX, RTU_ADU_BYTES_MIN, UNIT_MAX
from wherry.protocol.crc import CRC_TABLE, crc16, has_good_crc, with_crc
from wherry.protocol.functions import EXCEPTION_BIT, EXCEPTION_PDU_BYTES, FUNCTIONS

_AROUND_PDU: Final = 3  # unit id before, CRC behind
_IMPOSSIBLE: Final = -1
_UNKNOWN: Final = -2

assert PDU_BYTES_MAX + _AROUND_PDU == RTU_ADU_BYTES_MAX
assert RTU_ADU_BYTES_MIN == _AROUND_PDU + 1


class RtuFrame(NamedTuple):
    """One framed PDU whose CRC is right."""

    unit: int
    pdu: bytes


class Dropped(NamedTuple):
    """Bytes that belong to no frame."""

    data: bytes


def encode_frame(unit: int, pdu: bytes) -> bytes:
    """The bytes on the wire for one PDU. LocalError if the unit id or the PDU does not fit."""
    if not 0 <= unit <= UNIT_MAX:
        raise LocalError(f"unit id {unit} does not fit one byte")
    if not 1 <= len(pdu) <= PDU_BYTES_MAX:
        raise LocalError(f"a PDU has 1 to {PDU_BYTES_MAX} bytes, not {len(pdu)}")
    return with_crc(bytes((unit,)) + pdu)


def frame_length(data: bytes | bytearray, start: int, *, is_reply: bool) -> int | None:
    """The length of the frame that begins at ``start``, told from its content.

    None while the bytes that tell it are missing; a negative number if there is no such frame or its function is
    unknown.
    """
    if len(data) < start + 2:
        return None
    function = data[start + 1]
    if is_reply and function & EXCEPTION_BIT:
        known = function & ~EXCEPTION_BIT in FUNCTIONS
        return EXCEPTION_PDU_BYTES + _AROUND_PDU if known else _IMPOSSIBLE
    row = FUNCTIONS.get(function)
    if row is None:
        is_request_code = not is_reply and 0 < function < EXCEPTION_BIT
        return _UNKNOWN if is_request_code else _IMPOSSIBLE
    length = (row.response if is_reply else row.request).of(data, start + 1)
    if length is None:
        return None
    return length + _AROUND_PDU if length <= PDU_BYTES_MAX else _IMPOSSIBLE


class RtuReader:
    """Cuts a byte stream into frames; holds less than one frame between calls.

    A reader of requests also finds frames of functions it does not know, so that they can be refused: the first length
    from which the CRC fits. That is only tried where a frame is due, not while looking for the place of the next one.
    """

    __slots__ = ("_buffer", "_in_step", "_is_reply")

    def __init__(self, *, is_reply: bool) -> None:
        self._is_reply = is_reply
        self._buffer = b""
        self._in_step = True

    @property
    def buffered(self) -> int:
        """How many bytes wait for the rest of their frame."""
        return len(self._buffer)

    def feed(self, data: bytes) -> list[RtuFrame | Dropped]:
        """Take bytes as they come; return the frames they complete and the runs that belong to none."""
        return self._scan(self._buffer + data, is_end=False)

    def silence(self) -> list[RtuFrame | Dropped]:
        """The line was quiet for longer than a frame allows: what is incomplete now stays so (SL page 13)."""
        found = self._scan(self._buffer, is_end=True)
        self._in_step = True
        assert not self._buffer
        return found

    def _scan(self, stream: bytes, *, is_end: bool) -> list[RtuFrame | Dropped]:
        found: list[RtuFrame | Dropped] = []
        at = dropped_from = 0
        while at < len(stream):
            stop = self._frame_stop(stream, at)
            if stop is None and not is_end:
                break
            if stop is None or stop == at:
                at += 1
                self._in_step = False
                continue
            if dropped_from < at:
                found.append(Dropped(stream[dropped_from:at]))
            found.append(RtuFrame(stream[at], stream[at + 1 : stop - 2]))
            self._in_step = True
            at = dropped_from = stop
        if dropped_from < at:
            found.append(Dropped(stream[dropped_from:at]))
        self._buffer = stream[at:]
        assert len(self._buffer) < RTU_ADU_BYTES_MAX, len(self._buffer)
        return found

    def _frame_stop(self, stream: bytes, at: int) -> int | None:
        """Where the frame at ``at`` ends; ``at`` itself if none begins there; None while that cannot be told."""
        length = frame_length(stream, at, is_reply=self._is_reply)
        if length is None:
            return None
        if length == _UNKNOWN and self._in_step:
            return _unknown_stop(stream, at)
        if length < 0:
            return at
        stop = at + length
        if stop > len(stream):
            return None
        return stop if has_good_crc(stream[at:stop]) else at


def _unknown_stop(stream: bytes, at: int) -> int | None:
    end = min(len(stream), at + RTU_ADU_BYTES_MAX)
    if end - at < RTU_ADU_BYTES_MIN:
        return None
    register = crc16(stream[at : at + RTU_ADU_BYTES_MIN - 1])
    for position in range(at + RTU_ADU_BYTES_MIN - 1, end):
        register = (register >> 8) ^ CRC_TABLE[(register ^ stream[position]) & 0xFF]
        if register == 0:
            return position + 1
    return at if end == at + RTU_ADU_BYTES_MAX else None
