"""The server's side: what is answered, what is refused, and in which order faults are found."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wherry.errors import LocalError
from wherry.limits import PDU_BYTES_MAX
from wherry.protocol.crc import has_good_crc
from wherry.protocol.functions import FUNCTIONS, Table
from wherry.protocol.mbap import encode_adu
from wherry.protocol.pdu import (
    ReadDeviceIdentification,
    ReadDeviceIdentificationResponse,
    decode_response,
    encode_request,
)
from wherry.protocol.pdu_serial import SubFunction
from wherry.protocol.responder import Device, Identity, MemoryStore, Responder, ResponderLimits
from wherry.protocol.rtu import encode_frame
from wherry.protocol.server import Indication, ServerSession


def ask(responder: Responder, pdu_hex: str, unit: int = 1) -> str | None:
    answer = responder.respond(unit, bytes.fromhex(pdu_hex))
    return None if answer is None else answer.hex(" ").upper()


def hall() -> Responder:
    """A hatchery hall's controller: 100 of each item, two files, a queue."""
    spans = {table: [(0, 100)] for table in Table}
    device = Device(files={4: bytearray(40)}, queues={7: [440, 4740], 8: list(range(32))}, exception_status=0x6D)
    return Responder(MemoryStore(spans), device=device)


# Order of validation. Each request has two faults: the code tells which is looked at first.


@pytest.mark.parametrize(
    ("pdu_hex", "code", "why"),
    [
        ("01 FF FF 00 00", 3, "quantity before address (figure 11)"),
        ("02 FF FF 07 D1", 3, "quantity before address (figure 12)"),
        ("03 FF FF 00 7E", 3, "quantity before address (figure 13)"),
        ("04 FF FF 00 00", 3, "quantity before address (figure 14)"),
        ("05 FF FF 12 34", 3, "value before address (figure 15)"),
        ("06 FF FF 12 34", 2, "any value is fine (figure 16)"),
        ("0F FF FF 00 00 00", 3, "quantity before address (figure 21)"),
        ("0F FF FF 00 01 02 00 00", 3, "byte count before address (figure 21)"),
        ("10 FF FF 00 01 01 00", 3, "byte count before address (figure 22)"),
        ("14 06 06 00 63 00 00 00", 3, "byte count before file (figure 24)"),
        ("14 07 05 00 04 00 00 00 01", 2, "reference type (figure 24)"),
        ("14 07 06 00 63 00 00 00 01", 2, "file that is not there (figure 24)"),
        ("14 07 06 00 04 27 10 00 01", 2, "record number (figure 24)"),
        ("14 07 06 00 04 00 13 00 02", 2, "start and length (figure 24)"),
        ("15 08 06 00 63 00 00 00 01 00", 3, "data length before file (figure 25)"),
        ("15 09 06 00 63 00 00 00 01 00 00", 2, "file that is not there (figure 25)"),
        ("16 FF FF 00 00 00 00", 2, "address before masks (figure 26)"),
        ("17 FF FF 00 00 00 00 00 01 02 00 00", 3, "read quantity before address (figure 27)"),
        ("17 FF FF 00 01 FF FF 00 00 00", 3, "write quantity before address (figure 27)"),
        ("17 FF FF 00 01 00 00 00 01 02 00 00", 2, "read address (figure 27)"),
        ("17 00 00 00 01 FF FF 00 01 02 00 00", 2, "write address (figure 27)"),
        ("18 00 63", 2, "pointer (figure 28)"),
        ("18 00 08", 3, "more than 31 in the queue (figure 28)"),
        ("2B 0D 01 00", 1, "another MEI type (figure 30)"),
        ("2B 0E 04 63", 2, "object that is not there (figure 30)"),
        ("2B 0E 05 00", 3, "read device code (figure 30)"),
        ("08 00 05 00 00", 1, "sub-function that is not there (figure 18)"),
        ("08 00 01 12 34", 3, "data of a sub-function (figure 18)"),
        ("08 00 0B 12 34", 3, "data of a sub-function (figure 18)"),
        ("09", 1, "function that is not there"),
        ("00", 1, "function that is not valid"),
        ("7F 00", 1, "function that is not there"),
    ],
)
def test_which_fault_is_found_first(pdu_hex: str, code: int, why: str) -> None:
    function = int(pdu_hex[:2], 16)
    assert ask(hall(), pdu_hex) == f"{function | 0x80:02X} {code:02X}", why


@pytest.mark.parametrize("function", sorted(FUNCTIONS))
def test_a_request_that_ends_too_soon_or_goes_on_is_refused_with_03(function: int) -> None:
    """Application Protocol V1.1b3, page 48: 03 also says that the implied length is incorrect."""
    too_long = bytes((function,)) + bytes(40)
    assert hall().respond(1, too_long) in (bytes((function | 0x80, 3)), bytes((function | 0x80, 1)), too_long)
    if FUNCTIONS[function].request.of(b"") != 1:
        refused = hall().respond(1, bytes((function,)))
        assert refused in (bytes((function | 0x80, 3)), bytes((function | 0x80, 1)))


@given(st.binary(min_size=1, max_size=253))
@settings(deadline=None, max_examples=400)
def test_any_pdu_is_answered_or_refused(pdu: bytes) -> None:
    answer = hall().respond(1, pdu)
    if answer is not None:
        assert 2 <= len(answer) <= PDU_BYTES_MAX
        assert answer[0] & 0x7F == pdu[0] & 0x7F


def test_a_refused_write_changes_nothing() -> None:
    responder = hall()
    before = responder.store.read_registers(Table.HOLDING, 0, 100)
    for pdu_hex in ("10 00 62 00 03 06 000100020003", "17 00 63 00 02 00 00 00 01 02 0001", "06 00 64 0001"):
        assert ask(responder, pdu_hex) is not None
    ask(responder, "15 10 06 0004 0000 0001 1234 06 0063 0000 0001")
    assert responder.store.read_registers(Table.HOLDING, 0, 100) == before
    assert responder.device.files[4] == bytearray(40)


# Limits and what is left out.


def test_a_devices_own_limits() -> None:
    limits = ResponderLimits(read_bits=8, read_registers=4, write_bits=8, write_registers=2)
    responder = Responder(MemoryStore(), limits=limits)
    assert ask(responder, "03 0000 0004") == "03 08 " + " ".join(["00"] * 8)
    assert ask(responder, "03 0000 0005") == "83 03"
    assert ask(responder, "01 0000 0009") == "81 03"
    assert ask(responder, "0F 0000 0009 02 FF01") == "8F 03"
    assert ask(responder, "10 0000 0003 06 000100020003") == "90 03"
    assert ask(responder, "17 0000 0001 0000 0003 06 000100020003") == "97 03"
    with pytest.raises(LocalError, match="read_registers = 126"):
        ResponderLimits(read_registers=126)


def test_units_and_functions_that_are_not_there() -> None:
    responder = Responder(MemoryStore(), units=[1, 255], functions=[3])
    assert ask(responder, "03 0000 0001", unit=255) == "03 02 00 00"
    assert ask(responder, "03 0000 0001", unit=2) is None
    assert ask(responder, "04 0000 0001") == "84 01"


# Single functions.


def test_bits_and_registers() -> None:
    responder = hall()
    assert ask(responder, "05 0003 FF00") == "05 00 03 FF 00"
    assert ask(responder, "01 0002 0003") == "01 01 02"
    assert ask(responder, "05 0003 0000") == "05 00 03 00 00"
    assert ask(responder, "01 0002 0003") == "01 01 00"
    assert ask(responder, "06 0005 1234") == "06 00 05 12 34"
    assert ask(responder, "16 0005 00F0 000F") == "16 00 05 00 F0 00 0F"
    assert ask(responder, "03 0005 0001") == "03 02 00 3F"
    assert ask(responder, "17 0005 0002 0006 0001 02 ABCD") == "17 04 00 3F AB CD", "the write comes first"


def test_files() -> None:
    responder = hall()
    assert ask(responder, "15 0B 06 0004 0003 0002 11112222") == "15 0B 06 00 04 00 03 00 02 11 11 22 22"
    assert ask(responder, "14 0E 06 0004 0004 0001 06 0004 0003 0001") == "14 08 03 06 22 22 03 06 11 11"
    assert ask(responder, "15 0B 06 0004 0003 0003 11112222") == "95 03", "its length passes its end"


def test_a_queue_keeps_its_content() -> None:
    responder = hall()
    for _ in range(2):
        assert ask(responder, "18 0007") == "18 00 06 00 02 01 B8 12 84"


def test_server_id() -> None:
    responder = Responder(MemoryStore(), device=Device(server_id=b"skid", is_running=False))
    assert ask(responder, "11") == "11 05 73 6B 69 64 00"
    with pytest.raises(LocalError, match="251 bytes"):
        Device(server_id=bytes(251))


def test_diagnostics_counters() -> None:
    responder = hall()
    ask(responder, "03 0000 0001")
    ask(responder, "03 0000 0000")
    responder.communication_error()
    assert ask(responder, "08 000B 0000") == "08 00 0B 00 03", "messages, this one too"
    assert ask(responder, "08 000C 0000") == "08 00 0C 00 01"
    assert ask(responder, "08 000D 0000") == "08 00 0D 00 01"
    assert ask(responder, "08 0002 0000") == "08 00 02 00 00"
    assert ask(responder, "08 0003 0A00") == "08 00 03 0A 00"
    assert ask(responder, "08 0000 A537") == "08 00 00 A5 37"
    assert ask(responder, "08 000A 0000") == "08 00 0A 00 00"
    assert ask(responder, "08 000C 0000") == "08 00 0C 00 00"
    responder.counters[SubFunction.CHARACTER_OVERRUNS] = 9
    assert ask(responder, "08 0014 0000") == "08 00 14 00 00"
    assert ask(responder, "08 0012 0000") == "08 00 12 00 00"


def test_the_event_counter_counts_what_was_done() -> None:
    """Application Protocol V1.1b3, 6.9: not what was refused, and not the asking for it."""
    responder = hall()
    ask(responder, "06 0000 0001")
    ask(responder, "06 FFFF 0001")
    assert ask(responder, "0B") == "0B 00 00 00 01"
    assert ask(responder, "0B") == "0B 00 00 00 01"


def test_the_event_log() -> None:
    responder = hall()
    ask(responder, "06 FFFF 0001")
    assert ask(responder, "0C") == "0C 09 00 00 00 00 00 02 80 41 80"
    for _ in range(100):
        ask(responder, "07")
    answer = responder.respond(1, b"\x0c")
    assert answer is not None
    assert len(answer) == 2 + 6 + 64


def test_listen_only_until_a_restart() -> None:
    """Application Protocol V1.1b3, 6.8: no answer, and the restart that ends it is not answered either."""
    responder = hall()
    assert ask(responder, "08 0004 0000") is None
    assert ask(responder, "06 0000 0001") is None
    assert ask(responder, "08 0000 1234") is None
    assert responder.store.read_registers(Table.HOLDING, 0, 1) == b"\x00\x00"
    assert ask(responder, "08 0001 FF00") is None
    assert ask(responder, "08 0000 1234") == "08 00 00 12 34"
    answer = ask(responder, "0C")
    assert answer is not None
    assert answer.endswith("80 40 80 00"), "the log begins anew with the restart"


# Identification.


def stream(responder: Responder, code: int, first: int = 0) -> list[ReadDeviceIdentificationResponse]:
    """All the answers it takes."""
    answers = []
    while True:
        request = ReadDeviceIdentification(code, first)
        pdu = responder.respond(1, encode_request(request))
        assert pdu is not None
        assert len(pdu) <= PDU_BYTES_MAX
        answer = decode_response(request, pdu)
        assert isinstance(answer, ReadDeviceIdentificationResponse)
        answers.append(answer)
        if answer.more == 0:
            return answers
        first = answer.next_object


OBJECTS = {0: b"Trout works", 1: b"SKID", 2: b"V2", 3: b"trout.example", 0x80: b"a" * 200, 0x81: b"b" * 200}


@pytest.mark.parametrize(("code", "numbers"), [(1, [0, 1, 2]), (2, [0, 1, 2, 3]), (3, [0, 1, 2, 3, 0x80, 0x81])])
def test_all_objects_of_a_category(code: int, numbers: list[int]) -> None:
    responder = Responder(MemoryStore(), device=Device(identity=Identity(OBJECTS)))
    answers = stream(responder, code)
    assert [each for answer in answers for each in answer.objects] == [(number, OBJECTS[number]) for number in numbers]
    assert len(answers) == (2 if code == 3 else 1)
    assert all(answer.conformity == 0x83 for answer in answers)


def test_where_a_stream_begins() -> None:
    """Page 44: from the object asked for; an unknown one begins again at 0."""
    responder = Responder(MemoryStore(), device=Device(identity=Identity(OBJECTS)))
    assert [number for number, _ in stream(responder, 1, 2)[0].objects] == [2]
    assert [number for number, _ in stream(responder, 1, 99)[0].objects] == [0, 1, 2]
    assert [number for number, _ in stream(responder, 4, 1)[0].objects] == [1]


def test_a_level_above_the_devices_own() -> None:
    """Page 44: it is answered at the device's level."""
    responder = Responder(MemoryStore())
    (answer,) = stream(responder, 3)
    assert [number for number, _ in answer.objects] == [0, 1, 2]
    assert answer.conformity == 0x81


@pytest.mark.parametrize(
    ("objects", "bad"),
    [({0: b"", 1: b""}, "object 2"), ({**OBJECTS, 256: b""}, "256"), ({**OBJECTS, 4: bytes(245)}, "245 bytes")],
)
def test_an_identity_that_cannot_be(objects: dict[int, bytes], bad: str) -> None:
    with pytest.raises(LocalError, match=bad):
        Identity(objects)


# Connections.


def test_requests_of_one_connection_are_answered_in_order() -> None:
    server = ServerSession(hall())
    requests = encode_adu(7, 1, bytes.fromhex("0600050001")) + encode_adu(8, 1, bytes.fromhex("0300050001"))
    assert server.receive(requests[:15]) == [requests[:12]]
    assert server.receive(requests[15:]) == [encode_adu(8, 1, bytes.fromhex("03020001"))]


def test_a_request_can_be_taken_now_and_answered_later() -> None:
    server = ServerSession(hall())
    (request,) = server.take(encode_adu(7, 1, bytes.fromhex("0300050001")))
    assert request == Indication(7, 1, bytes.fromhex("0300050001"))
    assert server.encode(request, b"\x83\x06") == encode_adu(7, 1, b"\x83\x06")
    assert server.answer(request) == encode_adu(7, 1, bytes.fromhex("03020000"))


def test_a_connection_without_frames_is_to_be_ended() -> None:
    server = ServerSession(hall())
    good = encode_adu(7, 1, bytes.fromhex("0300050001"))
    assert len(server.receive(good + b"GET / HTTP/1.1\r\n\r\n")) == 1
    assert server.must_reset
    assert "length" in server.reset_reason
    assert server.receive(good) == []
    assert server.responder.counters[SubFunction.BUS_COMMUNICATION_ERRORS] == 1


def test_another_protocol_is_not_answered() -> None:
    """Messaging Guide V1.0b, page 29."""
    server = ServerSession(hall())
    good = encode_adu(7, 1, bytes.fromhex("0300050001"))
    assert server.receive(good[:2] + b"\x00\x01" + good[4:]) == []
    assert len(server.receive(good)) == 1


def test_a_serial_request_with_a_bad_crc_is_not_answered() -> None:
    server = ServerSession(hall(), framing="rtu")
    assert server.receive(bytes.fromhex("0103006B00037687")) == []
    assert server.responder.counters[SubFunction.BUS_COMMUNICATION_ERRORS] == 1


def test_an_unknown_function_on_a_serial_line_is_refused() -> None:
    server = ServerSession(hall(), framing="rtu")
    (answer,) = server.receive(encode_frame(1, b"\x5a\x01"))
    assert has_good_crc(answer)
    assert answer[:-2] == b"\x01\xda\x01"


def test_a_broadcast_is_carried_out_and_not_answered() -> None:
    """Serial Line V1.02, page 7: only writes."""
    server = ServerSession(hall(), framing="rtu")
    assert server.receive(encode_frame(0, bytes.fromhex("06 0005 1234"))) == []
    assert server.receive(encode_frame(0, bytes.fromhex("03 0005 0001"))) == []
    assert server.responder.store.read_registers(Table.HOLDING, 5, 1) == b"\x12\x34"
    # On TCP unit 0 is the device itself: Messaging Guide V1.0b, page 23.
    assert len(ServerSession(hall()).receive(encode_adu(1, 0, bytes.fromhex("03 0005 0001")))) == 1


@given(st.lists(st.binary(max_size=100), max_size=6), st.sampled_from(["mbap", "rtu"]))
@settings(deadline=None, max_examples=150)
def test_any_bytes_to_a_server(pieces: list[bytes], framing: str) -> None:
    server = ServerSession(hall(), framing=framing)
    for piece in pieces:
        for answer in server.receive(piece):
            assert 4 <= len(answer) <= 260
