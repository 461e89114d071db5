"""A request made ready once, to be sent many times: its bytes, and what its reply must look like.

A reply's first bytes are known before it comes: protocol id, length, unit, function, and the byte count or the whole
echo. So a normal reply is accepted by comparing bytes, and nothing is decoded. Every other reply takes the slow way
through ``pdu.decode_response``.
"""

from __future__ import annotations

from typing import Final

from wherry.errors import LocalError
from wherry.limits import MBAP_BYTES, UNIT_MAX
from wherry.protocol.functions import FUNCTIONS, FunctionCode, function_title
from wherry.protocol.pdu import (
    Diagnostics,
    ReadCoils,
    ReadDiscreteInputs,
    ReadHoldingRegisters,
    ReadInputRegisters,
    ReadWriteMultipleRegisters,
    Request,
    SubFunction,
    bytes_for_bits,
    decode_request,
    encode_request,
)
from wherry.protocol.pdu_data import COIL_OFF, COIL_ON

TAIL_PDU_AT: Final = 5  # in a tail: protocol id 2, length 2, unit 1, then the PDU
_ECHOED: Final = frozenset(
    {
        FunctionCode.WRITE_SINGLE_COIL,
        FunctionCode.WRITE_SINGLE_REGISTER,
        FunctionCode.MASK_WRITE_REGISTER,
        FunctionCode.WRITE_FILE_RECORD,
    }
)
_HEAD_ECHOED: Final = frozenset({FunctionCode.WRITE_MULTIPLE_COILS, FunctionCode.WRITE_MULTIPLE_REGISTERS})
_DATA_AT: Final = {
    FunctionCode.WRITE_SINGLE_COIL: TAIL_PDU_AT + 3,
    FunctionCode.WRITE_SINGLE_REGISTER: TAIL_PDU_AT + 3,
    FunctionCode.MASK_WRITE_REGISTER: TAIL_PDU_AT + 3,
    FunctionCode.WRITE_MULTIPLE_COILS: TAIL_PDU_AT + 6,
    FunctionCode.WRITE_MULTIPLE_REGISTERS: TAIL_PDU_AT + 6,
}
_COIL_DATA: Final = frozenset({COIL_ON.to_bytes(2, "big"), COIL_OFF.to_bytes(2, "big")})


class Prepared:
    """One request, ready to send. Made by ``prepare``; does not change.

    ``request_tail`` is the TCP ADU without its transaction id, ``reply_head`` the first bytes of the reply's ADU, again
    without it. ``reply_bytes`` is the length of the whole reply ADU; 0 when it is not known before, or when the reply
    must be decoded to be judged. ``payload_at`` is where the payload begins in a TCP ADU.
    """

    __slots__ = ("data_at", "function", "is_write", "payload_at", "reply_bytes", "reply_head", "request_tail", "unit")

    unit: int
    function: int
    is_write: bool
    request_tail: bytes
    reply_head: bytes
    reply_bytes: int
    payload_at: int
    data_at: int

    @property
    def pdu(self) -> bytes:
        """The request's PDU."""
        return self.request_tail[TAIL_PDU_AT:]

    @property
    def data(self) -> bytes:
        """What ``with_data`` replaces; empty where there is nothing to replace."""
        return self.request_tail[self.data_at :] if self.data_at else b""

    @property
    def request(self) -> Request:
        """The request as fields."""
        return decode_request(self.pdu)

    def with_data(self, data: bytes) -> Prepared:
        """The same write with other data of the same length.

        For functions 05, 06, 0F and 10 the items as they travel, for 16 both masks. LocalError for another length or
        another function.
        """
        at = self.data_at
        tail = self.request_tail
        if not at or at + len(data) != len(tail):
            raise LocalError(self._data_problem(data))
        other: Prepared = _new(Prepared)
        other.unit = self.unit
        other.function = function = self.function
        other.is_write = True
        other.request_tail = tail = tail[:at] + data
        other.reply_bytes = self.reply_bytes
        other.payload_at = self.payload_at
        other.data_at = at
        if function in _HEAD_ECHOED:
            other.reply_head = self.reply_head
        else:
            if function == FunctionCode.WRITE_SINGLE_COIL and data not in _COIL_DATA:
                raise LocalError(self._data_problem(data))
            other.reply_head = tail
        return other

    def _data_problem(self, data: bytes) -> str:
        if not self.data_at:
            return f"{function_title(self.function)} has no data that could be replaced"
        expected = len(self.request_tail) - self.data_at
        if len(data) != expected:
            return f"{function_title(self.function)} was prepared for {expected} bytes of data, not {len(data)}"
        return f"a coil is written with FF00 or 0000, not {data.hex().upper()}"

    def __repr__(self) -> str:
        return f"Prepared(unit={self.unit}, pdu={self.pdu.hex(' ')})"


_new: Final = object.__new__


def prepare(unit: int, request: Request) -> Prepared:
    """Make a request ready. LocalError if the standard does not allow it, or if no answer would come to it."""
    if not 0 <= unit <= UNIT_MAX:
        raise LocalError(f"unit id {unit} does not fit one byte")
    pdu = encode_request(request)
    if isinstance(request, Diagnostics) and request.sub_function == SubFunction.FORCE_LISTEN_ONLY:
        raise LocalError("diagnostics sub-function 04 (listen only) gets no answer, so it cannot be an exchange")
    function = request.function
    made: Prepared = _new(Prepared)
    made.unit = unit
    made.function = function
    made.is_write = FUNCTIONS[function].is_write
    made.request_tail = _tail(unit, len(pdu), pdu)
    made.data_at = _DATA_AT.get(FunctionCode(function), 0)
    made.reply_bytes = 0
    made.payload_at = MBAP_BYTES + 1
    if function in _ECHOED:
        made.reply_head = made.request_tail
    elif function in _HEAD_ECHOED:
        made.reply_head = _tail(unit, 5, pdu[:5])
    elif (size := _counted_bytes(request)) is not None:
        made.reply_head = _tail(unit, 2 + size, bytes((function, size)))
        made.reply_bytes = MBAP_BYTES + 2 + size
        made.payload_at = MBAP_BYTES + 2
    else:
        made.reply_head = b""
        return made
    if not made.reply_bytes:
        made.reply_bytes = made.payload_at = 2 + len(made.reply_head)
    return made


def _tail(unit: int, pdu_bytes: int, pdu: bytes) -> bytes:
    return b"\x00\x00" + (pdu_bytes + 1).to_bytes(2, "big") + bytes((unit,)) + pdu


def _counted_bytes(request: Request) -> int | None:
    """The byte count of the reply, if the request decides it and the data may be anything."""
    if isinstance(request, ReadCoils | ReadDiscreteInputs):
        return bytes_for_bits(request.count)
    if isinstance(request, ReadHoldingRegisters | ReadInputRegisters):
        return 2 * request.count
    if isinstance(request, ReadWriteMultipleRegisters):
        return 2 * request.read_count
    return None
