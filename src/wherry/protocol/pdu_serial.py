"""Requests and responses that come from serial lines: status, diagnostics, event log, server id (AP 6.7-6.10, 6.13)."""

from __future__ import annotations

import struct
from dataclasses import dataclass
from enum import IntEnum
from typing import Final, Self

from wherry.errors import PeerError
from wherry.limits import PDU_BYTES_MAX
from wherry.protocol.functions import FunctionCode
from wherry.protocol.message import Request, Response, check_counted, check_length, word_problem

EVENTS_MAX: Final = 64  # AP 6.10, page 27
SERVER_ID_BYTES_MAX: Final = PDU_BYTES_MAX - 2
DIAGNOSTIC_BYTES_MAX: Final = PDU_BYTES_MAX - 3
_SUB_FUNCTION: Final = struct.Struct(">BH")
_TWO_WORDS: Final = struct.Struct(">BHH")
_LOG: Final = struct.Struct(">BBHHH")


class SubFunction(IntEnum):
    """Sub-functions of function 08 (AP 6.8.1, pages 22-24)."""

    RETURN_QUERY_DATA = 0x00
    RESTART_COMMUNICATIONS = 0x01
    RETURN_DIAGNOSTIC_REGISTER = 0x02
    CHANGE_ASCII_DELIMITER = 0x03
    FORCE_LISTEN_ONLY = 0x04
    CLEAR_COUNTERS = 0x0A
    BUS_MESSAGES = 0x0B
    BUS_COMMUNICATION_ERRORS = 0x0C
    BUS_EXCEPTIONS = 0x0D
    SERVER_MESSAGES = 0x0E
    SERVER_NO_RESPONSES = 0x0F
    SERVER_NAKS = 0x10
    SERVER_BUSY = 0x11
    CHARACTER_OVERRUNS = 0x12
    CLEAR_OVERRUN = 0x14


ECHOED: Final = frozenset(
    {
        SubFunction.RETURN_QUERY_DATA,
        SubFunction.RESTART_COMMUNICATIONS,
        SubFunction.CHANGE_ASCII_DELIMITER,
        SubFunction.CLEAR_COUNTERS,
        SubFunction.CLEAR_OVERRUN,
    }
)
"""Sub-functions whose response is the request again."""


class _Bare(Request):
    """A request that is its function code alone."""

    __slots__ = ()

    def pack(self) -> bytes:
        return bytes((self.function,))

    @classmethod
    def unpack(cls, pdu: bytes) -> Self:
        check_length(pdu, 1, "a request without fields")
        return cls()


@dataclass(frozen=True, slots=True)
class ReadExceptionStatus(_Bare):
    """Function 07: eight status bits whose meaning the device's maker decides."""

    function = FunctionCode.READ_EXCEPTION_STATUS


@dataclass(frozen=True, slots=True)
class ReadExceptionStatusResponse(Response):
    """Answer to function 07."""

    status: int
    function = FunctionCode.READ_EXCEPTION_STATUS

    def problem(self) -> str:
        return "" if 0 <= self.status <= 0xFF else f"status {self.status} does not fit 8 bits"

    def pack(self) -> bytes:
        return bytes((self.function, self.status))

    @classmethod
    def unpack(cls, pdu: bytes) -> Self:
        check_length(pdu, 2, "an exception status response")
        return cls(pdu[1])


@dataclass(frozen=True, slots=True)
class _Diagnostics:
    """A sub-function and its data: two bytes, or any even number for sub-function 00 (AP 6.8.1)."""

    sub_function: int
    data: bytes = b"\x00\x00"

    def problem(self) -> str:
        size = len(self.data)
        if problem := word_problem(self.sub_function, "sub-function"):
            return problem
        if self.sub_function == SubFunction.RETURN_QUERY_DATA:
            if size % 2 or not 2 <= size <= DIAGNOSTIC_BYTES_MAX:
                return f"{size} bytes of query data, where an even number from 2 to {DIAGNOSTIC_BYTES_MAX} is possible"
        elif size != 2:
            return f"{size} bytes of data for sub-function {self.sub_function:02X}, which takes 2"
        return ""

    def pack(self) -> bytes:
        return _SUB_FUNCTION.pack(FunctionCode.DIAGNOSTICS, self.sub_function) + self.data

    @classmethod
    def unpack(cls, pdu: bytes) -> Self:
        if len(pdu) < 3:
            raise PeerError(f"a diagnostics PDU of {len(pdu)} bytes has no sub-function", pdu)
        _, sub_function = _SUB_FUNCTION.unpack(pdu[:3])
        return cls(sub_function, pdu[3:])


class Diagnostics(_Diagnostics, Request):
    """Function 08."""

    __slots__ = ()
    function = FunctionCode.DIAGNOSTICS


class DiagnosticsResponse(_Diagnostics, Response):
    """Answer to function 08."""

    __slots__ = ()
    function = FunctionCode.DIAGNOSTICS

    def mismatch(self, request: Request) -> str:
        assert isinstance(request, Diagnostics)
        if self.sub_function != request.sub_function:
            return f"sub-function {self.sub_function:02X} where {request.sub_function:02X} was asked"
        if self.sub_function in ECHOED and self.data != request.data:
            return f"the echo is {self.data.hex(' ')} where {request.data.hex(' ')} was sent"
        return ""


@dataclass(frozen=True, slots=True)
class GetCommEventCounter(_Bare):
    """Function 0B."""

    function = FunctionCode.GET_COMM_EVENT_COUNTER


@dataclass(frozen=True, slots=True)
class GetCommEventCounterResponse(Response):
    """Answer to function 0B. ``status`` is FFFF (hex) while a program command is still being processed."""

    status: int
    event_count: int
    function = FunctionCode.GET_COMM_EVENT_COUNTER

    def problem(self) -> str:
        return word_problem(self.status, "status") or word_problem(self.event_count, "event count")

    def pack(self) -> bytes:
        return _TWO_WORDS.pack(self.function, self.status, self.event_count)

    @classmethod
    def unpack(cls, pdu: bytes) -> Self:
        check_length(pdu, 5, "an event counter response")
        _, status, event_count = _TWO_WORDS.unpack(pdu)
        return cls(status, event_count)


@dataclass(frozen=True, slots=True)
class GetCommEventLog(_Bare):
    """Function 0C."""

    function = FunctionCode.GET_COMM_EVENT_LOG


@dataclass(frozen=True, slots=True)
class GetCommEventLogResponse(Response):
    """Answer to function 0C. ``events`` holds one byte each, the newest first."""

    status: int
    event_count: int
    message_count: int
    events: bytes = b""
    function = FunctionCode.GET_COMM_EVENT_LOG

    def problem(self) -> str:
        if len(self.events) > EVENTS_MAX:
            return f"{len(self.events)} events, where at most {EVENTS_MAX} are possible"
        return (
            word_problem(self.status, "status")
            or word_problem(self.event_count, "event count")
            or word_problem(self.message_count, "message count")
        )

    def pack(self) -> bytes:
        size = 6 + len(self.events)
        return _LOG.pack(self.function, size, self.status, self.event_count, self.message_count) + self.events

    @classmethod
    def unpack(cls, pdu: bytes) -> Self:
        data = check_counted(pdu, 1, "an event log response")
        if len(data) < 6:
            raise PeerError(f"an event log of {len(data)} bytes is shorter than its own head of 6", pdu)
        _, _, status, event_count, message_count = _LOG.unpack(pdu[: _LOG.size])
        return cls(status, event_count, message_count, data[6:])


@dataclass(frozen=True, slots=True)
class ReportServerId(_Bare):
    """Function 11."""

    function = FunctionCode.REPORT_SERVER_ID


@dataclass(frozen=True, slots=True)
class ReportServerIdResponse(Response):
    """Answer to function 11.

    ``data`` is the device's own: its id, the run indicator (00 off, FF on), and anything more.
    """

    data: bytes
    function = FunctionCode.REPORT_SERVER_ID

    def problem(self) -> str:
        size = len(self.data)
        return "" if size <= SERVER_ID_BYTES_MAX else f"{size} bytes of data, where {SERVER_ID_BYTES_MAX} fit"

    def pack(self) -> bytes:
        return bytes((self.function, len(self.data))) + self.data

    @classmethod
    def unpack(cls, pdu: bytes) -> Self:
        return cls(check_counted(pdu, 1, "a server id response"))
