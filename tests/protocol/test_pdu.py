"""What may not be asked or answered: our mistakes name the bad value, the peer's carry its bytes."""

from __future__ import annotations

import pytest

from wherry.errors import LocalError, PeerError
from wherry.protocol.functions import FUNCTIONS, READ_FUNCTION, Table, exception_text, function_title
from wherry.protocol.message import Request, Response
from wherry.protocol.pdu import (
    Diagnostics,
    ExceptionResponse,
    FileData,
    FileRange,
    GetCommEventCounterResponse,
    GetCommEventLogResponse,
    MaskWriteRegister,
    ReadCoils,
    ReadCoilsResponse,
    ReadDeviceIdentification,
    ReadDeviceIdentificationResponse,
    ReadDiscreteInputs,
    ReadExceptionStatusResponse,
    ReadFifoQueue,
    ReadFifoQueueResponse,
    ReadFileRecord,
    ReadFileRecordResponse,
    ReadHoldingRegisters,
    ReadHoldingRegistersResponse,
    ReadInputRegisters,
    ReadWriteMultipleRegisters,
    ReportServerIdResponse,
    WriteFileRecord,
    WriteMultipleCoils,
    WriteMultipleRegisters,
    WriteMultipleRegistersResponse,
    WriteSingleCoil,
    WriteSingleCoilResponse,
    WriteSingleRegister,
    decode_request,
    decode_response,
    encode_request,
    encode_response,
    pack_registers,
    unpack_bits,
    unpack_registers,
)


@pytest.mark.parametrize(
    ("request_", "bad"),
    [
        (ReadCoils(0, 0), "0 bits"),
        (ReadCoils(0, 2001), "2001 bits"),
        (ReadDiscreteInputs(-1, 1), "-1"),
        (ReadHoldingRegisters(65536, 1), "65536"),
        (ReadHoldingRegisters(0, 126), "126 registers"),
        (ReadInputRegisters(65530, 7), "7 registers from address 65530"),
        (WriteSingleCoil(70000, True), "70000"),
        (WriteSingleRegister(0, 65536), "65536"),
        (WriteSingleRegister(0, -1), "-1"),
        (WriteMultipleCoils(0, 1969, bytes(247)), "1969 bits"),
        (WriteMultipleCoils(0, 9, b"\x01"), "1 bytes of data for 9 bits"),
        (WriteMultipleRegisters(0, b""), "0 registers"),
        (WriteMultipleRegisters(0, bytes(248)), "124 registers"),
        (WriteMultipleRegisters(0, bytes(3)), "3 bytes"),
        (MaskWriteRegister(0, 0x10000, 0), "AND mask 65536"),
        (MaskWriteRegister(0, 0, -2), "OR mask -2"),
        (ReadWriteMultipleRegisters(0, 126, 0, bytes(2)), "126 registers"),
        (ReadWriteMultipleRegisters(0, 1, 0, bytes(244)), "122 registers"),
        (ReadWriteMultipleRegisters(0, 1, 0, bytes(1)), "1 bytes"),
        (Diagnostics(70000), "70000"),
        (Diagnostics(0, b""), "0 bytes"),
        (Diagnostics(1, bytes(4)), "4 bytes"),
        (ReadFileRecord(()), "0 sub-requests"),
        (ReadFileRecord((FileRange(1, 0, 1),) * 36), "36 sub-requests"),
        (ReadFileRecord((FileRange(0, 0, 1),)), "file 0"),
        (ReadFileRecord((FileRange(1, 10000, 1),)), "record 10000"),
        (ReadFileRecord((FileRange(1, 0, 122),)), "246 bytes"),
        (WriteFileRecord(()), "0 bytes"),
        (WriteFileRecord((FileData(1, 0, bytes(3)),)), "3 bytes"),
        (WriteFileRecord((FileData(1, 0, bytes(246)),)), "253 bytes"),
        (ReadFifoQueue(65536), "65536"),
        (ReadDeviceIdentification(5, 0), "code 5"),
        (ReadDeviceIdentification(1, 256), "256"),
    ],
)
def test_our_own_bad_request_names_the_value(request_: Request, bad: str) -> None:
    with pytest.raises(LocalError, match=bad):
        encode_request(request_)


@pytest.mark.parametrize(
    ("response", "bad"),
    [
        (ReadCoilsResponse(b""), "0 bytes"),
        (ReadCoilsResponse(bytes(251)), "251 bytes"),
        (ReadHoldingRegistersResponse(bytes(3)), "3 bytes"),
        (ReadHoldingRegistersResponse(bytes(252)), "252 bytes"),
        (ReadExceptionStatusResponse(256), "256"),
        (GetCommEventCounterResponse(0, 65536), "65536"),
        (GetCommEventLogResponse(0, 0, 0, bytes(65)), "65 events"),
        (ReportServerIdResponse(bytes(252)), "252 bytes"),
        (ReadFileRecordResponse((bytes(3),)), "3 bytes"),
        (ReadFileRecordResponse((bytes(200), bytes(100))), "304 bytes"),
        (ReadFifoQueueResponse(bytes(64)), "32 registers"),
        (ReadFifoQueueResponse(bytes(1)), "1 bytes"),
        (ReadDeviceIdentificationResponse(1, 1, 0, 0, ((0, bytes(250)),)), "259 bytes"),
        (ReadDeviceIdentificationResponse(1, 256, 0, 0, ()), "256"),
        (WriteMultipleRegistersResponse(0, 124), "124 registers"),
        (ExceptionResponse(0x83, 2), "131"),
        (ExceptionResponse(3, 256), "256"),
    ],
)
def test_our_own_bad_response_names_the_value(response: Response | ExceptionResponse, bad: str) -> None:
    with pytest.raises(LocalError, match=bad):
        encode_response(response)


@pytest.mark.parametrize(
    "pdu_hex",
    [
        "",
        "00" * 254,
        "00",
        "09",
        "83",
        "41 00 00",
        "03 00 00 00",
        "03 00 00 00 01 00",
        "05 00 00 12 34",
        "06 00 00",
        "07 00",
        "08 00",
        "08 00 01 00",
        "0F 00 00 00 09 01 FF",
        "0F 00 00 00 09 02 FF",
        "0F 00 00",
        "10 00 00 00 01 02 00",
        "10 00 00 00 02 02 00 00",
        "14 07 05 00 01 00 00 00 01",
        "14 08 06 00 01 00 00 00 01 00",
        "14",
        "15 09 06 00 01 00 00 00 02 00 00",
        "15 09 05 00 01 00 00 00 01 00 00",
        "15 03 06 00 01",
        "16 00 00 00 00 00",
        "17 00 00 00 01 00 00 00 02 02 00 00",
        "18 00",
        "2B 0D 01 00",
        "2B 0E 01",
        "2B 0E 09 00",
    ],
)
def test_a_peers_bad_request(pdu_hex: str) -> None:
    pdu = bytes.fromhex(pdu_hex)
    with pytest.raises(PeerError) as caught:
        decode_request(pdu)
    assert caught.value.data == pdu[:253]


@pytest.mark.parametrize(
    ("request_", "pdu_hex"),
    [
        (ReadHoldingRegisters(0, 2), ""),
        (ReadHoldingRegisters(0, 2), "04 04 00 00 00 00"),
        (ReadHoldingRegisters(0, 2), "03"),
        (ReadHoldingRegisters(0, 2), "03 04 00 00 00"),
        (ReadHoldingRegisters(0, 2), "03 04 00 00 00 00 00"),
        (ReadHoldingRegisters(0, 2), "03 02 00 00"),
        (ReadHoldingRegisters(0, 2), "03 03 00 00 00"),
        (ReadHoldingRegisters(0, 2), "03 00"),
        (ReadHoldingRegisters(0, 2), "83"),
        (ReadHoldingRegisters(0, 2), "83 02 00"),
        (ReadHoldingRegisters(0, 2), "84 02"),
        (ReadCoils(0, 9), "01 01 00"),
        (WriteSingleCoil(1, True), "05 00 01 00 00"),
        (WriteSingleCoil(1, True), "05 00 01 01 00"),
        (WriteSingleRegister(1, 2), "06 00 01 00 03"),
        (WriteSingleRegister(1, 2), "06 00 02 00 02"),
        (WriteMultipleRegisters(1, bytes(4)), "10 00 01 00 01"),
        (WriteMultipleRegisters(1, bytes(4)), "10 00 02 00 02"),
        (WriteMultipleCoils(1, 2, b"\x03"), "0F 00 01 00 03"),
        (MaskWriteRegister(1, 2, 3), "16 00 01 00 02 00 04"),
        (ReadWriteMultipleRegisters(0, 2, 0, bytes(2)), "17 02 00 00"),
        (Diagnostics(0, b"\x12\x34"), "08 00 00 12 35"),
        (Diagnostics(11), "08 00 0C 00 00"),
        (Diagnostics(11), "08 00 0B 00"),
        (ReadFileRecord((FileRange(1, 0, 2),)), "14 04 03 06 00 00"),
        (ReadFileRecord((FileRange(1, 0, 2),)), "14 06 09 06 00 00 00 00"),
        (ReadFileRecord((FileRange(1, 0, 1),)), "14 04 03 05 00 00"),
        (ReadFileRecord((FileRange(1, 0, 1),)), "14 02 00 06"),
        (WriteFileRecord((FileData(1, 0, b"\0\1"),)), "15 09 06 00 01 00 00 00 01 00 02"),
        (ReadFifoQueue(1), "18 00 04 00 02 00 00"),
        (ReadFifoQueue(1), "18 00 01 00"),
        (ReadDeviceIdentification(1, 0), "2B 0E 02 01 00 00 00"),
        (ReadDeviceIdentification(1, 0), "2B 0E 01 01 00"),
        (ReadDeviceIdentification(1, 0), "2B 0D 01 01 00 00 00"),
        (ReadDeviceIdentification(1, 0), "2B 0E 01 01 00 00 00 00"),
    ],
)
def test_a_peers_answer_that_does_not_fit(request_: Request, pdu_hex: str) -> None:
    pdu = bytes.fromhex(pdu_hex)
    with pytest.raises(PeerError) as caught:
        decode_response(request_, pdu)
    assert caught.value.data == pdu


def test_an_exception_is_a_value_whatever_its_code() -> None:
    answer = decode_response(ReadHoldingRegisters(0, 1), b"\x83\x7f")
    assert answer == ExceptionResponse(3, 0x7F)
    assert str(answer) == "read holding registers (03) refused: a code the standard does not define (7F)"
    assert exception_text(2) == "illegal data address (02)"
    assert function_title(0x83) == "read holding registers (03)"
    assert function_title(0x63) == "unknown function (63)"


def test_an_unknown_function_code_cannot_be_decoded() -> None:
    with pytest.raises(PeerError, match="63"):
        decode_response(0x63, b"\x63\x00")


def test_responses_are_told_from_the_function_code_alone() -> None:
    assert decode_response(5, bytes.fromhex("0500ACFF00")) == WriteSingleCoilResponse(172, True)


def test_items() -> None:
    with pytest.raises(LocalError, match="70000"):
        pack_registers([1, 70000])
    with pytest.raises(LocalError, match="3 bytes"):
        unpack_registers(bytes(3))
    with pytest.raises(LocalError, match="9 bits"):
        unpack_bits(b"\x01", 9)


def test_the_table_of_functions() -> None:
    """Which functions write, and which table each read is for (Application Protocol V1.1b3, 5.1)."""
    writes = {code for code, row in FUNCTIONS.items() if row.is_write}
    assert writes == {0x05, 0x06, 0x0F, 0x10, 0x15, 0x16, 0x17}
    assert {int(code) for code in READ_FUNCTION.values()} == {1, 2, 3, 4}
    assert all(FUNCTIONS[code].table is table for table, code in READ_FUNCTION.items())
    assert [table for table in Table if table.is_bits] == [Table.COIL, Table.DISCRETE]
    assert [table for table in Table if table.is_writable] == [Table.COIL, Table.HOLDING]
