"""Every request and response type there and back: as bytes, and through a client session and a responder."""

from __future__ import annotations

from hypothesis import example, given, settings
from hypothesis import strategies as st

from wherry import limits
from wherry.errors import PeerError
from wherry.protocol.functions import FUNCTIONS
from wherry.protocol.mbap import MbapReader, encode_adu
from wherry.protocol.message import Request, Response
from wherry.protocol.pdu import (
    REQUEST_TYPES,
    RESPONSE_TYPES,
    Diagnostics,
    DiagnosticsResponse,
    ExceptionResponse,
    FileData,
    FileRange,
    GetCommEventCounter,
    GetCommEventCounterResponse,
    GetCommEventLog,
    GetCommEventLogResponse,
    MaskWriteRegister,
    MaskWriteRegisterResponse,
    ReadCoils,
    ReadCoilsResponse,
    ReadDeviceIdentification,
    ReadDeviceIdentificationResponse,
    ReadDiscreteInputs,
    ReadDiscreteInputsResponse,
    ReadExceptionStatus,
    ReadExceptionStatusResponse,
    ReadFifoQueue,
    ReadFifoQueueResponse,
    ReadFileRecord,
    ReadFileRecordResponse,
    ReadHoldingRegisters,
    ReadHoldingRegistersResponse,
    ReadInputRegisters,
    ReadInputRegistersResponse,
    ReadWriteMultipleRegisters,
    ReadWriteMultipleRegistersResponse,
    ReportServerId,
    ReportServerIdResponse,
    WriteFileRecord,
    WriteFileRecordResponse,
    WriteMultipleCoils,
    WriteMultipleCoilsResponse,
    WriteMultipleRegisters,
    WriteMultipleRegistersResponse,
    WriteSingleCoil,
    WriteSingleCoilResponse,
    WriteSingleRegister,
    WriteSingleRegisterResponse,
    decode_request,
    decode_response,
    encode_request,
    encode_response,
    pack_bits,
    pack_registers,
    unpack_bits,
    unpack_registers,
)
from wherry.protocol.pdu_serial import SubFunction
from wherry.protocol.responder import Device, Identity, MemoryStore, Responder
from wherry.protocol.rtu import RtuFrame, RtuReader, encode_frame
from wherry.protocol.server import ServerSession
from wherry.protocol.session import ClientSession, Refusal, Reply, prepare

word = st.integers(0, 0xFFFF)
byte = st.integers(0, 0xFF)


@st.composite
def runs(draw: st.DrawFn, count_max: int) -> tuple[int, int]:
    count = draw(st.integers(1, count_max))
    return draw(st.integers(0, limits.ITEMS_PER_TABLE - count)), count


def data_of(registers_max: int, registers_min: int = 1) -> st.SearchStrategy[bytes]:
    return st.integers(registers_min, registers_max).flatmap(
        lambda count: st.binary(min_size=2 * count, max_size=2 * count)
    )


@st.composite
def coil_writes(draw: st.DrawFn) -> WriteMultipleCoils:
    address, count = draw(runs(limits.WRITE_BITS_MAX))
    size = (count + 7) // 8
    return WriteMultipleCoils(address, count, draw(st.binary(min_size=size, max_size=size)))


@st.composite
def register_writes(draw: st.DrawFn) -> WriteMultipleRegisters:
    data = draw(data_of(limits.WRITE_REGISTERS_MAX))
    return WriteMultipleRegisters(draw(st.integers(0, limits.ITEMS_PER_TABLE - len(data) // 2)), data)


@st.composite
def read_writes(draw: st.DrawFn) -> ReadWriteMultipleRegisters:
    data = draw(data_of(limits.READ_WRITE_WRITE_MAX))
    write_address = draw(st.integers(0, limits.ITEMS_PER_TABLE - len(data) // 2))
    return ReadWriteMultipleRegisters(*draw(runs(limits.READ_WRITE_READ_MAX)), write_address, data)


@st.composite
def file_parts(draw: st.DrawFn) -> tuple[FileData, ...]:
    parts = []
    room = limits.FILE_WRITE_BYTES_MAX
    for _ in range(draw(st.integers(1, 5))):
        if room < limits.FILE_WRITE_BYTES_MIN:
            break
        data = draw(data_of(min(30, (room - 7) // 2)))
        parts.append(FileData(draw(st.integers(1, 0xFFFF)), draw(st.integers(0, limits.FILE_RECORD_MAX)), data))
        room -= 7 + len(data)
    return tuple(parts)


diagnostics = st.one_of(
    st.tuples(st.just(0), data_of(125)),
    st.tuples(st.integers(1, 0xFFFF), st.binary(min_size=2, max_size=2)),
)
ranges = st.tuples(st.integers(1, 0xFFFF), st.integers(0, limits.FILE_RECORD_MAX), st.integers(0, 3)).map(
    lambda each: FileRange(*each)
)
identification_objects = st.lists(st.tuples(byte, st.binary(max_size=40)), max_size=5).map(tuple)

REQUESTS: dict[type[Request], st.SearchStrategy[Request]] = {
    ReadCoils: runs(limits.READ_BITS_MAX).map(lambda run: ReadCoils(*run)),
    ReadDiscreteInputs: runs(limits.READ_BITS_MAX).map(lambda run: ReadDiscreteInputs(*run)),
    ReadHoldingRegisters: runs(limits.READ_REGISTERS_MAX).map(lambda run: ReadHoldingRegisters(*run)),
    ReadInputRegisters: runs(limits.READ_REGISTERS_MAX).map(lambda run: ReadInputRegisters(*run)),
    WriteSingleCoil: st.builds(WriteSingleCoil, word, st.booleans()),
    WriteSingleRegister: st.builds(WriteSingleRegister, word, word),
    ReadExceptionStatus: st.just(ReadExceptionStatus()),
    Diagnostics: diagnostics.map(lambda each: Diagnostics(*each)),
    GetCommEventCounter: st.just(GetCommEventCounter()),
    GetCommEventLog: st.just(GetCommEventLog()),
    WriteMultipleCoils: coil_writes(),
    WriteMultipleRegisters: register_writes(),
    ReportServerId: st.just(ReportServerId()),
    ReadFileRecord: st.lists(ranges, min_size=1, max_size=30).map(lambda each: ReadFileRecord(tuple(each))),
    WriteFileRecord: file_parts().map(WriteFileRecord),
    MaskWriteRegister: st.builds(MaskWriteRegister, word, word, word),
    ReadWriteMultipleRegisters: read_writes(),
    ReadFifoQueue: st.builds(ReadFifoQueue, word),
    ReadDeviceIdentification: st.builds(ReadDeviceIdentification, st.integers(1, 4), byte),
}
RESPONSES: dict[type[Response], st.SearchStrategy[Response]] = {
    ReadCoilsResponse: st.binary(min_size=1, max_size=250).map(ReadCoilsResponse),
    ReadDiscreteInputsResponse: st.binary(min_size=1, max_size=250).map(ReadDiscreteInputsResponse),
    ReadHoldingRegistersResponse: data_of(125).map(ReadHoldingRegistersResponse),
    ReadInputRegistersResponse: data_of(125).map(ReadInputRegistersResponse),
    WriteSingleCoilResponse: st.builds(WriteSingleCoilResponse, word, st.booleans()),
    WriteSingleRegisterResponse: st.builds(WriteSingleRegisterResponse, word, word),
    ReadExceptionStatusResponse: st.builds(ReadExceptionStatusResponse, byte),
    DiagnosticsResponse: diagnostics.map(lambda each: DiagnosticsResponse(*each)),
    GetCommEventCounterResponse: st.builds(GetCommEventCounterResponse, word, word),
    GetCommEventLogResponse: st.builds(GetCommEventLogResponse, word, word, word, st.binary(max_size=64)),
    WriteMultipleCoilsResponse: runs(limits.WRITE_BITS_MAX).map(lambda run: WriteMultipleCoilsResponse(*run)),
    WriteMultipleRegistersResponse: runs(limits.WRITE_REGISTERS_MAX).map(
        lambda run: WriteMultipleRegistersResponse(*run)
    ),
    ReportServerIdResponse: st.binary(max_size=251).map(ReportServerIdResponse),
    ReadFileRecordResponse: st.lists(data_of(20, 0), max_size=5).map(lambda each: ReadFileRecordResponse(tuple(each))),
    WriteFileRecordResponse: file_parts().map(WriteFileRecordResponse),
    MaskWriteRegisterResponse: st.builds(MaskWriteRegisterResponse, word, word, word),
    ReadWriteMultipleRegistersResponse: data_of(125).map(ReadWriteMultipleRegistersResponse),
    ReadFifoQueueResponse: data_of(31, 0).map(ReadFifoQueueResponse),
    ReadDeviceIdentificationResponse: st.builds(
        ReadDeviceIdentificationResponse, byte, byte, byte, byte, identification_objects
    ),
}
any_request = st.one_of(*REQUESTS.values())
any_response = st.one_of(*RESPONSES.values())


def test_every_type_has_a_generator() -> None:
    assert set(REQUESTS) == set(REQUEST_TYPES.values())
    assert set(RESPONSES) == set(RESPONSE_TYPES.values())
    assert len(REQUESTS) == len(FUNCTIONS)


@given(any_request)
@settings(deadline=None, max_examples=400)
def test_request(request: Request) -> None:
    pdu = encode_request(request)
    assert 1 <= len(pdu) <= limits.PDU_BYTES_MAX
    assert decode_request(pdu) == request


@given(any_response)
@settings(deadline=None, max_examples=400)
def test_response(response: Response) -> None:
    pdu = encode_response(response)
    assert 1 <= len(pdu) <= limits.PDU_BYTES_MAX
    assert decode_response(response.function, pdu) == response


@given(st.sampled_from(sorted(FUNCTIONS)), byte)
@settings(deadline=None, max_examples=50)
def test_exception(function: int, code: int) -> None:
    response = ExceptionResponse(function, code)
    assert decode_response(function, encode_response(response)) == response


@st.composite
def damaged(draw: st.DrawFn, pdus: st.SearchStrategy[bytes]) -> bytes:
    """A good PDU with some bytes changed, cut off or put behind."""
    pdu = bytearray(draw(pdus))
    for _ in range(draw(st.integers(1, 3))):
        pdu[draw(st.integers(0, len(pdu) - 1))] = draw(byte)
    end = draw(st.integers(1, len(pdu)) if draw(st.booleans()) else st.just(len(pdu)))
    return bytes(pdu[:end]) + draw(st.binary(max_size=2))


@given(damaged(st.one_of(any_request.map(encode_request), any_response.map(encode_response))))
@example(b"\x80\x01")
@settings(deadline=None, max_examples=600)
def test_a_damaged_pdu_is_accepted_as_it_is_or_the_peers_fault(pdu: bytes) -> None:
    try:
        request = decode_request(pdu)
    except PeerError:
        pass
    else:
        assert encode_request(request) == pdu
    try:
        response = decode_response(pdu[0] & 0x7F, pdu)
    except PeerError:
        return
    assert encode_response(response) == pdu


@given(word, byte, any_request, st.integers(0, 300))
@settings(deadline=None, max_examples=150)
def test_tcp_frame_in_two_pieces(transaction: int, unit: int, request: Request, cut: int) -> None:
    adu = encode_adu(transaction, unit, encode_request(request))
    reader = MbapReader()
    frames = reader.feed(adu[:cut]) + reader.feed(adu[cut:])
    assert frames == [(transaction, unit, encode_request(request))]


def fits_serial(pdu: bytes) -> bool:
    """The length of longer query data cannot be told from its content, so a serial line carries two bytes only."""
    return pdu[0] != 8 or len(pdu) == 5


@given(byte, any_request.filter(lambda each: fits_serial(encode_request(each))), st.integers(0, 300))
@settings(deadline=None, max_examples=150)
def test_serial_request_in_two_pieces(unit: int, request: Request, cut: int) -> None:
    pdu = encode_request(request)
    frame = encode_frame(unit, pdu)
    reader = RtuReader(is_reply=False)
    assert reader.feed(frame[:cut]) + reader.feed(frame[cut:]) == [RtuFrame(unit, pdu)]


@given(byte, any_response.filter(lambda each: fits_serial(encode_response(each))), st.integers(0, 300))
@settings(deadline=None, max_examples=150)
def test_serial_response_in_two_pieces(unit: int, response: Response, cut: int) -> None:
    pdu = encode_response(response)
    frame = encode_frame(unit, pdu)
    reader = RtuReader(is_reply=True)
    assert reader.feed(frame[:cut]) + reader.feed(frame[cut:]) == [RtuFrame(unit, pdu)]


@given(st.lists(word, max_size=125))
@settings(deadline=None, max_examples=50)
def test_registers(values: list[int]) -> None:
    assert unpack_registers(pack_registers(values)) == tuple(values)


@given(st.lists(st.booleans(), max_size=2000))
@settings(deadline=None, max_examples=50)
def test_bits(bits: list[bool]) -> None:
    assert unpack_bits(pack_bits(bits), len(bits)) == tuple(bits)


# A client session against a responder.


def skid_responder() -> Responder:
    device = Device(
        identity=Identity({0: b"Trout works", 1: b"SKID", 2: b"1.0", 0x80: b"tank 1"}),
        files={number: bytearray(2000) for number in (1, 2, 3)},
        queues={7: [1, 2, 3]},
    )
    return Responder(MemoryStore(), units=[1], device=device)


def is_answered(request: Request) -> bool:
    """Listen only is never answered, and then nothing else is."""
    return not (isinstance(request, Diagnostics) and request.sub_function == SubFunction.FORCE_LISTEN_ONLY)


@given(
    st.sampled_from(["mbap", "rtu"]),
    st.lists(any_request.filter(is_answered), min_size=1, max_size=12),
    st.integers(1, 40),
)
@settings(deadline=None, max_examples=150)
def test_session_and_responder_understand_each_other(framing: str, requests: list[Request], piece: int) -> None:
    """Nothing is faulty, whatever is asked; an answer decodes as the answer to what was asked."""
    client = ClientSession(framing=framing)
    server = ServerSession(skid_responder(), framing=framing)
    for instant, request in enumerate(requests):
        if framing == "rtu" and not fits_serial(encode_request(request)):
            continue
        outbound = client.send(prepare(1, request), instant, instant + 10, request)
        inbound = b"".join(b"".join(server.receive(outbound[at : at + piece])) for at in range(0, len(outbound), piece))
        outcomes = [
            each for at in range(0, len(inbound), piece) for each in client.receive(inbound[at : at + piece], instant)
        ]
        (outcome,) = outcomes
        assert isinstance(outcome, Reply | Refusal), outcome
        assert outcome.tag is request
    assert client.counters.requests == client.counters.replies + client.counters.exceptions
    assert not client.must_reset


@given(st.sampled_from(["mbap", "rtu"]), register_writes(), coil_writes())
@settings(deadline=None, max_examples=80)
def test_what_was_written_is_read(framing: str, registers: WriteMultipleRegisters, coils: WriteMultipleCoils) -> None:
    client = ClientSession(framing=framing)
    server = ServerSession(skid_responder(), framing=framing)

    def ask(request: Request) -> bytes:
        (outcome,) = client.receive(b"".join(server.receive(client.send(prepare(1, request), 0, 1))), 0)
        assert isinstance(outcome, Reply), outcome
        return outcome.payload

    assert ask(registers) == b""
    assert ask(ReadHoldingRegisters(registers.address, registers.count)) == registers.data
    assert ask(coils) == b""
    bits = unpack_bits(coils.data, coils.count)
    assert unpack_bits(ask(ReadCoils(coils.address, min(coils.count, 2000))), coils.count) == bits
