"""The server's side of device identification, function 2B with MEI type 0E (AP 6.21, pages 43-45).

A list of objects that does not fit one PDU is continued: the response says so, and with which object to go on.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

from wherry.errors import LocalError
from wherry.limits import PDU_BYTES_MAX
from wherry.protocol.functions import MEI_DEVICE_IDENTIFICATION, ExceptionCode
from wherry.protocol.pdu_files import OBJECT_BYTES_MAX, ReadDeviceCode

_HEAD_BYTES: Final = 7
_MORE: Final = 0xFF
_INDIVIDUAL: Final = 0x80  # in the conformity level: single objects can be asked for
_LAST_OBJECT: Final = {ReadDeviceCode.BASIC: 0x02, ReadDeviceCode.REGULAR: 0x7F, ReadDeviceCode.EXTENDED: 0xFF}


@dataclass(frozen=True, slots=True)
class Identity:
    """A device's identification objects by number: 0 vendor name, 1 product code, 2 revision, and more.

    LocalError for a number or a text that does not fit, or when one of the first three is missing.
    """

    objects: dict[int, bytes] = field(default_factory=lambda: {0: b"", 1: b"", 2: b""})

    def __post_init__(self) -> None:
        for number, text in self.objects.items():
            if not 0 <= number <= 0xFF:
                raise LocalError(f"identification object {number} is outside 0 to 255")
            if len(text) > OBJECT_BYTES_MAX:
                raise LocalError(f"identification object {number} has {len(text)} bytes, where {OBJECT_BYTES_MAX} fit")
        if missing := [number for number in (0, 1, 2) if number not in self.objects]:
            raise LocalError(f"identification object {missing[0]} is mandatory (AP 6.21, page 43)")

    @property
    def level(self) -> ReadDeviceCode:
        """The highest category that has objects."""
        last = max(self.objects)
        return next(code for code, end in _LAST_OBJECT.items() if last <= end)


def identify(identity: Identity, pdu: bytes) -> bytes | int:
    """The response PDU, or an exception code."""
    if len(pdu) < 2 or pdu[1] != MEI_DEVICE_IDENTIFICATION:
        return ExceptionCode.ILLEGAL_FUNCTION
    if len(pdu) != 4:
        return ExceptionCode.ILLEGAL_DATA_VALUE
    code, first = pdu[2], pdu[3]
    if code == ReadDeviceCode.ONE_OBJECT:
        if first not in identity.objects:
            return ExceptionCode.ILLEGAL_DATA_ADDRESS
        return _response(identity, code, [first])
    if code not in _LAST_OBJECT:
        return ExceptionCode.ILLEGAL_DATA_VALUE
    # A level above the device's own is answered at the device's level (AP page 44); it has no further objects anyway.
    numbers = sorted(number for number in identity.objects if number <= _LAST_OBJECT[ReadDeviceCode(code)])
    if first in numbers:
        numbers = numbers[numbers.index(first) :]
    return _response(identity, code, numbers)


def _response(identity: Identity, code: int, numbers: list[int]) -> bytes:
    """As many of the objects as fit, and with which to go on."""
    parts: list[bytes] = []
    room = PDU_BYTES_MAX - _HEAD_BYTES
    following: int | None = None
    for number in numbers:
        text = identity.objects[number]
        if 2 + len(text) > room:
            following = number
            break
        parts.append(bytes((number, len(text))) + text)
        room -= 2 + len(text)
    more, next_object = (0, 0) if following is None else (_MORE, following)
    level = identity.level | _INDIVIDUAL
    return bytes((0x2B, MEI_DEVICE_IDENTIFICATION, code, level, more, next_object, len(parts))) + b"".join(parts)
