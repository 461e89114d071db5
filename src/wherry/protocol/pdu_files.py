"""Requests and responses beyond the four tables: file records, FIFO queues, device identification (AP 6.14, 6.15,
6.18, 6.21).

The standard's example of function 14 contradicts its own table: a file response length of 05, where the table begins
at 07 (AP page 33). The example is followed, because two registers in one sub-response cannot be written otherwise.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from enum import IntEnum
from typing import Final, Self

from wherry.errors import PeerError
from wherry.limits import (
    ADDRESS_MAX,
    FIFO_COUNT_MAX,
    FILE_NUMBER_MAX,
    FILE_NUMBER_MIN,
    FILE_READ_BYTES_MAX,
    FILE_READ_BYTES_MIN,
    FILE_RECORD_MAX,
    FILE_WRITE_BYTES_MAX,
    FILE_WRITE_BYTES_MIN,
    PDU_BYTES_MAX,
)
from wherry.protocol.functions import MEI_DEVICE_IDENTIFICATION, FunctionCode
from wherry.protocol.message import Request, Response, check_counted, check_length, word_problem

FILE_REFERENCE: Final = 6  # AP 6.14, page 32: the reference type of every sub-request
SUB_REQUEST_BYTES: Final = 7
_SUB_REQUEST: Final = struct.Struct(">BHHH")
_FIFO: Final = struct.Struct(">BHH")
OBJECT_BYTES_MAX: Final = PDU_BYTES_MAX - 9  # head of 7, then object id and length: AP 6.21, page 44


@dataclass(frozen=True, slots=True)
class FileRange:
    """``count`` registers of one file, from record number ``record``."""

    file: int
    record: int
    count: int

    def problem(self) -> str:
        """What is wrong with it; empty when nothing is."""
        if not FILE_NUMBER_MIN <= self.file <= FILE_NUMBER_MAX:
            return f"file {self.file} is outside {FILE_NUMBER_MIN} to {FILE_NUMBER_MAX}"
        if not 0 <= self.record <= FILE_RECORD_MAX:
            return f"record {self.record} is outside 0 to {FILE_RECORD_MAX}"
        return word_problem(self.count, "record length")


@dataclass(frozen=True, slots=True)
class ReadFileRecord(Request):
    """Function 14: one or more ranges of registers in files."""

    ranges: tuple[FileRange, ...]
    function = FunctionCode.READ_FILE_RECORD

    @property
    def response_bytes(self) -> int:
        """The byte count its response must have."""
        return sum(2 + 2 * each.count for each in self.ranges)

    def problem(self) -> str:
        size = SUB_REQUEST_BYTES * len(self.ranges)
        if not FILE_READ_BYTES_MIN <= size <= FILE_READ_BYTES_MAX:
            return (
                f"{len(self.ranges)} sub-requests, where 1 to {FILE_READ_BYTES_MAX // SUB_REQUEST_BYTES} are possible"
            )
        if problem := next(filter(None, (each.problem() for each in self.ranges)), ""):
            return problem
        if self.response_bytes > FILE_READ_BYTES_MAX:
            return f"the response would have {self.response_bytes} bytes, where {FILE_READ_BYTES_MAX} fit"
        return ""

    def pack(self) -> bytes:
        parts = [_SUB_REQUEST.pack(FILE_REFERENCE, each.file, each.record, each.count) for each in self.ranges]
        return bytes((self.function, SUB_REQUEST_BYTES * len(parts))) + b"".join(parts)

    @classmethod
    def unpack(cls, pdu: bytes) -> Self:
        data = check_counted(pdu, 1, "a file read request")
        if len(data) % SUB_REQUEST_BYTES:
            raise PeerError(f"{len(data)} bytes are not whole sub-requests of {SUB_REQUEST_BYTES}", pdu)
        ranges = []
        for reference, file, record, count in _SUB_REQUEST.iter_unpack(data):
            _check_reference(reference, pdu)
            ranges.append(FileRange(file, record, count))
        return cls(tuple(ranges))


def _check_reference(reference: int, pdu: bytes) -> None:
    if reference != FILE_REFERENCE:
        raise PeerError(f"reference type {reference} where {FILE_REFERENCE} is the only one", pdu)


@dataclass(frozen=True, slots=True)
class ReadFileRecordResponse(Response):
    """Answer to function 14: the registers of each range, big-endian."""

    records: tuple[bytes, ...]
    function = FunctionCode.READ_FILE_RECORD

    def problem(self) -> str:
        if bad := [len(each) for each in self.records if len(each) % 2 or len(each) > FILE_READ_BYTES_MAX]:
            return f"{bad[0]} bytes are not the registers of one record range"
        size = sum(2 + len(each) for each in self.records)
        return "" if size <= FILE_READ_BYTES_MAX else f"{size} bytes of data, where {FILE_READ_BYTES_MAX} fit"

    def pack(self) -> bytes:
        parts = [bytes((len(each) + 1, FILE_REFERENCE)) + each for each in self.records]
        data = b"".join(parts)
        return bytes((self.function, len(data))) + data

    @classmethod
    def unpack(cls, pdu: bytes) -> Self:
        data = check_counted(pdu, 1, "a file read response")
        records = []
        at = 0
        while at < len(data):
            stop = at + 1 + data[at]
            if data[at] < 1 or stop > len(data):
                raise PeerError(f"a file response length of {data[at]} does not fit the PDU", pdu)
            _check_reference(data[at + 1], pdu)
            records.append(data[at + 2 : stop])
            at = stop
        return cls(tuple(records))

    def mismatch(self, request: Request) -> str:
        assert isinstance(request, ReadFileRecord)
        sizes = [len(each) for each in self.records]
        asked = [2 * each.count for each in request.ranges]
        return "" if sizes == asked else f"records of {sizes} bytes where {asked} were asked for"


@dataclass(frozen=True, slots=True)
class FileData:
    """Registers for one file, from record number ``record``: big-endian."""

    file: int
    record: int
    data: bytes

    def problem(self) -> str:
        """What is wrong with it; empty when nothing is."""
        if len(self.data) % 2 or not self.data:
            return f"{len(self.data)} bytes of data are not whole registers"
        return FileRange(self.file, self.record, len(self.data) // 2).problem()

    def pack(self) -> bytes:
        """One sub-request."""
        return _SUB_REQUEST.pack(FILE_REFERENCE, self.file, self.record, len(self.data) // 2) + self.data


@dataclass(frozen=True, slots=True)
class _WriteFileRecord:
    """One or more runs of registers."""

    parts: tuple[FileData, ...]

    def problem(self) -> str:
        size = sum(SUB_REQUEST_BYTES + len(each.data) for each in self.parts)
        if problem := next(filter(None, (each.problem() for each in self.parts)), ""):
            return problem
        if not FILE_WRITE_BYTES_MIN <= size <= FILE_WRITE_BYTES_MAX:
            return f"{size} bytes of data, where {FILE_WRITE_BYTES_MIN} to {FILE_WRITE_BYTES_MAX} are possible"
        return ""

    def pack(self) -> bytes:
        data = b"".join(each.pack() for each in self.parts)
        return bytes((FunctionCode.WRITE_FILE_RECORD, len(data))) + data

    @classmethod
    def unpack(cls, pdu: bytes) -> Self:
        data = check_counted(pdu, 1, "a file write PDU")
        parts = []
        at = 0
        while at < len(data):
            start = at + SUB_REQUEST_BYTES
            if start > len(data):
                raise PeerError("a file sub-request is cut short", pdu)
            reference, file, record, count = _SUB_REQUEST.unpack(data[at:start])
            _check_reference(reference, pdu)
            at = start + 2 * count
            if at > len(data):
                raise PeerError(f"a file sub-request of {count} registers passes the end of the PDU", pdu)
            parts.append(FileData(file, record, data[start:at]))
        return cls(tuple(parts))


class WriteFileRecord(_WriteFileRecord, Request):
    """Function 15: registers into files."""

    __slots__ = ()
    function = FunctionCode.WRITE_FILE_RECORD


class WriteFileRecordResponse(_WriteFileRecord, Response):
    """Answer to function 15: an echo."""

    __slots__ = ()
    function = FunctionCode.WRITE_FILE_RECORD

    def mismatch(self, request: Request) -> str:
        assert isinstance(request, WriteFileRecord)
        return "" if self.parts == request.parts else "the echo is not what was sent"


@dataclass(frozen=True, slots=True)
class ReadFifoQueue(Request):
    """Function 18: the registers waiting in the queue at ``address``; they stay there."""

    address: int
    function = FunctionCode.READ_FIFO_QUEUE

    def problem(self) -> str:
        return "" if 0 <= self.address <= ADDRESS_MAX else f"address {self.address} is outside 0 to {ADDRESS_MAX}"

    def pack(self) -> bytes:
        return bytes((self.function,)) + self.address.to_bytes(2, "big")

    @classmethod
    def unpack(cls, pdu: bytes) -> Self:
        check_length(pdu, 3, "a FIFO read request")
        return cls(int.from_bytes(pdu[1:], "big"))


@dataclass(frozen=True, slots=True)
class ReadFifoQueueResponse(Response):
    """Answer to function 18: the registers, big-endian."""

    data: bytes
    function = FunctionCode.READ_FIFO_QUEUE

    def problem(self) -> str:
        count = len(self.data) // 2
        if len(self.data) % 2:
            return f"{len(self.data)} bytes of data are not whole registers"
        return "" if count <= FIFO_COUNT_MAX else f"{count} registers in a queue, where {FIFO_COUNT_MAX} are possible"

    def pack(self) -> bytes:
        return _FIFO.pack(self.function, len(self.data) + 2, len(self.data) // 2) + self.data

    @classmethod
    def unpack(cls, pdu: bytes) -> Self:
        body = check_counted(pdu, 1, "a FIFO response", width=2)
        if len(body) < 2:
            raise PeerError("a FIFO response ends before its count", pdu)
        count = int.from_bytes(body[:2], "big")
        if len(body) != 2 + 2 * count:
            raise PeerError(f"a FIFO count of {count} with {len(body) - 2} bytes of data", pdu)
        return cls(body[2:])


class ReadDeviceCode(IntEnum):
    """What part of the identification is asked for (AP 6.21, page 43)."""

    BASIC = 1
    REGULAR = 2
    EXTENDED = 3
    ONE_OBJECT = 4


@dataclass(frozen=True, slots=True)
class ReadDeviceIdentification(Request):
    """Function 2B with MEI type 0E: identification objects from ``object_id``, or that one alone (code 4)."""

    code: int = ReadDeviceCode.BASIC
    object_id: int = 0
    function = FunctionCode.ENCAPSULATED_INTERFACE

    def problem(self) -> str:
        if self.code not in ReadDeviceCode.__members__.values():
            return f"read device code {self.code} is outside 1 to 4"
        return "" if 0 <= self.object_id <= 0xFF else f"object id {self.object_id} does not fit 8 bits"

    def pack(self) -> bytes:
        return bytes((self.function, MEI_DEVICE_IDENTIFICATION, self.code, self.object_id))

    @classmethod
    def unpack(cls, pdu: bytes) -> Self:
        check_length(pdu, 4, "a device identification request")
        _check_mei(pdu)
        return cls(pdu[2], pdu[3])


def _check_mei(pdu: bytes) -> None:
    if pdu[1] != MEI_DEVICE_IDENTIFICATION:
        raise PeerError(f"MEI type {pdu[1]:02X} where only {MEI_DEVICE_IDENTIFICATION:02X} is understood", pdu)


@dataclass(frozen=True, slots=True)
class ReadDeviceIdentificationResponse(Response):
    """Answer to function 2B/0E. ``more`` and ``next_object`` say where to go on when it did not fit.

    ``more`` is FF (hex) or 00 in the standard; other numbers are met and kept as they are.
    """

    code: int
    conformity: int
    more: int
    next_object: int
    objects: tuple[tuple[int, bytes], ...]
    function = FunctionCode.ENCAPSULATED_INTERFACE

    def problem(self) -> str:
        size = 7 + sum(2 + len(text) for _, text in self.objects)
        if size > PDU_BYTES_MAX:
            return f"the objects make a PDU of {size} bytes, where {PDU_BYTES_MAX} fit"
        numbers = (self.code, self.conformity, self.more, self.next_object, *(number for number, _ in self.objects))
        bad = [each for each in numbers if not 0 <= each <= 0xFF]
        return f"{bad[0]} does not fit 8 bits" if bad else ""

    def pack(self) -> bytes:
        head = (
            self.function,
            MEI_DEVICE_IDENTIFICATION,
            self.code,
            self.conformity,
            self.more,
            self.next_object,
            len(self.objects),
        )
        return bytes(head) + b"".join(bytes((number, len(text))) + text for number, text in self.objects)

    @classmethod
    def unpack(cls, pdu: bytes) -> Self:
        if len(pdu) < 7:
            raise PeerError(f"a device identification response of {len(pdu)} bytes is shorter than its head of 7", pdu)
        _check_mei(pdu)
        objects = []
        at = 7
        for _ in range(pdu[6]):
            if at + 2 > len(pdu) or at + 2 + pdu[at + 1] > len(pdu):
                raise PeerError(f"{pdu[6]} identification objects do not fit the PDU of {len(pdu)} bytes", pdu)
            objects.append((pdu[at], pdu[at + 2 : at + 2 + pdu[at + 1]]))
            at += 2 + pdu[at + 1]
        if at != len(pdu):
            raise PeerError(f"{len(pdu) - at} bytes behind the last identification object", pdu)
        return cls(pdu[2], pdu[3], pdu[4], pdu[5], tuple(objects))

    def mismatch(self, request: Request) -> str:
        assert isinstance(request, ReadDeviceIdentification)
        if self.code != request.code:
            return f"read device code {self.code} where {request.code} was asked"
        return ""
