"""Requests and responses that read and write the four tables (AP 6.1-6.6, 6.11, 6.12, 6.16, 6.17).

Items travel as bytes, as on the wire: registers big-endian, bits from the lowest bit of the first byte
(``pack_registers``, ``pack_bits`` and their opposites are in ``message``). Addresses count from zero.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from typing import ClassVar, Final, Self

from wherry.errors import PeerError
from wherry.limits import (
    ADDRESS_MAX,
    READ_BITS_MAX,
    READ_REGISTERS_MAX,
    READ_WRITE_READ_MAX,
    READ_WRITE_WRITE_MAX,
    WRITE_BITS_MAX,
    WRITE_REGISTERS_MAX,
)
from wherry.protocol.functions import FunctionCode
from wherry.protocol.message import (
    Request,
    Response,
    bytes_for_bits,
    check_counted,
    check_length,
    range_problem,
    word_problem,
)

COIL_ON: Final = 0xFF00  # AP 6.5, page 17
COIL_OFF: Final = 0x0000
_TWO_WORDS: Final = struct.Struct(">BHH")
_THREE_WORDS: Final = struct.Struct(">BHHH")
_WRITE_MANY: Final = struct.Struct(">BHHB")
_READ_WRITE: Final = struct.Struct(">BHHHHB")


def _address_problem(address: int) -> str:
    return "" if 0 <= address <= ADDRESS_MAX else f"address {address} is outside 0 to {ADDRESS_MAX}"


# Reading.


@dataclass(frozen=True, slots=True)
class _Read(Request):
    """``count`` items from ``address``."""

    address: int
    count: int
    count_max: ClassVar[int]
    item: ClassVar[str]

    def problem(self) -> str:
        return range_problem(self.address, self.count, self.count_max, self.item)

    def pack(self) -> bytes:
        return _TWO_WORDS.pack(self.function, self.address, self.count)

    @classmethod
    def unpack(cls, pdu: bytes) -> Self:
        check_length(pdu, 5, "a read request")
        _, address, count = _TWO_WORDS.unpack(pdu)
        return cls(address, count)


class _ReadBits(_Read):
    __slots__ = ()
    count_max = READ_BITS_MAX
    item = "bit"


class _ReadRegisters(_Read):
    __slots__ = ()
    count_max = READ_REGISTERS_MAX
    item = "register"


class ReadCoils(_ReadBits):
    """Function 01: ``count`` coils from ``address``."""

    __slots__ = ()
    function = FunctionCode.READ_COILS


class ReadDiscreteInputs(_ReadBits):
    """Function 02: ``count`` discrete inputs from ``address``."""

    __slots__ = ()
    function = FunctionCode.READ_DISCRETE_INPUTS


class ReadHoldingRegisters(_ReadRegisters):
    """Function 03: ``count`` holding registers from ``address``."""

    __slots__ = ()
    function = FunctionCode.READ_HOLDING_REGISTERS


class ReadInputRegisters(_ReadRegisters):
    """Function 04: ``count`` input registers from ``address``."""

    __slots__ = ()
    function = FunctionCode.READ_INPUT_REGISTERS


@dataclass(frozen=True, slots=True)
class _Data(Response):
    """``data``: the bytes behind the byte count."""

    data: bytes
    bytes_max: ClassVar[int]

    def pack(self) -> bytes:
        return bytes((self.function, len(self.data))) + self.data

    @classmethod
    def unpack(cls, pdu: bytes) -> Self:
        return cls(check_counted(pdu, 1, "a read response"))

    def _length_problem(self) -> str:
        size = len(self.data)
        return "" if 1 <= size <= self.bytes_max else f"{size} bytes of data, where 1 to {self.bytes_max} are possible"


class _BitsResponse(_Data):
    __slots__ = ()
    bytes_max = bytes_for_bits(READ_BITS_MAX)

    def problem(self) -> str:
        return self._length_problem()

    def mismatch(self, request: Request) -> str:
        assert isinstance(request, _ReadBits)
        return _size_mismatch(self.data, bytes_for_bits(request.count))


class _RegistersResponse(_Data):
    __slots__ = ()
    bytes_max = 2 * READ_REGISTERS_MAX

    def problem(self) -> str:
        if len(self.data) % 2:
            return f"{len(self.data)} bytes are not whole registers"
        return self._length_problem()

    def mismatch(self, request: Request) -> str:
        assert isinstance(request, _ReadRegisters)
        return _size_mismatch(self.data, 2 * request.count)


def _size_mismatch(data: bytes, expected: int) -> str:
    return "" if len(data) == expected else f"{len(data)} bytes of data where {expected} were asked for"


class ReadCoilsResponse(_BitsResponse):
    """Answer to function 01."""

    __slots__ = ()
    function = FunctionCode.READ_COILS


class ReadDiscreteInputsResponse(_BitsResponse):
    """Answer to function 02."""

    __slots__ = ()
    function = FunctionCode.READ_DISCRETE_INPUTS


class ReadHoldingRegistersResponse(_RegistersResponse):
    """Answer to function 03."""

    __slots__ = ()
    function = FunctionCode.READ_HOLDING_REGISTERS


class ReadInputRegistersResponse(_RegistersResponse):
    """Answer to function 04."""

    __slots__ = ()
    function = FunctionCode.READ_INPUT_REGISTERS


# Writing one item: the response is the request again.


@dataclass(frozen=True, slots=True)
class WriteSingleCoil(Request):
    """Function 05: one coil on or off."""

    address: int
    value: bool
    function = FunctionCode.WRITE_SINGLE_COIL

    def problem(self) -> str:
        return _address_problem(self.address)

    def pack(self) -> bytes:
        return _TWO_WORDS.pack(self.function, self.address, COIL_ON if self.value else COIL_OFF)

    @classmethod
    def unpack(cls, pdu: bytes) -> Self:
        return cls(*_unpack_coil(pdu))


@dataclass(frozen=True, slots=True)
class WriteSingleCoilResponse(Response):
    """Answer to function 05: an echo."""

    address: int
    value: bool
    function = FunctionCode.WRITE_SINGLE_COIL

    def problem(self) -> str:
        return _address_problem(self.address)

    def pack(self) -> bytes:
        return _TWO_WORDS.pack(self.function, self.address, COIL_ON if self.value else COIL_OFF)

    @classmethod
    def unpack(cls, pdu: bytes) -> Self:
        return cls(*_unpack_coil(pdu))

    def mismatch(self, request: Request) -> str:
        return _echo_mismatch(self, request)


def _unpack_coil(pdu: bytes) -> tuple[int, bool]:
    check_length(pdu, 5, "a single coil PDU")
    _, address, number = _TWO_WORDS.unpack(pdu)
    if number not in (COIL_ON, COIL_OFF):
        raise PeerError(f"a coil is written with FF00 or 0000, not {number:04X}", pdu)
    return address, number == COIL_ON


def _echo_mismatch(response: Response, request: Request) -> str:
    echo, sent = response.pack(), request.pack()
    return "" if echo == sent else f"the echo is {echo.hex(' ')} where {sent.hex(' ')} was sent"


@dataclass(frozen=True, slots=True)
class WriteSingleRegister(Request):
    """Function 06: one holding register."""

    address: int
    value: int
    function = FunctionCode.WRITE_SINGLE_REGISTER

    def problem(self) -> str:
        return _address_problem(self.address) or word_problem(self.value, "register value")

    def pack(self) -> bytes:
        return _TWO_WORDS.pack(self.function, self.address, self.value)

    @classmethod
    def unpack(cls, pdu: bytes) -> Self:
        check_length(pdu, 5, "a single register PDU")
        _, address, value = _TWO_WORDS.unpack(pdu)
        return cls(address, value)


@dataclass(frozen=True, slots=True)
class WriteSingleRegisterResponse(Response):
    """Answer to function 06: an echo."""

    address: int
    value: int
    function = FunctionCode.WRITE_SINGLE_REGISTER

    def problem(self) -> str:
        return _address_problem(self.address) or word_problem(self.value, "register value")

    def pack(self) -> bytes:
        return _TWO_WORDS.pack(self.function, self.address, self.value)

    @classmethod
    def unpack(cls, pdu: bytes) -> Self:
        check_length(pdu, 5, "a single register PDU")
        _, address, value = _TWO_WORDS.unpack(pdu)
        return cls(address, value)

    def mismatch(self, request: Request) -> str:
        return _echo_mismatch(self, request)


# Writing many items: the response repeats address and count.


@dataclass(frozen=True, slots=True)
class WriteMultipleCoils(Request):
    """Function 0F: ``count`` coils from ``address``; ``data`` holds their bits (see ``pack_bits``)."""

    address: int
    count: int
    data: bytes
    function = FunctionCode.WRITE_MULTIPLE_COILS

    def problem(self) -> str:
        if problem := range_problem(self.address, self.count, WRITE_BITS_MAX, "bit"):
            return problem
        expected = bytes_for_bits(self.count)
        if len(self.data) != expected:
            return f"{len(self.data)} bytes of data for {self.count} bits, which take {expected}"
        return ""

    def pack(self) -> bytes:
        return _WRITE_MANY.pack(self.function, self.address, self.count, len(self.data)) + self.data

    @classmethod
    def unpack(cls, pdu: bytes) -> Self:
        data = check_counted(pdu, 5, "a write request")
        _, address, count, _ = _WRITE_MANY.unpack(pdu[:6])
        return cls(address, count, data)


@dataclass(frozen=True, slots=True)
class WriteMultipleRegisters(Request):
    """Function 10: the registers in ``data`` to ``address`` and on (see ``pack_registers``)."""

    address: int
    data: bytes
    function = FunctionCode.WRITE_MULTIPLE_REGISTERS

    @property
    def count(self) -> int:
        """How many registers."""
        return len(self.data) // 2

    def problem(self) -> str:
        if len(self.data) % 2:
            return f"{len(self.data)} bytes of data are not whole registers"
        return range_problem(self.address, self.count, WRITE_REGISTERS_MAX, "register")

    def pack(self) -> bytes:
        return _WRITE_MANY.pack(self.function, self.address, self.count, len(self.data)) + self.data

    @classmethod
    def unpack(cls, pdu: bytes) -> Self:
        data = check_counted(pdu, 5, "a write request")
        _, address, count, size = _WRITE_MANY.unpack(pdu[:6])
        if size != 2 * count:
            raise PeerError(f"byte count {size} for {count} registers, which take {2 * count}", pdu)
        return cls(address, data)


@dataclass(frozen=True, slots=True)
class _Written(Response):
    """Address and count, as they were asked for."""

    address: int
    count: int
    count_max: ClassVar[int]
    item: ClassVar[str]

    def problem(self) -> str:
        return range_problem(self.address, self.count, self.count_max, self.item)

    def pack(self) -> bytes:
        return _TWO_WORDS.pack(self.function, self.address, self.count)

    @classmethod
    def unpack(cls, pdu: bytes) -> Self:
        check_length(pdu, 5, "a write response")
        _, address, count = _TWO_WORDS.unpack(pdu)
        return cls(address, count)

    def mismatch(self, request: Request) -> str:
        assert isinstance(request, WriteMultipleCoils | WriteMultipleRegisters)
        if (self.address, self.count) == (request.address, request.count):
            return ""
        return (
            f"the response says {self.count} from address {self.address} "
            f"where {request.count} from address {request.address} were sent"
        )


class WriteMultipleCoilsResponse(_Written):
    """Answer to function 0F."""

    __slots__ = ()
    function = FunctionCode.WRITE_MULTIPLE_COILS
    count_max = WRITE_BITS_MAX
    item = "bit"


class WriteMultipleRegistersResponse(_Written):
    """Answer to function 10."""

    __slots__ = ()
    function = FunctionCode.WRITE_MULTIPLE_REGISTERS
    count_max = WRITE_REGISTERS_MAX
    item = "register"


# Changing bits of one register, and writing and reading at once.


@dataclass(frozen=True, slots=True)
class _Mask:
    """``result = (current AND and_mask) OR (or_mask AND NOT and_mask)`` (AP 6.16, page 36)."""

    address: int
    and_mask: int
    or_mask: int

    def problem(self) -> str:
        return (
            _address_problem(self.address)
            or word_problem(self.and_mask, "AND mask")
            or word_problem(self.or_mask, "OR mask")
        )

    def pack(self) -> bytes:
        return _THREE_WORDS.pack(FunctionCode.MASK_WRITE_REGISTER, self.address, self.and_mask, self.or_mask)

    @classmethod
    def unpack(cls, pdu: bytes) -> Self:
        check_length(pdu, 7, "a mask write PDU")
        _, address, and_mask, or_mask = _THREE_WORDS.unpack(pdu)
        return cls(address, and_mask, or_mask)


class MaskWriteRegister(_Mask, Request):
    """Function 16: set or clear bits of one holding register."""

    __slots__ = ()
    function = FunctionCode.MASK_WRITE_REGISTER


class MaskWriteRegisterResponse(_Mask, Response):
    """Answer to function 16: an echo."""

    __slots__ = ()
    function = FunctionCode.MASK_WRITE_REGISTER

    def mismatch(self, request: Request) -> str:
        return _echo_mismatch(self, request)


def masked(current: int, and_mask: int, or_mask: int) -> int:
    """What function 16 makes of a register (AP 6.16, page 36)."""
    return (current & and_mask) | (or_mask & ~and_mask & 0xFFFF)


@dataclass(frozen=True, slots=True)
class ReadWriteMultipleRegisters(Request):
    """Function 17: write the registers in ``data`` to ``write_address``, then read."""

    read_address: int
    read_count: int
    write_address: int
    data: bytes
    function = FunctionCode.READ_WRITE_MULTIPLE_REGISTERS

    @property
    def write_count(self) -> int:
        """How many registers are written."""
        return len(self.data) // 2

    def problem(self) -> str:
        if len(self.data) % 2:
            return f"{len(self.data)} bytes of data are not whole registers"
        return range_problem(self.read_address, self.read_count, READ_WRITE_READ_MAX, "register") or range_problem(
            self.write_address, self.write_count, READ_WRITE_WRITE_MAX, "register"
        )

    def pack(self) -> bytes:
        head = _READ_WRITE.pack(
            self.function, self.read_address, self.read_count, self.write_address, self.write_count, len(self.data)
        )
        return head + self.data

    @classmethod
    def unpack(cls, pdu: bytes) -> Self:
        data = check_counted(pdu, 9, "a read/write request")
        _, read_address, read_count, write_address, write_count, size = _READ_WRITE.unpack(pdu[:10])
        if size != 2 * write_count:
            raise PeerError(f"byte count {size} for {write_count} registers, which take {2 * write_count}", pdu)
        return cls(read_address, read_count, write_address, data)


class ReadWriteMultipleRegistersResponse(_RegistersResponse):
    """Answer to function 17."""

    __slots__ = ()
    function = FunctionCode.READ_WRITE_MULTIPLE_REGISTERS

    def mismatch(self, request: Request) -> str:
        assert isinstance(request, ReadWriteMultipleRegisters)
        return _size_mismatch(self.data, 2 * request.read_count)
