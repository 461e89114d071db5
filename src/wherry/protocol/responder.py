"""The server's side of the protocol, without a connection: a request PDU in, a response PDU out.

Validation follows the state diagram of each function (AP is the MODBUS Application Protocol Specification V1.1b3),
which differ from the general one (AP figure 9): function code (01), then quantities and byte counts (03), then
addresses (02), then execution (04 and on); but address before value for mask write (figure 26), FIFO (figure 28) and
device identification (figure 30). A PDU whose length does not fit its function is refused with 03: "the implied
length is incorrect" (AP 7).
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Collection
from dataclasses import dataclass, field
from functools import partial
from typing import Final

from wherry import limits as bounds
from wherry.errors import LocalError
from wherry.protocol.functions import EXCEPTION_BIT, FUNCTIONS, ExceptionCode, FunctionCode, Table
from wherry.protocol.identification import Identity, identify
from wherry.protocol.message import bytes_for_bits
from wherry.protocol.pdu_data import COIL_OFF, COIL_ON, masked
from wherry.protocol.pdu_files import FILE_REFERENCE, SUB_REQUEST_BYTES
from wherry.protocol.pdu_serial import EVENTS_MAX, SERVER_ID_BYTES_MAX, SubFunction
from wherry.protocol.store import MemoryStore, Store

__all__ = ["Device", "Identity", "MemoryStore", "Responder", "ResponderLimits", "Store"]

_BAD_FUNCTION: Final = ExceptionCode.ILLEGAL_FUNCTION
_BAD_ADDRESS: Final = ExceptionCode.ILLEGAL_DATA_ADDRESS
_BAD_VALUE: Final = ExceptionCode.ILLEGAL_DATA_VALUE

# Bytes of the event log (AP 6.10, page 28; bit meanings from memory).
_EVENT_RECEIVED: Final = 0x80
_EVENT_SENT: Final = 0x40
_EVENT_LISTEN_ONLY: Final = 0x04
_EVENT_RESTART: Final = 0x00
_LISTENING: Final = 0x20
_EXCEPTION_EVENT: Final = {1: 0x01, 2: 0x01, 3: 0x01, 4: 0x02, 5: 0x04, 6: 0x04}

Answer = bytes | int | None
"""A response PDU, an exception code, or no answer at all."""


@dataclass(frozen=True, slots=True)
class ResponderLimits:
    """The most items in one request; beyond it the device refuses with 03. The defaults are the standard's."""

    read_bits: int = bounds.READ_BITS_MAX
    read_registers: int = bounds.READ_REGISTERS_MAX
    write_bits: int = bounds.WRITE_BITS_MAX
    write_registers: int = bounds.WRITE_REGISTERS_MAX

    def __post_init__(self) -> None:
        for name, most in (
            ("read_bits", bounds.READ_BITS_MAX),
            ("read_registers", bounds.READ_REGISTERS_MAX),
            ("write_bits", bounds.WRITE_BITS_MAX),
            ("write_registers", bounds.WRITE_REGISTERS_MAX),
        ):
            if not 1 <= getattr(self, name) <= most:
                raise LocalError(f"limit {name} = {getattr(self, name)} is outside 1 to {most}")


@dataclass(slots=True)
class Device:
    """What a device has beside the four tables.

    ``files``: the registers of each file by number, big-endian. ``queues``: the registers waiting in each queue, by the
    queue's address. ``server_id``: what function 11 returns before the run indicator.
    """

    identity: Identity = field(default_factory=Identity)
    server_id: bytes = b"\x01"
    is_running: bool = True
    exception_status: int = 0
    diagnostic_register: int = 0
    files: dict[int, bytearray] = field(default_factory=dict)
    queues: dict[int, list[int]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if len(self.server_id) >= SERVER_ID_BYTES_MAX:
            raise LocalError(f"a server id of {len(self.server_id)} bytes, where {SERVER_ID_BYTES_MAX - 1} fit")


class Responder:
    """Answers requests from a store.

    ``units``: the unit ids it answers to, any if None. ``functions``: the function codes it knows; all if None.
    """

    def __init__(
        self,
        store: Store,
        *,
        units: Collection[int] | None = None,
        limits: ResponderLimits | None = None,
        functions: Collection[int] | None = None,
        device: Device | None = None,
    ) -> None:
        self.store = store
        self.units = None if units is None else frozenset(units)
        self.limits = limits if limits is not None else ResponderLimits()
        self.device = device if device is not None else Device()
        self.is_listen_only = False
        self.event_count = 0
        self.counters: dict[SubFunction, int] = dict.fromkeys(_COUNTED, 0)
        self._events: deque[int] = deque(maxlen=EVENTS_MAX)
        self._handlers = self._all_handlers()
        if functions is not None:
            self._handlers = {code: self._handlers[code] for code in functions}

    def _all_handlers(self) -> dict[int, Callable[[bytes], Answer]]:
        code = FunctionCode
        return {
            code.READ_COILS: partial(self._read_bits, Table.COIL),
            code.READ_DISCRETE_INPUTS: partial(self._read_bits, Table.DISCRETE),
            code.READ_HOLDING_REGISTERS: partial(self._read_registers, Table.HOLDING),
            code.READ_INPUT_REGISTERS: partial(self._read_registers, Table.INPUT),
            code.WRITE_SINGLE_COIL: self._write_coil,
            code.WRITE_SINGLE_REGISTER: self._write_register,
            code.READ_EXCEPTION_STATUS: self._exception_status,
            code.DIAGNOSTICS: self._diagnostics,
            code.GET_COMM_EVENT_COUNTER: self._event_counter,
            code.GET_COMM_EVENT_LOG: self._event_log,
            code.WRITE_MULTIPLE_COILS: self._write_coils,
            code.WRITE_MULTIPLE_REGISTERS: self._write_registers,
            code.REPORT_SERVER_ID: self._server_id,
            code.READ_FILE_RECORD: self._read_files,
            code.WRITE_FILE_RECORD: self._write_files,
            code.MASK_WRITE_REGISTER: self._mask_register,
            code.READ_WRITE_MULTIPLE_REGISTERS: self._read_write,
            code.READ_FIFO_QUEUE: self._read_queue,
            code.ENCAPSULATED_INTERFACE: self._identification,
        }

    def respond(self, unit: int, pdu: bytes) -> bytes | None:
        """The response PDU; None when there is none: another unit's request, or listening only."""
        assert pdu, "a framed PDU has a function code"
        self.counters[SubFunction.BUS_MESSAGES] += 1
        if self.units is not None and unit not in self.units:
            return None
        self.counters[SubFunction.SERVER_MESSAGES] += 1
        was_listening = self.is_listen_only
        self._events.appendleft(_EVENT_RECEIVED | (_LISTENING if was_listening else 0))
        function = pdu[0]
        if was_listening and not _ends_listening(pdu):
            self.counters[SubFunction.SERVER_NO_RESPONSES] += 1
            return None
        handler = self._handlers.get(function)
        answer = _BAD_FUNCTION if handler is None else handler(pdu)
        if isinstance(answer, int):
            self.counters[SubFunction.BUS_EXCEPTIONS] += 1
            self._events.appendleft(_EVENT_SENT | _EXCEPTION_EVENT.get(answer, 0))
            return bytes((function | EXCEPTION_BIT, answer))
        if function not in _NOT_COUNTED:
            self.event_count = (self.event_count + 1) & 0xFFFF
        if answer is None or was_listening:
            self.counters[SubFunction.SERVER_NO_RESPONSES] += 1
            return None
        self._events.appendleft(_EVENT_SENT)
        return answer

    def respond_broadcast(self, pdu: bytes) -> None:
        """Carry out a broadcast of a serial line: only writes, and nobody answers (SL 2.1, page 7)."""
        row = FUNCTIONS.get(pdu[0])
        self.counters[SubFunction.BUS_MESSAGES] += 1
        if row is not None and row.is_write and pdu[0] in self._handlers and not self.is_listen_only:
            self.counters[SubFunction.SERVER_MESSAGES] += 1
            self._handlers[pdu[0]](pdu)
            self.counters[SubFunction.SERVER_NO_RESPONSES] += 1

    def communication_error(self) -> None:
        """Count a frame that came broken; nobody answers it (AP 7, page 47)."""
        self.counters[SubFunction.BUS_COMMUNICATION_ERRORS] += 1

    # Tables.

    def _read_bits(self, table: Table, pdu: bytes) -> Answer:
        address, count = _word(pdu, 1), _word(pdu, 3)
        if len(pdu) != 5 or not 1 <= count <= self.limits.read_bits:
            return _BAD_VALUE
        if code := self._refusal(table, address, count):
            return code
        return bytes((pdu[0], bytes_for_bits(count))) + self.store.read_bits(table, address, count)

    def _read_registers(self, table: Table, pdu: bytes) -> Answer:
        address, count = _word(pdu, 1), _word(pdu, 3)
        if len(pdu) != 5 or not 1 <= count <= self.limits.read_registers:
            return _BAD_VALUE
        if code := self._refusal(table, address, count):
            return code
        return bytes((pdu[0], 2 * count)) + self.store.read_registers(table, address, count)

    def _write_coil(self, pdu: bytes) -> Answer:
        address, value = _word(pdu, 1), _word(pdu, 3)
        if len(pdu) != 5 or value not in (COIL_ON, COIL_OFF):
            return _BAD_VALUE
        if code := self._refusal(Table.COIL, address, 1, is_write=True):
            return code
        self.store.write_bits(Table.COIL, address, 1, b"\x01" if value == COIL_ON else b"\x00")
        return pdu

    def _write_register(self, pdu: bytes) -> Answer:
        if len(pdu) != 5:
            return _BAD_VALUE
        address = _word(pdu, 1)
        if code := self._refusal(Table.HOLDING, address, 1, is_write=True):
            return code
        self.store.write_registers(Table.HOLDING, address, pdu[3:])
        return pdu

    def _write_coils(self, pdu: bytes) -> Answer:
        address, count = _word(pdu, 1), _word(pdu, 3)
        size = bytes_for_bits(count)
        if not 1 <= count <= self.limits.write_bits or len(pdu) != 6 + size or pdu[5] != size:
            return _BAD_VALUE
        if code := self._refusal(Table.COIL, address, count, is_write=True):
            return code
        self.store.write_bits(Table.COIL, address, count, pdu[6:])
        return pdu[:5]

    def _write_registers(self, pdu: bytes) -> Answer:
        address, count = _word(pdu, 1), _word(pdu, 3)
        if not 1 <= count <= self.limits.write_registers or len(pdu) != 6 + 2 * count or pdu[5] != 2 * count:
            return _BAD_VALUE
        if code := self._refusal(Table.HOLDING, address, count, is_write=True):
            return code
        self.store.write_registers(Table.HOLDING, address, pdu[6:])
        return pdu[:5]

    def _mask_register(self, pdu: bytes) -> Answer:
        if len(pdu) != 7:
            return _BAD_VALUE
        address = _word(pdu, 1)
        if code := self._refusal(Table.HOLDING, address, 1, is_write=True):
            return code
        current = int.from_bytes(self.store.read_registers(Table.HOLDING, address, 1), "big")
        new = masked(current, _word(pdu, 3), _word(pdu, 5))
        self.store.write_registers(Table.HOLDING, address, new.to_bytes(2, "big"))
        return pdu

    def _read_write(self, pdu: bytes) -> Answer:
        read_address, read_count = _word(pdu, 1), _word(pdu, 3)
        write_address, write_count = _word(pdu, 5), _word(pdu, 7)
        write_max = min(self.limits.write_registers, bounds.READ_WRITE_WRITE_MAX)
        if not (1 <= read_count <= self.limits.read_registers and 1 <= write_count <= write_max):
            return _BAD_VALUE
        if len(pdu) != 10 + 2 * write_count or pdu[9] != 2 * write_count:
            return _BAD_VALUE
        code = self._refusal(Table.HOLDING, read_address, read_count)
        code = code or self._refusal(Table.HOLDING, write_address, write_count, is_write=True)
        if code:
            return code
        self.store.write_registers(Table.HOLDING, write_address, pdu[10:])
        data = self.store.read_registers(Table.HOLDING, read_address, read_count)
        return bytes((pdu[0], len(data))) + data

    def _refusal(self, table: Table, address: int, count: int, *, is_write: bool = False) -> int:
        if address + count > bounds.ITEMS_PER_TABLE:
            return _BAD_ADDRESS
        return self.store.refusal(table, address, count, is_write=is_write)

    # Files and queues.

    def _read_files(self, pdu: bytes) -> Answer:
        size = len(pdu) - 2
        if size < bounds.FILE_READ_BYTES_MIN or size > bounds.FILE_READ_BYTES_MAX or pdu[1] != size:
            return _BAD_VALUE
        if size % SUB_REQUEST_BYTES:
            return _BAD_VALUE
        parts = []
        for at in range(2, len(pdu), SUB_REQUEST_BYTES):
            count = _word(pdu, at + 5)
            place = self._file_place(pdu, at, count)
            if place is None:
                return _BAD_ADDRESS
            file, start = place
            if 2 * count > bounds.FILE_READ_BYTES_MAX:
                return _BAD_VALUE
            parts.append(bytes((2 * count + 1, FILE_REFERENCE)) + file[start : start + 2 * count])
        data = b"".join(parts)
        return _BAD_VALUE if len(data) > bounds.FILE_READ_BYTES_MAX else bytes((pdu[0], len(data))) + data

    def _write_files(self, pdu: bytes) -> Answer:
        size = len(pdu) - 2
        if size < bounds.FILE_WRITE_BYTES_MIN or size > bounds.FILE_WRITE_BYTES_MAX or pdu[1] != size:
            return _BAD_VALUE
        at = 2
        writes = []
        while at < len(pdu):
            data_at = at + SUB_REQUEST_BYTES
            if data_at > len(pdu):
                return _BAD_VALUE
            count = _word(pdu, at + 5)
            stop = data_at + 2 * count
            if count == 0 or stop > len(pdu):
                return _BAD_VALUE
            place = self._file_place(pdu, at, count)
            if place is None:
                return _BAD_ADDRESS
            writes.append((*place, pdu[data_at:stop]))
            at = stop
        for file, start, data in writes:
            file[start : start + len(data)] = data
        return pdu

    def _file_place(self, pdu: bytes, at: int, count: int) -> tuple[bytearray, int] | None:
        """The file that a sub-request at ``at`` means, and where in it; None if it is not there."""
        file = self.device.files.get(_word(pdu, at + 1))
        record = _word(pdu, at + 3)
        if pdu[at] != FILE_REFERENCE or file is None or record > bounds.FILE_RECORD_MAX:
            return None
        return (file, 2 * record) if 2 * (record + count) <= len(file) else None

    def _read_queue(self, pdu: bytes) -> Answer:
        if len(pdu) != 3:
            return _BAD_VALUE
        queue = self.device.queues.get(_word(pdu, 1))
        if queue is None:
            return _BAD_ADDRESS
        if len(queue) > bounds.FIFO_COUNT_MAX:
            return _BAD_VALUE
        size = 2 + 2 * len(queue)
        head = bytes((pdu[0],)) + size.to_bytes(2, "big") + len(queue).to_bytes(2, "big")
        return head + b"".join(each.to_bytes(2, "big") for each in queue)

    # What comes from serial lines.

    def _exception_status(self, pdu: bytes) -> Answer:
        return bytes((pdu[0], self.device.exception_status)) if len(pdu) == 1 else _BAD_VALUE

    def _server_id(self, pdu: bytes) -> Answer:
        if len(pdu) != 1:
            return _BAD_VALUE
        data = self.device.server_id + (b"\xff" if self.device.is_running else b"\x00")
        return bytes((pdu[0], len(data))) + data

    def _event_counter(self, pdu: bytes) -> Answer:
        return bytes((pdu[0], 0, 0)) + self.event_count.to_bytes(2, "big") if len(pdu) == 1 else _BAD_VALUE

    def _event_log(self, pdu: bytes) -> Answer:
        if len(pdu) != 1:
            return _BAD_VALUE
        messages = self.counters[SubFunction.BUS_MESSAGES] & 0xFFFF
        events = bytes(self._events)
        head = bytes((pdu[0], 6 + len(events), 0, 0))
        return head + self.event_count.to_bytes(2, "big") + messages.to_bytes(2, "big") + events

    def _diagnostics(self, pdu: bytes) -> Answer:
        sub_function = _word(pdu, 1)
        data = pdu[3:]
        if sub_function not in _SUB_FUNCTIONS:
            return _BAD_FUNCTION
        if sub_function == SubFunction.RETURN_QUERY_DATA:
            return pdu if data and len(data) % 2 == 0 else _BAD_VALUE
        if len(data) != 2:
            return _BAD_VALUE
        if sub_function == SubFunction.RESTART_COMMUNICATIONS:
            return self._restart(pdu) if data in (b"\x00\x00", b"\xff\x00") else _BAD_VALUE
        if sub_function == SubFunction.CHANGE_ASCII_DELIMITER:
            return pdu if data[1] == 0 else _BAD_VALUE
        if data != b"\x00\x00":
            return _BAD_VALUE
        if sub_function == SubFunction.FORCE_LISTEN_ONLY:
            self.is_listen_only = True
            self._events.appendleft(_EVENT_LISTEN_ONLY)
            return None
        if sub_function == SubFunction.CLEAR_COUNTERS:
            self._clear()
            self.device.diagnostic_register = 0
            return pdu
        if sub_function == SubFunction.CLEAR_OVERRUN:
            self.counters[SubFunction.CHARACTER_OVERRUNS] = 0
            return pdu
        if sub_function == SubFunction.RETURN_DIAGNOSTIC_REGISTER:
            return pdu[:3] + self.device.diagnostic_register.to_bytes(2, "big")
        return pdu[:3] + (self.counters[SubFunction(sub_function)] & 0xFFFF).to_bytes(2, "big")

    def _restart(self, pdu: bytes) -> bytes:
        self.is_listen_only = False
        self._clear()
        if pdu[3] == 0xFF:
            self._events.clear()
        self._events.appendleft(_EVENT_RESTART)
        return pdu

    def _clear(self) -> None:
        self.event_count = 0
        for each in self.counters:
            self.counters[each] = 0

    def _identification(self, pdu: bytes) -> Answer:
        return identify(self.device.identity, pdu)


_COUNTED: Final = (
    SubFunction.BUS_MESSAGES,
    SubFunction.BUS_COMMUNICATION_ERRORS,
    SubFunction.BUS_EXCEPTIONS,
    SubFunction.SERVER_MESSAGES,
    SubFunction.SERVER_NO_RESPONSES,
    SubFunction.SERVER_NAKS,
    SubFunction.SERVER_BUSY,
    SubFunction.CHARACTER_OVERRUNS,
)
_SUB_FUNCTIONS: Final = frozenset(int(each) for each in SubFunction)
# AP 6.9, page 25: fetching the counter does not count as an event; the log is taken to be alike.
_NOT_COUNTED: Final = frozenset({FunctionCode.GET_COMM_EVENT_COUNTER, FunctionCode.GET_COMM_EVENT_LOG})


def _ends_listening(pdu: bytes) -> bool:
    """Only a restart ends listening (AP 6.8.1, page 23), and it is not answered."""
    return pdu[0] == FunctionCode.DIAGNOSTICS and _word(pdu, 1) == SubFunction.RESTART_COMMUNICATIONS


def _word(pdu: bytes, at: int) -> int:
    """The number at ``at``; what is missing at the end counts as nothing, and the length is judged elsewhere."""
    return int.from_bytes(pdu[at : at + 2], "big")
