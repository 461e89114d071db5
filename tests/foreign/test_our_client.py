"""Our client session against other people's servers: pymodbus, and a C server on libmodbus."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from wherry.protocol.pdu import (
    Diagnostics,
    FileData,
    FileRange,
    GetCommEventCounter,
    MaskWriteRegister,
    ReadCoils,
    ReadDeviceIdentification,
    ReadDiscreteInputs,
    ReadExceptionStatus,
    ReadFifoQueue,
    ReadFileRecord,
    ReadHoldingRegisters,
    ReadInputRegisters,
    ReadWriteMultipleRegisters,
    ReportServerId,
    Request,
    SubFunction,
    WriteFileRecord,
    WriteMultipleCoils,
    WriteMultipleRegisters,
    WriteSingleCoil,
    WriteSingleRegister,
    pack_bits,
    pack_registers,
)
from wherry.protocol.session import Refusal, Reply

pytestmark = pytest.mark.foreign
SERVERS = ("c_server", "pymodbus_server")

Start = Callable[..., Any]
Connect = Callable[..., Any]


def registers_from(first: int, count: int) -> bytes:
    return pack_registers(range(first, first + count))


READS: dict[str, tuple[Request, bytes]] = {
    "01": (ReadCoils(0, 19), pack_bits([i % 3 == 0 for i in range(19)])),
    "01 not from a byte": (ReadCoils(5, 30), pack_bits([i % 3 == 0 for i in range(5, 35)])),
    "02": (ReadDiscreteInputs(0, 16), pack_bits([i % 5 == 0 for i in range(16)])),
    "03 one": (ReadHoldingRegisters(7, 1), registers_from(0x1007, 1)),
    "03 as many as fit": (ReadHoldingRegisters(75, 125), registers_from(0x1000 + 75, 125)),
    "04": (ReadInputRegisters(190, 10), registers_from(0x2000 + 190, 10)),
}

WRITES: dict[str, tuple[Request, Request, bytes]] = {
    # The write, how its effect is read back, and what must be there then (the neighbours unchanged).
    "05 on": (WriteSingleCoil(1, True), ReadCoils(0, 4), pack_bits([1, 1, 0, 1])),
    "05 off": (WriteSingleCoil(0, False), ReadCoils(0, 4), pack_bits([0, 0, 0, 1])),
    "06": (WriteSingleRegister(4, 0xFFFF), ReadHoldingRegisters(3, 3), pack_registers([0x1003, 0xFFFF, 0x1005])),
    "0F": (
        WriteMultipleCoils(3, 10, pack_bits([0, 1, 1, 0, 1, 1, 0, 1, 1, 0])),
        ReadCoils(2, 12),
        pack_bits([0, 0, 1, 1, 0, 1, 1, 0, 1, 1, 0, 0]),
    ),
    "10": (
        WriteMultipleRegisters(10, pack_registers([0, 0x8000, 0xFFFF])),
        ReadHoldingRegisters(9, 5),
        pack_registers([0x1009, 0, 0x8000, 0xFFFF, 0x100D]),
    ),
    "10 as many as fit": (
        WriteMultipleRegisters(0, registers_from(0x3000, 123)),
        ReadHoldingRegisters(0, 124),
        registers_from(0x3000, 123) + registers_from(0x1000 + 123, 1),
    ),
    # The standard's own masks (Modbus V1.1b3, 6.16) on another content: (1004 AND F2) OR (25 AND NOT F2) = 0005.
    "16": (MaskWriteRegister(4, 0x00F2, 0x0025), ReadHoldingRegisters(4, 2), pack_registers([0x0005, 0x1005])),
}


@pytest.mark.parametrize("server", SERVERS)
def test_reads(server: str, start_peer: Start, connect: Connect) -> None:
    client = connect(start_peer(server).port)
    for name, (request, expected) in READS.items():
        outcome = client.ask(request)
        assert isinstance(outcome, Reply), (name, outcome)
        assert outcome.payload == expected, name


@pytest.mark.parametrize("name", WRITES)
@pytest.mark.parametrize("server", SERVERS)
def test_writes(server: str, name: str, start_peer: Start, connect: Connect) -> None:
    write, read, expected = WRITES[name]
    peer = start_peer(server)
    client = connect(peer.port)
    outcome = client.ask(write)
    assert isinstance(outcome, Reply)
    assert outcome.payload == b""
    assert client.ask(read).payload == expected
    writes = peer.finish()["writes"]
    assert (writes if isinstance(writes, int) else len(writes)) == 1


@pytest.mark.parametrize("server", SERVERS)
def test_write_and_read_at_once(server: str, start_peer: Start, connect: Connect) -> None:
    """Function 17 writes before it reads (Modbus V1.1b3, 6.17): what it wrote is in its answer."""
    client = connect(start_peer(server).port)
    outcome = client.ask(ReadWriteMultipleRegisters(10, 4, 11, pack_registers([7, 8])))
    assert isinstance(outcome, Reply)
    assert outcome.payload == pack_registers([0x100A, 7, 8, 0x100D])


@pytest.mark.parametrize("server", SERVERS)
def test_a_place_that_does_not_exist_is_refused_with_02(server: str, start_peer: Start, connect: Connect) -> None:
    client = connect(start_peer(server).port)
    beyond: tuple[Request, ...] = (
        ReadCoils(1000, 1),
        ReadDiscreteInputs(1000, 8),
        ReadHoldingRegisters(199, 2),
        ReadInputRegisters(65535, 1),
        WriteSingleCoil(1000, True),
        WriteSingleRegister(200, 1),
        WriteMultipleCoils(1000, 2, b"\x03"),
        WriteMultipleRegisters(199, pack_registers([1, 2])),
        MaskWriteRegister(200, 0, 0),
        ReadWriteMultipleRegisters(300, 1, 0, pack_registers([1])),
    )
    for request in beyond:
        outcome = client.ask(request)
        assert isinstance(outcome, Refusal), request
        assert outcome.code == 2, request
    assert client.session.counters.exceptions == len(beyond)
    assert client.ask(ReadHoldingRegisters(198, 2)).payload == registers_from(0x1000 + 198, 2)


def test_an_unknown_function_is_refused_with_01(start_peer: Start, connect: Connect) -> None:
    outcome = connect(start_peer("c_server").port).ask(GetCommEventCounter())
    assert isinstance(outcome, Refusal)
    assert outcome.code == 1


def test_server_id_of_the_c_library(start_peer: Start, connect: Connect) -> None:
    """libmodbus names itself and its version; ours to check is only the shape: id, run indicator, text."""
    outcome = connect(start_peer("c_server").port).ask(ReportServerId())
    assert isinstance(outcome, Reply)
    assert outcome.payload[0] == len(outcome.payload) - 1
    assert outcome.payload[2] == 0xFF


def test_rarer_functions_of_pymodbus(start_peer: Start, connect: Connect) -> None:
    """What its server answers is partly fixed text of its own; each whole answer must be accepted as fitting."""
    client = connect(start_peer("pymodbus_server").port)
    answers: dict[Request, bytes] = {
        ReadExceptionStatus(): b"\x00",
        Diagnostics(SubFunction.RETURN_QUERY_DATA, b"\xa5\x37"): b"\x00\x00\xa5\x37",
        ReportServerId(): b"\x12hatchery-hall-1.0\xff",
        ReadFileRecord((FileRange(4, 1, 10),)): b"\x16\x15\x06SERVER DUMMY RECORD.",
        WriteFileRecord((FileData(4, 7, b"\x06\xaf\x04\xbe"),)): b"",
        ReadFifoQueue(30): bytes.fromhex("000a 0004 0000 0001 0002 0003"),
        ReadDeviceIdentification(): b"\x0e\x01\x83\x00\x00\x03\x00\x08hatchery\x01\x04hall\x02\x031.0",
    }
    for request, expected in answers.items():
        outcome = client.ask(request)
        assert isinstance(outcome, Reply), (request, outcome)
        assert outcome.payload == expected, request


def test_many_in_flight(start_peer: Start, connect: Connect) -> None:
    """Eight requests leave at once; each answer goes to its own."""
    client = connect(start_peer("c_server").port, in_flight_max=8)
    for _ in range(25):
        outcomes = client.ask_at_once(*(ReadHoldingRegisters(10 * i, i + 1) for i in range(8)))
        assert [each.payload for each in outcomes] == [registers_from(0x1000 + 10 * i, i + 1) for i in range(8)]
    assert client.session.counters.replies == 200


def test_sets_of_the_moving_server_are_whole(start_peer: Start, connect: Connect) -> None:
    """The source of the carrying tests does what they rely on: each reading is one set, the next is another."""
    peer = start_peer("c_server", "--moving")
    client = connect(peer.port)
    for number in range(1, 51):
        outcome = client.ask(ReadHoldingRegisters(0, 10))
        assert outcome.payload == registers_from(16 * number, 10)
    assert peer.finish()["sets"] == 50


def test_rtu_frames_over_tcp(start_peer: Start, connect: Connect) -> None:
    """The serial framing with its CRC, carried in a TCP stream."""
    client = connect(start_peer("pymodbus_server", "--framing", "rtu").port, framing="rtu")
    for name, (request, expected) in READS.items():
        outcome = client.ask(request)
        assert isinstance(outcome, Reply), (name, outcome)
        assert outcome.payload == expected, name
    for name, (write, read, expected) in WRITES.items():
        if name in ("05 on", "06", "10 as many as fit"):
            assert isinstance(client.ask(write), Reply)
            assert client.ask(read).payload == expected, name
    refused = client.ask(ReadHoldingRegisters(199, 2))
    assert isinstance(refused, Refusal)
    assert refused.code == 2
