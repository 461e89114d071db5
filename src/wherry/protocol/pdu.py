"""Every request and response, to bytes and back.

Bytes that break the standard raise ``PeerError`` and carry what was read. Arguments that break it raise ``LocalError``
and name the bad value. A device's "no" is an ``ExceptionResponse``: a value like any other answer.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from wherry.errors import LocalError, PeerError
from wherry.limits import PDU_BYTES_MAX
from wherry.protocol.functions import EXCEPTION_BIT, EXCEPTION_PDU_BYTES, FUNCTIONS, exception_text, function_title
from wherry.protocol.message import (
    Message,
    Request,
    Response,
    bytes_for_bits,
    pack_bits,
    pack_registers,
    unpack_bits,
    unpack_registers,
)
from wherry.protocol.pdu_data import (
    MaskWriteRegister,
    MaskWriteRegisterResponse,
    ReadCoils,
    ReadCoilsResponse,
    ReadDiscreteInputs,
    ReadDiscreteInputsResponse,
    ReadHoldingRegisters,
    ReadHoldingRegistersResponse,
    ReadInputRegisters,
    ReadInputRegistersResponse,
    ReadWriteMultipleRegisters,
    ReadWriteMultipleRegistersResponse,
    WriteMultipleCoils,
    WriteMultipleCoilsResponse,
    WriteMultipleRegisters,
    WriteMultipleRegistersResponse,
    WriteSingleCoil,
    WriteSingleCoilResponse,
    WriteSingleRegister,
    WriteSingleRegisterResponse,
    masked,
)
from wherry.protocol.pdu_files import (
    FileData,
    FileRange,
    ReadDeviceCode,
    ReadDeviceIdentification,
    ReadDeviceIdentificationResponse,
    ReadFifoQueue,
    ReadFifoQueueResponse,
    ReadFileRecord,
    ReadFileRecordResponse,
    WriteFileRecord,
    WriteFileRecordResponse,
)
from wherry.protocol.pdu_serial import (
    Diagnostics,
    DiagnosticsResponse,
    GetCommEventCounter,
    GetCommEventCounterResponse,
    GetCommEventLog,
    GetCommEventLogResponse,
    ReadExceptionStatus,
    ReadExceptionStatusResponse,
    ReportServerId,
    ReportServerIdResponse,
    SubFunction,
)

__all__ = [
    "REQUEST_TYPES",
    "RESPONSE_TYPES",
    "Diagnostics",
    "DiagnosticsResponse",
    "ExceptionResponse",
    "FileData",
    "FileRange",
    "GetCommEventCounter",
    "GetCommEventCounterResponse",
    "GetCommEventLog",
    "GetCommEventLogResponse",
    "MaskWriteRegister",
    "MaskWriteRegisterResponse",
    "Message",
    "ReadCoils",
    "ReadCoilsResponse",
    "ReadDeviceCode",
    "ReadDeviceIdentification",
    "ReadDeviceIdentificationResponse",
    "ReadDiscreteInputs",
    "ReadDiscreteInputsResponse",
    "ReadExceptionStatus",
    "ReadExceptionStatusResponse",
    "ReadFifoQueue",
    "ReadFifoQueueResponse",
    "ReadFileRecord",
    "ReadFileRecordResponse",
    "ReadHoldingRegisters",
    "ReadHoldingRegistersResponse",
    "ReadInputRegisters",
    "ReadInputRegistersResponse",
    "ReadWriteMultipleRegisters",
    "ReadWriteMultipleRegistersResponse",
    "ReportServerId",
    "ReportServerIdResponse",
    "Request",
    "Response",
    "SubFunction",
    "WriteFileRecord",
    "WriteFileRecordResponse",
    "WriteMultipleCoils",
    "WriteMultipleCoilsResponse",
    "WriteMultipleRegisters",
    "WriteMultipleRegistersResponse",
    "WriteSingleCoil",
    "WriteSingleCoilResponse",
    "WriteSingleRegister",
    "WriteSingleRegisterResponse",
    "bytes_for_bits",
    "decode_request",
    "decode_response",
    "encode_request",
    "encode_response",
    "masked",
    "pack_bits",
    "pack_registers",
    "unpack_bits",
    "unpack_registers",
]


@dataclass(frozen=True, slots=True)
class ExceptionResponse:
    """The device says no: to which function, and why (AP 7). Codes beyond the standard's are met and kept."""

    function: int
    code: int

    def problem(self) -> str:
        """What is wrong with the fields; empty when nothing is."""
        # 0 is no valid function, but it can be asked for, and devices refuse it like any other.
        if not 0 <= self.function < EXCEPTION_BIT:
            return f"function code {self.function} is outside 0 to {EXCEPTION_BIT - 1}"
        return "" if 0 <= self.code <= 0xFF else f"exception code {self.code} does not fit one byte"

    def pack(self) -> bytes:
        """The PDU."""
        return bytes((self.function | EXCEPTION_BIT, self.code))

    def __str__(self) -> str:
        return f"{function_title(self.function)} refused: {exception_text(self.code)}"


REQUEST_TYPES: Final[dict[int, type[Request]]] = {
    each.function: each
    for each in (
        ReadCoils,
        ReadDiscreteInputs,
        ReadHoldingRegisters,
        ReadInputRegisters,
        WriteSingleCoil,
        WriteSingleRegister,
        ReadExceptionStatus,
        Diagnostics,
        GetCommEventCounter,
        GetCommEventLog,
        WriteMultipleCoils,
        WriteMultipleRegisters,
        ReportServerId,
        ReadFileRecord,
        WriteFileRecord,
        MaskWriteRegister,
        ReadWriteMultipleRegisters,
        ReadFifoQueue,
        ReadDeviceIdentification,
    )
}
"""The request type of each function code."""

RESPONSE_TYPES: Final[dict[int, type[Response]]] = {
    each.function: each
    for each in (
        ReadCoilsResponse,
        ReadDiscreteInputsResponse,
        ReadHoldingRegistersResponse,
        ReadInputRegistersResponse,
        WriteSingleCoilResponse,
        WriteSingleRegisterResponse,
        ReadExceptionStatusResponse,
        DiagnosticsResponse,
        GetCommEventCounterResponse,
        GetCommEventLogResponse,
        WriteMultipleCoilsResponse,
        WriteMultipleRegistersResponse,
        ReportServerIdResponse,
        ReadFileRecordResponse,
        WriteFileRecordResponse,
        MaskWriteRegisterResponse,
        ReadWriteMultipleRegistersResponse,
        ReadFifoQueueResponse,
        ReadDeviceIdentificationResponse,
    )
}
"""The response type of each function code."""

assert set(REQUEST_TYPES) == set(RESPONSE_TYPES) == set(FUNCTIONS)


def encode_request(request: Request) -> bytes:
    """The request's PDU. LocalError, naming the bad value, if the standard does not allow it."""
    return _encode(request)


def encode_response(response: Response | ExceptionResponse) -> bytes:
    """The response's PDU. LocalError, naming the bad value, if the standard does not allow it."""
    return _encode(response)


def decode_request(pdu: bytes) -> Request:
    """The request in a PDU. PeerError if it is not one that the standard allows, or not of a known function."""
    kind = REQUEST_TYPES.get(_function(pdu))
    if kind is None:
        raise PeerError(f"function code {pdu[0]:02X} is not one of the public ones", pdu)
    request = kind.unpack(pdu)
    if problem := request.problem():
        raise PeerError(f"{function_title(pdu[0])}: {problem}", pdu)
    return request


def decode_response(asked: Request | int, pdu: bytes) -> Response | ExceptionResponse:
    """The response in a PDU, to the request or function code ``asked``.

    PeerError if it is not one that the standard allows, or if it cannot be the answer: another function, another
    length than asked for, or a write echo that differs. With a function code alone only the form is checked.
    """
    function = asked if isinstance(asked, int) else asked.function
    received = _function(pdu)
    if received == function | EXCEPTION_BIT:
        if len(pdu) != EXCEPTION_PDU_BYTES:
            raise PeerError(f"an exception response has {len(pdu)} bytes instead of {EXCEPTION_PDU_BYTES}", pdu)
        return ExceptionResponse(function, pdu[1])
    if received != function:
        raise PeerError(f"function code {received:02X} in the response to {function_title(function)}", pdu)
    kind = RESPONSE_TYPES.get(function)
    if kind is None:
        raise PeerError(f"function code {function:02X} is not one of the public ones", pdu)
    response = kind.unpack(pdu)
    problem = response.problem() or ("" if isinstance(asked, int) else response.mismatch(asked))
    if problem:
        raise PeerError(f"{function_title(function)}: {problem}", pdu)
    return response


def _encode(message: Message | ExceptionResponse) -> bytes:
    if problem := message.problem():
        raise LocalError(f"{function_title(message.function)}: {problem}")
    pdu = message.pack()
    assert 1 <= len(pdu) <= PDU_BYTES_MAX, len(pdu)
    return pdu


def _function(pdu: bytes) -> int:
    if not 1 <= len(pdu) <= PDU_BYTES_MAX:
        raise PeerError(f"a PDU has 1 to {PDU_BYTES_MAX} bytes, not {len(pdu)}", pdu[:PDU_BYTES_MAX])
    return pdu[0]
