"""The public function codes, one row each: what a request asks, how long its PDUs are, what it may change.

Sources: AP is the MODBUS Application Protocol Specification V1.1b3 (2012); the section is beside each row. Lengths
are of the PDU: function code first, without unit id, header or CRC.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum, StrEnum
from typing import Final

from wherry import limits


class Table(StrEnum):
    """The four tables of the data model (AP 4.3)."""

    COIL = "coil"
    DISCRETE = "discrete"
    INPUT = "input"
    HOLDING = "holding"

    @property
    def is_bits(self) -> bool:
        return self in (Table.COIL, Table.DISCRETE)

    @property
    def is_writable(self) -> bool:
        return self in (Table.COIL, Table.HOLDING)


class Framing(StrEnum):
    """How a PDU is framed on a byte stream."""

    MBAP = "mbap"
    RTU = "rtu"


class FunctionCode(IntEnum):
    """Public function codes that are implemented (AP 5 and 6)."""

    READ_COILS = 0x01
    READ_DISCRETE_INPUTS = 0x02
    READ_HOLDING_REGISTERS = 0x03
    READ_INPUT_REGISTERS = 0x04
    WRITE_SINGLE_COIL = 0x05
    WRITE_SINGLE_REGISTER = 0x06
    READ_EXCEPTION_STATUS = 0x07
    DIAGNOSTICS = 0x08
    GET_COMM_EVENT_COUNTER = 0x0B
    GET_COMM_EVENT_LOG = 0x0C
    WRITE_MULTIPLE_COILS = 0x0F
    WRITE_MULTIPLE_REGISTERS = 0x10
    REPORT_SERVER_ID = 0x11
    READ_FILE_RECORD = 0x14
    WRITE_FILE_RECORD = 0x15
    MASK_WRITE_REGISTER = 0x16
    READ_WRITE_MULTIPLE_REGISTERS = 0x17
    READ_FIFO_QUEUE = 0x18
    ENCAPSULATED_INTERFACE = 0x2B


class ExceptionCode(IntEnum):
    """Why a device says no (AP 7, pages 48-49)."""

    ILLEGAL_FUNCTION = 0x01
    ILLEGAL_DATA_ADDRESS = 0x02
    ILLEGAL_DATA_VALUE = 0x03
    SERVER_DEVICE_FAILURE = 0x04
    ACKNOWLEDGE = 0x05
    SERVER_DEVICE_BUSY = 0x06
    MEMORY_PARITY_ERROR = 0x08
    GATEWAY_PATH_UNAVAILABLE = 0x0A
    GATEWAY_TARGET_FAILED = 0x0B


EXCEPTION_BIT: Final = 0x80  # AP 4.1, page 5: the function code of an exception response has this bit set
EXCEPTION_PDU_BYTES: Final = 2  # AP 7, page 47
MEI_DEVICE_IDENTIFICATION: Final = 0x0E  # AP 6.21, page 43

EXCEPTION_TEXT: Final[dict[int, str]] = {
    0x01: "illegal function",
    0x02: "illegal data address",
    0x03: "illegal data value",
    0x04: "server device failure",
    0x05: "acknowledge",
    0x06: "server device busy",
    0x08: "memory parity error",
    0x0A: "gateway path unavailable",
    0x0B: "gateway target device failed to respond",
}
"""The standard's words for each exception code (AP 7, pages 48-49)."""


def exception_text(code: int) -> str:
    """The words for an exception code, with its number: ``illegal data address (02)``."""
    return f"{EXCEPTION_TEXT.get(code, 'a code the standard does not define')} ({code:02X})"


@dataclass(frozen=True, slots=True)
class LengthRule:
    """How long a PDU is, told from its first bytes: ``base``, plus the number in the ``width`` bytes at ``at``."""

    base: int
    at: int = 0
    width: int = 0

    def of(self, data: bytes | bytearray, start: int = 0) -> int | None:
        """The PDU's length when it begins at ``start`` of ``data``; None while the bytes that tell it are missing."""
        if not self.width:
            return self.base
        at = start + self.at
        if len(data) < at + self.width:
            return None
        return self.base + int.from_bytes(data[at : at + self.width], "big")


@dataclass(frozen=True, slots=True)
class ObjectsRule:
    """The length of a device identification response: objects, each with its length (AP 6.21, page 44)."""

    def of(self, data: bytes | bytearray, start: int = 0) -> int | None:
        """The PDU's length; None while too little of it is there; more than a PDU's most once that is certain."""
        if len(data) < start + 7:
            return None
        at = start + 7
        for _ in range(data[start + 6]):
            if at - start > limits.PDU_BYTES_MAX:
                break
            if len(data) < at + 2:
                return None
            at += 2 + data[at + 1]
        return at - start


@dataclass(frozen=True, slots=True)
class Function:
    """One row. ``count_max`` is the most items one request may ask for or set; 0 where it does not apply."""

    code: FunctionCode
    title: str
    section: str
    request: LengthRule
    response: LengthRule | ObjectsRule
    is_write: bool = False
    table: Table | None = None
    count_max: int = 0


def _fixed(length: int) -> LengthRule:
    return LengthRule(length)


def _counted(at: int, width: int = 1) -> LengthRule:
    """A byte count at ``at``, and the counted bytes right behind it."""
    return LengthRule(at + width, at, width)


# 08: the data field is two bytes except for sub-function 00, which may carry more (AP 6.8.1, page 22). Its length
# cannot be told from its content, so on a serial line only the two-byte form is understood.
_F = FunctionCode
FUNCTIONS: Final[dict[int, Function]] = {
    row.code: row
    for row in (
        Function(
            _F.READ_COILS, "read coils", "6.1", _fixed(5), _counted(1), table=Table.COIL, count_max=limits.READ_BITS_MAX
        ),
        Function(
            _F.READ_DISCRETE_INPUTS,
            "read discrete inputs",
            "6.2",
            _fixed(5),
            _counted(1),
            table=Table.DISCRETE,
            count_max=limits.READ_BITS_MAX,
        ),
        Function(
            _F.READ_HOLDING_REGISTERS,
            "read holding registers",
            "6.3",
            _fixed(5),
            _counted(1),
            table=Table.HOLDING,
            count_max=limits.READ_REGISTERS_MAX,
        ),
        Function(
            _F.READ_INPUT_REGISTERS,
            "read input registers",
            "6.4",
            _fixed(5),
            _counted(1),
            table=Table.INPUT,
            count_max=limits.READ_REGISTERS_MAX,
        ),
        Function(_F.WRITE_SINGLE_COIL, "write single coil", "6.5", _fixed(5), _fixed(5), True, Table.COIL, 1),
        Function(
            _F.WRITE_SINGLE_REGISTER, "write single register", "6.6", _fixed(5), _fixed(5), True, Table.HOLDING, 1
        ),
        Function(_F.READ_EXCEPTION_STATUS, "read exception status", "6.7", _fixed(1), _fixed(2)),
        Function(_F.DIAGNOSTICS, "diagnostics", "6.8", _fixed(5), _fixed(5)),
        Function(_F.GET_COMM_EVENT_COUNTER, "get comm event counter", "6.9", _fixed(1), _fixed(5)),
        Function(_F.GET_COMM_EVENT_LOG, "get comm event log", "6.10", _fixed(1), _counted(1)),
        Function(
            _F.WRITE_MULTIPLE_COILS,
            "write multiple coils",
            "6.11",
            _counted(5),
            _fixed(5),
            True,
            Table.COIL,
            limits.WRITE_BITS_MAX,
        ),
        Function(
            _F.WRITE_MULTIPLE_REGISTERS,
            "write multiple registers",
            "6.12",
            _counted(5),
            _fixed(5),
            True,
            Table.HOLDING,
            limits.WRITE_REGISTERS_MAX,
        ),
        Function(_F.REPORT_SERVER_ID, "report server id", "6.13", _fixed(1), _counted(1)),
        Function(_F.READ_FILE_RECORD, "read file record", "6.14", _counted(1), _counted(1)),
        Function(_F.WRITE_FILE_RECORD, "write file record", "6.15", _counted(1), _counted(1), True),
        Function(_F.MASK_WRITE_REGISTER, "mask write register", "6.16", _fixed(7), _fixed(7), True, Table.HOLDING, 1),
        Function(
            _F.READ_WRITE_MULTIPLE_REGISTERS,
            "read/write multiple registers",
            "6.17",
            _counted(9),
            _counted(1),
            True,
            Table.HOLDING,
            limits.READ_WRITE_READ_MAX,
        ),
        Function(_F.READ_FIFO_QUEUE, "read FIFO queue", "6.18", _fixed(3), _counted(1, width=2)),
        Function(_F.ENCAPSULATED_INTERFACE, "read device identification", "6.21", _fixed(4), ObjectsRule()),
    )
}
"""Every implemented function, by code."""

READ_FUNCTION: Final[dict[Table, FunctionCode]] = {
    Table.COIL: _F.READ_COILS,
    Table.DISCRETE: _F.READ_DISCRETE_INPUTS,
    Table.INPUT: _F.READ_INPUT_REGISTERS,
    Table.HOLDING: _F.READ_HOLDING_REGISTERS,
}
"""Which function reads which table."""


def function_title(code: int) -> str:
    """The standard's name of a function code with its number: ``read coils (01)``."""
    code &= ~EXCEPTION_BIT
    row = FUNCTIONS.get(code)
    return f"{row.title if row else 'unknown function'} ({code:02X})"


assert set(FUNCTIONS) == set(FunctionCode)
assert all(0 < code < EXCEPTION_BIT for code in FUNCTIONS)
