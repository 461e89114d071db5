"""The last gate before the bytes of a survey leave: only what reads may pass, whatever built it.

It takes a whole frame apart by itself and knows nothing of the code that made it. Functions 01 to 04 (reads), 07
(exception status), 08 with sub-function 00 (echo), 0B (event counter), 11 (server id) and 2B with MEI type 0E (device
identification), all hexadecimal, are let through (MODBUS Application Protocol V1.1b3, sections 6.1 to 6.4, 6.7, 6.8,
6.9, 6.13, 6.21): none of them sets anything. Each must have the length that its function has.
"""

from __future__ import annotations

from typing import Final

from wherry.errors import LocalError
from wherry.plan.model import Framing

_MBAP_BYTES: Final = 7
_CRC_BYTES: Final = 2
_TABLE_READS: Final = frozenset({0x01, 0x02, 0x03, 0x04})
_BARE: Final = frozenset({0x07, 0x0B, 0x11})
_ECHO: Final = b"\x08\x00\x00"
_IDENTIFY: Final = b"\x2b\x0e"


class NotAReadError(LocalError):
    """A frame that would do more than read was about to leave. It did not."""


def permits(frame: bytes, framing: Framing) -> bool:
    """Whether this frame, header and all, may leave."""
    if framing is Framing.RTU:
        return len(frame) > 1 + _CRC_BYTES and is_read(frame[1:-_CRC_BYTES])
    if len(frame) <= _MBAP_BYTES or frame[2:4] != b"\x00\x00":
        return False
    return int.from_bytes(frame[4:6], "big") == len(frame) - 6 and is_read(frame[_MBAP_BYTES:])


def is_read(pdu: bytes) -> bool:
    """Whether a request PDU only reads."""
    if pdu[0] in _TABLE_READS:
        return len(pdu) == 5
    if pdu[0] in _BARE:
        return len(pdu) == 1
    if pdu.startswith(_ECHO):
        return len(pdu) >= 5
    return pdu.startswith(_IDENTIFY) and len(pdu) == 4


def check(frame: bytes, framing: Framing) -> None:
    """NotAReadError unless the frame may leave."""
    if not permits(frame, framing):
        raise NotAReadError(f"a survey only reads, and this is no read: {frame.hex(' ')}")
