"""Every worked example of the standards in every way it may arrive: whole, byte by byte, with something behind it."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from wherry import limits
from wherry.errors import PeerError
from wherry.protocol.crc import has_good_crc
from wherry.protocol.functions import EXCEPTION_TEXT, FUNCTIONS, FunctionCode, Table
from wherry.protocol.mbap import MbapFrame, MbapReader, encode_adu
from wherry.protocol.pdu import (
    Diagnostics,
    ExceptionResponse,
    FileData,
    FileRange,
    GetCommEventCounterResponse,
    GetCommEventLogResponse,
    MaskWriteRegister,
    ReadCoils,
    ReadDeviceIdentification,
    ReadDeviceIdentificationResponse,
    ReadExceptionStatusResponse,
    ReadFifoQueue,
    ReadFifoQueueResponse,
    ReadFileRecord,
    ReadFileRecordResponse,
    ReadHoldingRegisters,
    ReadWriteMultipleRegisters,
    ReadWriteMultipleRegistersResponse,
    Request,
    WriteFileRecord,
    WriteMultipleCoils,
    WriteMultipleRegisters,
    WriteSingleCoil,
    WriteSingleRegister,
    decode_request,
    decode_response,
    encode_request,
    encode_response,
    masked,
    pack_bits,
    pack_registers,
    unpack_bits,
    unpack_registers,
)
from wherry.protocol.responder import Device, MemoryStore, Responder
from wherry.protocol.rtu import RtuFrame, RtuReader, encode_frame

SPEC: dict[str, Any] = json.loads((Path(__file__).parents[1] / "vectors" / "spec_examples.json").read_text())
EXAMPLES: list[dict[str, Any]] = SPEC["examples"]
NOT_PARSEABLE = (
    "Read Device Identification, first of two transactions",
    "Read Device Identification, second of two transactions",
)
"""Printed with wrong counts and lengths (see the note of each): no reader can accept these as they are."""


def request_of(example: dict[str, Any]) -> bytes:
    return bytes.fromhex(example["request_pdu_hex"])


def response_of(example: dict[str, Any]) -> bytes:
    return bytes.fromhex(example.get("response_pdu_hex_corrected") or example["response_pdu_hex"])


ANSWERED = [each for each in EXAMPLES if each["response_pdu_hex"] and each["name"] not in NOT_PARSEABLE]
every_request = pytest.mark.parametrize("example", EXAMPLES, ids=lambda example: example["name"])
every_answer = pytest.mark.parametrize("example", ANSWERED, ids=lambda example: example["name"])


def test_the_examples_cover_every_function() -> None:
    asked = {request_of(each)[0] for each in EXAMPLES}
    assert asked == set(FUNCTIONS)


# Messages.


@every_request
def test_request_to_fields_and_back(example: dict[str, Any]) -> None:
    pdu = request_of(example)
    assert encode_request(decode_request(pdu)) == pdu


@every_answer
def test_response_to_fields_and_back(example: dict[str, Any]) -> None:
    request = decode_request(request_of(example))
    pdu = response_of(example)
    assert encode_response(decode_response(request, pdu)) == pdu
    assert encode_response(decode_response(request.function, pdu)) == pdu


@pytest.mark.parametrize(
    ("pdu_hex", "request_"),
    [
        ("0100130013", ReadCoils(19, 19)),
        ("03006B0003", ReadHoldingRegisters(107, 3)),
        ("0500ACFF00", WriteSingleCoil(172, True)),
        ("0600010003", WriteSingleRegister(1, 3)),
        ("080000A537", Diagnostics(0, b"\xa5\x37")),
        ("0F0013000A02CD01", WriteMultipleCoils(19, 10, b"\xcd\x01")),
        ("100001000204000A0102", WriteMultipleRegisters(1, pack_registers([10, 258]))),
        ("140E0600040001000206000300090002", ReadFileRecord((FileRange(4, 1, 2), FileRange(3, 9, 2)))),
        ("150D0600040007000306AF04BE100D", WriteFileRecord((FileData(4, 7, bytes.fromhex("06AF04BE100D")),))),
        ("16000400F20025", MaskWriteRegister(4, 0xF2, 0x25)),
        ("1700030006000E00030600FF00FF00FF", ReadWriteMultipleRegisters(3, 6, 14, pack_registers([255] * 3))),
        ("1804DE", ReadFifoQueue(1246)),
        ("2B0E0102", ReadDeviceIdentification(1, 2)),
    ],
)
def test_request_fields(pdu_hex: str, request_: Request) -> None:
    assert decode_request(bytes.fromhex(pdu_hex)) == request_


@pytest.mark.parametrize(
    ("request_hex", "response_hex", "response"),
    [
        ("07", "076D", ReadExceptionStatusResponse(0x6D)),
        ("0B", "0BFFFF0108", GetCommEventCounterResponse(0xFFFF, 264)),
        ("0C", "0C080000010801212000", GetCommEventLogResponse(0, 264, 289, b"\x20\x00")),
        (
            "140E0600040001000206000300090002",
            "140C05060DFE0020050633CD0040",
            ReadFileRecordResponse((bytes.fromhex("0DFE0020"), bytes.fromhex("33CD0040"))),
        ),
        (
            "1700030006000E00030600FF00FF00FF",
            "170C00FE0ACD00010003000D00FF",
            ReadWriteMultipleRegistersResponse(pack_registers([254, 2765, 1, 3, 13, 255])),
        ),
        ("1804DE", "180006000201B81284", ReadFifoQueueResponse(pack_registers([440, 4740]))),
        ("0104A10001", "8102", ExceptionResponse(1, 2)),
    ],
)
def test_response_fields(request_hex: str, response_hex: str, response: object) -> None:
    assert decode_response(decode_request(bytes.fromhex(request_hex)), bytes.fromhex(response_hex)) == response


def test_device_identification_fields() -> None:
    example = next(each for each in EXAMPLES if "response_pdu_hex_corrected" in each)
    answer = decode_response(decode_request(request_of(example)), response_of(example))
    assert isinstance(answer, ReadDeviceIdentificationResponse)
    assert [text.decode() for _, text in answer.objects] == ["Company identification", "Product code XX", "V2.11"]
    with pytest.raises(PeerError):
        decode_response(FunctionCode.ENCAPSULATED_INTERFACE, bytes.fromhex(example["response_pdu_hex"]))


@pytest.mark.parametrize("name", NOT_PARSEABLE)
def test_misprinted_identification_is_refused(name: str) -> None:
    example = next(each for each in EXAMPLES if each["name"] == name)
    with pytest.raises(PeerError):
        decode_response(decode_request(request_of(example)), response_of(example))


def test_bits_as_the_standard_tells_them() -> None:
    checked = 0
    for example in EXAMPLES:
        bits = example.get("decoded", {}).get("bits_lsb_first")
        if bits is None:
            continue
        pdu = request_of(example) if example["fc"] == 15 else response_of(example)
        data = pdu[6:] if example["fc"] == 15 else pdu[2:]
        assert unpack_bits(data, len(bits)) == tuple(map(bool, bits))
        assert pack_bits(bits) == data
        checked += 1
    assert checked == 3


def test_registers_as_the_standard_tells_them() -> None:
    """Application Protocol V1.1b3, 6.3, page 15: registers 108-110 hold 555, 0 and 100."""
    assert unpack_registers(bytes.fromhex("022B00000064")) == (555, 0, 100)


def test_mask_write_as_the_standard_tells_it() -> None:
    decoded = next(each["decoded"] for each in EXAMPLES if each["fc"] == 22)
    assert masked(decoded["current"], decoded["and_mask"], decoded["or_mask"]) == decoded["result"]


# Framing.


@every_request
def test_request_on_tcp_in_every_way(example: dict[str, Any]) -> None:
    read_in_every_way_mbap(request_of(example))


@every_answer
def test_response_on_tcp_in_every_way(example: dict[str, Any]) -> None:
    read_in_every_way_mbap(response_of(example))


def read_in_every_way_mbap(pdu: bytes) -> None:
    adu = encode_adu(0x1501, 0xFF, pdu)
    expected = MbapFrame(0x1501, 0xFF, pdu)
    assert MbapReader().feed(adu) == [expected]
    reader = MbapReader()
    for position in range(len(adu) - 1):
        assert reader.feed(adu[position : position + 1]) == [], "needs more"
        assert reader.buffered == position + 1
    assert reader.feed(adu[-1:]) == [expected]
    assert reader.buffered == 0
    reader = MbapReader()
    assert reader.feed(adu + adu[:5]) == [expected]
    assert reader.feed(adu[5:]) == [expected]


@every_request
def test_request_on_a_serial_line_in_every_way(example: dict[str, Any]) -> None:
    frame = bytes.fromhex(example["request_rtu_unit17_hex_computed"])
    assert has_good_crc(frame)
    assert encode_frame(17, request_of(example)) == frame
    read_in_every_way_rtu(frame, request_of(example), is_reply=False)


@every_answer
def test_response_on_a_serial_line_in_every_way(example: dict[str, Any]) -> None:
    pdu = response_of(example)
    read_in_every_way_rtu(encode_frame(17, pdu), pdu, is_reply=True)


def read_in_every_way_rtu(frame: bytes, pdu: bytes, *, is_reply: bool) -> None:
    expected = RtuFrame(17, pdu)
    assert RtuReader(is_reply=is_reply).feed(frame) == [expected]
    reader = RtuReader(is_reply=is_reply)
    for position in range(len(frame) - 1):
        assert reader.feed(frame[position : position + 1]) == [], "needs more"
    assert reader.feed(frame[-1:]) == [expected]
    assert reader.buffered == 0
    reader = RtuReader(is_reply=is_reply)
    assert reader.feed(frame + frame[:3]) == [expected]
    assert reader.feed(frame[3:]) == [expected]


@pytest.mark.parametrize("example", SPEC["tcp_adu_examples"], ids=lambda example: example["name"])
def test_tcp_example(example: dict[str, Any]) -> None:
    adu = bytes.fromhex(example["request_adu_hex"])
    decoded = example["decoded"]
    (frame,) = MbapReader().feed(adu)
    assert (frame.transaction, frame.unit) == (decoded["transaction"], decoded["unit"])
    assert decode_request(frame.pdu) == ReadHoldingRegisters(decoded["address"], decoded["quantity"])
    assert encode_adu(frame.transaction, frame.unit, frame.pdu) == adu


@pytest.mark.parametrize("example", [each for each in SPEC["serial_examples"] if "crc_ok" in each])
def test_serial_example(example: dict[str, Any]) -> None:
    frame = bytes.fromhex(example["frame_hex"])
    is_reply = len(frame) == 6
    (found,) = RtuReader(is_reply=is_reply).feed(frame)
    assert found == RtuFrame(1, frame[1:-2])


# The responder answers as printed.


def hatchery_as_printed() -> Responder:
    """A responder whose items hold what the standard's examples say."""
    store = MemoryStore()
    device = Device(exception_status=0x6D)
    responder = Responder(store, device=device)
    for example in EXAMPLES:
        decoded = example.get("decoded", {})
        if example["fc"] in (1, 2) and "bits_lsb_first" in decoded:
            table = FUNCTIONS[example["fc"]].table
            assert table is not None
            store.write_bits(table, decoded["address"], decoded["quantity"], response_of(example)[2:])
        if example["fc"] in (3, 4):
            table = FUNCTIONS[example["fc"]].table
            assert table is not None
            store.write_registers(table, decoded["address"], response_of(example)[2:])
    device.files = {4: bytearray(40), 3: bytearray(40)}
    device.files[4][2:6] = bytes.fromhex("0DFE0020")
    device.files[3][18:22] = bytes.fromhex("33CD0040")
    device.queues = {1246: [440, 4740]}
    responder.event_count = 264
    return responder


RESPONDED = [each for each in ANSWERED if each["fc"] not in (11, 12, 23, "2B/0E") and each["kind"] == "normal"]


@pytest.mark.parametrize("example", RESPONDED, ids=lambda example: example["name"])
def test_responder_answers_as_printed(example: dict[str, Any]) -> None:
    assert hatchery_as_printed().respond(17, request_of(example)) == response_of(example)


def test_responder_answers_read_write_as_printed() -> None:
    """Application Protocol V1.1b3, 6.17, page 38."""
    responder = hatchery_as_printed()
    table = FUNCTIONS[3].table
    assert table is not None
    responder.store.write_registers(table, 3, pack_registers([254, 2765, 1, 3, 13, 255]))
    example = next(each for each in EXAMPLES if each["fc"] == 23)
    assert responder.respond(17, request_of(example)) == response_of(example)
    assert responder.store.read_registers(table, 14, 3) == pack_registers([255] * 3)


def test_responder_refuses_as_printed() -> None:
    """Section 7, page 47: a coil that does not exist."""
    responder = Responder(MemoryStore({Table.COIL: [(0, 1185)]}))
    assert responder.respond(1, bytes.fromhex("0104A10001")) == bytes.fromhex("8102")
    assert responder.respond(1, bytes.fromhex("0104A00001")) == bytes.fromhex("010100")


# Exceptions.


def test_hundred_registers() -> None:
    """Section 7, page 48: with 100 registers, 4 from 96 are fine, 5 are not."""
    responder = Responder(MemoryStore({Table.HOLDING: [(0, 100)]}))
    example = SPEC["exception_examples"][0]
    fine, bad = example["requests"]
    answer = responder.respond(1, bytes.fromhex(fine["request_pdu_hex"]))
    assert answer == bytes.fromhex("0308") + bytes(8)
    expected = bytes.fromhex(bad["expected_response_pdu_hex"])
    assert responder.respond(1, bytes.fromhex(bad["request_pdu_hex"])) == expected


DERIVED = [each for each in SPEC["exception_examples"] if each["kind"] == "derived"]


@pytest.mark.parametrize("example", DERIVED, ids=lambda example: example["reason"])
@pytest.mark.parametrize("store", ["whole", "empty"])
def test_refusals_in_the_order_of_the_state_diagrams(example: dict[str, Any], store: str) -> None:
    """The same code where every address exists and where none does: the value is looked at first."""
    responder = Responder(MemoryStore() if store == "whole" else MemoryStore({}))
    expected = bytes.fromhex(example["expected_response_pdu_hex"])
    assert responder.respond(1, bytes.fromhex(example["request_pdu_hex"])) == expected


@pytest.mark.parametrize("example", DERIVED, ids=lambda example: example["reason"])
def test_the_reader_of_requests_refuses_them_too(example: dict[str, Any]) -> None:
    with pytest.raises(PeerError):
        decode_request(bytes.fromhex(example["request_pdu_hex"]))


def test_exception_codes_have_the_words_of_the_standard() -> None:
    printed = {int(code, 16): words.lower() for code, words in SPEC["exception_codes"].items()}
    assert printed == EXCEPTION_TEXT


def test_limits_are_those_of_the_standard() -> None:
    printed = SPEC["quantity_limits"]
    assert printed["01 read coils"] == printed["02 read discrete inputs"] == [1, limits.READ_BITS_MAX]
    assert printed["03 read holding registers"] == printed["04 read input registers"] == [1, limits.READ_REGISTERS_MAX]
    assert printed["0F write coils"] == [1, limits.WRITE_BITS_MAX]
    assert printed["10 write registers"] == [1, limits.WRITE_REGISTERS_MAX]
    assert printed["17 read part"] == [1, limits.READ_WRITE_READ_MAX]
    assert printed["17 write part"] == [1, limits.READ_WRITE_WRITE_MAX]
    assert printed["18 FIFO count"] == [0, limits.FIFO_COUNT_MAX]
    assert printed["14 byte count"] == [limits.FILE_READ_BYTES_MIN, limits.FILE_READ_BYTES_MAX]
    assert printed["15 request data length"] == [limits.FILE_WRITE_BYTES_MIN, limits.FILE_WRITE_BYTES_MAX]
    assert printed["file number"] == [limits.FILE_NUMBER_MIN, limits.FILE_NUMBER_MAX]
    assert printed["record number"] == [0, limits.FILE_RECORD_MAX]
    sizes = SPEC["adu_limits"]
    assert (sizes["pdu_max"], sizes["rtu_adu_max"], sizes["tcp_adu_max"], sizes["mbap_header"]) == (
        limits.PDU_BYTES_MAX,
        limits.RTU_ADU_BYTES_MAX,
        limits.TCP_ADU_BYTES_MAX,
        limits.MBAP_BYTES,
    )
