"""CRC-16 of the serial line framing.

SL 6.2.2 (MODBUS over Serial Line V1.02, pages 39-41): register starts at FFFFh, reflected polynomial A001h, low byte
sent first. Check value over "123456789": 4B37h.
"""

from __future__ import annotations

from typing import Final

_INITIAL: Final = 0xFFFF
_POLYNOMIAL: Final = 0xA001


def _table_entry(byte: int) -> int:
    register = byte
    for _ in range(8):
        register = (register >> 1) ^ _POLYNOMIAL if register & 1 else register >> 1
    return register


CRC_TABLE: Final = tuple(_table_entry(byte) for byte in range(256))
"""The effect of one byte on the register, for readers that go on byte by byte."""


def crc16(data: bytes | bytearray | memoryview, register: int = _INITIAL) -> int:
    """The CRC register after ``data``; pass the register of earlier bytes to go on."""
    table = CRC_TABLE
    for byte in data:
        register = (register >> 8) ^ table[(register ^ byte) & 0xFF]
    return register


def with_crc(data: bytes) -> bytes:
    """``data`` followed by its CRC, low byte first."""
    return data + crc16(data).to_bytes(2, "little")


def has_good_crc(frame: bytes | bytearray | memoryview) -> bool:
    """Whether the last two bytes are the CRC of those before. The register over a whole good frame is zero."""
    return len(frame) > 2 and crc16(frame) == 0


assert crc16(b"123456789") == 0x4B37
