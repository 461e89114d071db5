"""Frames on a byte stream: what is no frame, where reading goes on, and any bytes at all."""

from __future__ import annotations

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from wherry import limits
from wherry.errors import LocalError, PeerError
from wherry.protocol.functions import FUNCTIONS
from wherry.protocol.mbap import MbapFrame, MbapReader, encode_adu
from wherry.protocol.pdu import decode_request, decode_response
from wherry.protocol.rtu import Dropped, RtuFrame, RtuReader, encode_frame, frame_length

READ = bytes.fromhex("0300000002")
READ_ANSWER = bytes.fromhex("03 04 00 01 00 02")

# TCP.


def test_several_frames_in_one_piece() -> None:
    stream = b"".join(encode_adu(number, 1, READ) for number in range(5))
    assert MbapReader().feed(stream) == [(number, 1, READ) for number in range(5)]


@pytest.mark.parametrize("pdu", [b"", bytes(254)])
def test_a_pdu_that_does_not_fit_a_frame(pdu: bytes) -> None:
    with pytest.raises(LocalError, match=str(len(pdu))):
        encode_adu(1, 1, pdu)
    with pytest.raises(LocalError, match=str(len(pdu))):
        encode_frame(1, pdu)


@pytest.mark.parametrize(("transaction", "unit"), [(-1, 1), (65536, 1), (1, -1), (1, 256)])
def test_a_number_that_does_not_fit_its_field(transaction: int, unit: int) -> None:
    with pytest.raises(LocalError, match="does not fit"):
        encode_adu(transaction, unit, READ)


@pytest.mark.parametrize(
    ("header_hex", "reason"),
    [
        ("0001 0001 0006 01", "protocol id 1"),
        ("0001 0000 0000 01", "length 0"),
        ("0001 0000 0001 01", "length 1"),
        ("0001 0000 00FF 01", "length 255"),
        ("0001 0000 FFFF 01", "length 65535"),
    ],
)
def test_a_header_that_cannot_be_right_ends_reading(header_hex: str, reason: str) -> None:
    bad = bytes.fromhex(header_hex)
    reader = MbapReader()
    assert reader.feed(encode_adu(7, 1, READ) + bad + bytes(100)) == [MbapFrame(7, 1, READ)]
    assert reader.error is not None
    assert reason in str(reader.error)
    assert reader.error.data.startswith(bad)
    assert len(reader.error.data) <= limits.TCP_ADU_BYTES_MAX
    with pytest.raises(LocalError, match="lost its place"):
        reader.feed(b"")


def test_the_longest_frame() -> None:
    longest = bytes(limits.PDU_BYTES_MAX)
    adu = encode_adu(1, 1, longest)
    assert len(adu) == limits.TCP_ADU_BYTES_MAX
    assert MbapReader().feed(adu) == [MbapFrame(1, 1, longest)]


def test_a_server_steps_over_another_protocol() -> None:
    """Messaging Guide V1.0b, page 29: a wrong protocol id is discarded without an answer."""
    other = bytes.fromhex("0001 0005 0006 01 0300000002")
    reader = MbapReader(skips_protocols=True)
    assert reader.feed(other + encode_adu(2, 1, READ)) == [MbapFrame(2, 1, READ)]
    assert reader.skipped == 1
    assert reader.error is None


# Serial lines.


def test_dropped_bytes_are_reported_and_the_next_frame_found() -> None:
    frame = encode_frame(17, READ)
    reader = RtuReader(is_reply=False)
    assert reader.feed(b"\xff\xfe" + frame) == [Dropped(b"\xff\xfe"), RtuFrame(17, READ)]


@pytest.mark.parametrize("frame_hex", ["0103006B00037687", "0106006B00030976"])
def test_a_request_with_a_bad_crc_is_dropped_whole(frame_hex: str) -> None:
    reader = RtuReader(is_reply=False)
    bad = bytes.fromhex(frame_hex)
    found = reader.feed(bad + encode_frame(17, READ)) + reader.silence()
    assert RtuFrame(17, READ) in found
    assert b"".join(each.data for each in found if isinstance(each, Dropped)) == bad


def test_a_reply_with_a_bad_crc_is_dropped_whole() -> None:
    reader = RtuReader(is_reply=True)
    bad = bytes.fromhex("010306000A01020000C5CD")
    found = reader.feed(bad) + reader.silence()
    assert all(isinstance(each, Dropped) for each in found)
    assert b"".join(each.data for each in found if isinstance(each, Dropped)) == bad


def test_silence_ends_an_incomplete_frame() -> None:
    frame = encode_frame(17, READ)
    reader = RtuReader(is_reply=False)
    assert reader.feed(frame[:5]) == []
    assert reader.silence() == [Dropped(frame[:5])]
    assert reader.buffered == 0
    assert reader.feed(frame) == [RtuFrame(17, READ)]
    assert reader.silence() == []


def test_silence_finds_a_frame_behind_an_incomplete_one() -> None:
    """The first byte pretends a long write; the request behind it is whole."""
    frame = encode_frame(17, READ)
    reader = RtuReader(is_reply=False)
    assert reader.feed(b"\x01\x10\x00\x00\x00\x7b\xf6" + frame) == []
    assert reader.silence() == [Dropped(b"\x01\x10\x00\x00\x00\x7b\xf6"), RtuFrame(17, READ)]


@pytest.mark.parametrize("pdu_hex", ["09", "5A 00 01 02", "41" + "00" * 200])
def test_a_request_of_an_unknown_function_is_found(pdu_hex: str) -> None:
    """So that it can be refused with 01, its length is found by its CRC."""
    pdu = bytes.fromhex(pdu_hex)
    frame = encode_frame(17, pdu)
    assert RtuReader(is_reply=False).feed(frame + encode_frame(17, READ)) == [RtuFrame(17, pdu), RtuFrame(17, READ)]
    reader = RtuReader(is_reply=False)
    for position in range(len(frame) - 1):
        assert reader.feed(frame[position : position + 1]) == []
    assert reader.feed(frame[-1:]) == [RtuFrame(17, pdu)]


def test_an_unknown_function_without_a_crc_is_given_up() -> None:
    reader = RtuReader(is_reply=False)
    found = reader.feed(b"\x11\x5a" + bytes(1000))
    assert sum(len(each.data) for each in found if isinstance(each, Dropped)) + reader.buffered == 1002


def test_exception_replies() -> None:
    frame = encode_frame(17, b"\x83\x02")
    assert RtuReader(is_reply=True).feed(frame) == [RtuFrame(17, b"\x83\x02")]
    assert frame_length(frame, 0, is_reply=True) == 5


@pytest.mark.parametrize(
    ("data_hex", "is_reply", "length"),
    [
        ("11", False, None),
        ("11 03", False, 8),
        ("11 10 00 00 00 02", False, None),
        ("11 10 00 00 00 02 04", False, 13),
        ("11 03", True, None),
        ("11 03 06", True, 11),
        ("11 18 00 06", True, 12),
        ("11 18 FF FF", True, -1),
        ("11 2B 0E 01 01 00 00 01 00", True, None),
        ("11 2B 0E 01 01 00 00 01 00 05", True, 17),
        ("11 2B 0E 01 01 00 00 FF" + "00 F0" + "00" * 240 + "00 F0" + "00" * 240, True, -1),
        ("11 E3", True, -1),
        ("11 63", True, -1),
        ("11 63", False, -2),
        ("11 00", False, -1),
    ],
)
def test_the_length_is_told_from_the_content(data_hex: str, is_reply: bool, length: int | None) -> None:
    assert frame_length(bytes.fromhex(data_hex), 0, is_reply=is_reply) == length


# Any bytes at all: accepted, or the peer's fault; and never more kept than one frame.

pieces = st.lists(st.binary(max_size=300), max_size=6)
plausible = st.lists(
    st.one_of(
        st.binary(max_size=20),
        st.tuples(st.integers(0, 3), st.integers(0, 255), st.binary(min_size=1, max_size=20)).map(
            lambda each: encode_adu(*each)
        ),
    ),
    max_size=8,
)


@given(st.one_of(pieces, plausible), st.booleans())
@settings(deadline=None, max_examples=300)
@example([b"\x00\x01\x00\x00\x00\x02\x01", b"\x03"], False)
def test_any_bytes_on_tcp(stream: list[bytes], skips: bool) -> None:
    reader = MbapReader(skips_protocols=skips)
    for piece in stream:
        if reader.error is not None:
            break
        for frame in reader.feed(piece):
            assert 1 <= len(frame.pdu) <= limits.PDU_BYTES_MAX
        assert reader.buffered < limits.TCP_ADU_BYTES_MAX


@given(st.one_of(pieces, plausible))
@settings(deadline=None, max_examples=200)
def test_cutting_a_tcp_stream_elsewhere_changes_nothing(stream: list[bytes]) -> None:
    whole = b"".join(stream)
    at_once, by_byte = MbapReader(), MbapReader()
    frames = at_once.feed(whole)
    singles: list[MbapFrame] = []
    for position in range(len(whole)):
        if by_byte.error is None:
            singles += by_byte.feed(whole[position : position + 1])
    assert singles == frames
    assert str(by_byte.error) == str(at_once.error)


serial_stream = st.lists(
    st.one_of(
        st.binary(max_size=40),
        st.tuples(st.integers(0, 255), st.sampled_from([READ, READ_ANSWER, b"\x83\x02", b"\x5a\x01"])).map(
            lambda each: encode_frame(*each)
        ),
    ),
    max_size=8,
)


@given(serial_stream, st.booleans())
@settings(deadline=None, max_examples=300)
def test_any_bytes_on_a_serial_line(stream: list[bytes], is_reply: bool) -> None:
    """Nothing is lost on the way: frames and dropped bytes together are what came in."""
    reader = RtuReader(is_reply=is_reply)
    found: list[RtuFrame | Dropped] = []
    for piece in stream:
        found += reader.feed(piece)
        assert reader.buffered < limits.RTU_ADU_BYTES_MAX
    found += reader.silence()
    rebuilt = b"".join(each.data if isinstance(each, Dropped) else encode_frame(*each) for each in found)
    assert rebuilt == b"".join(stream)


@given(st.one_of(st.binary(max_size=260), st.tuples(st.sampled_from(sorted(FUNCTIONS)), st.binary(max_size=252))))
@settings(deadline=None, max_examples=500)
def test_any_pdu(given_: bytes | tuple[int, bytes]) -> None:
    pdu = given_ if isinstance(given_, bytes) else bytes((given_[0],)) + given_[1]
    try:
        request = decode_request(pdu)
    except PeerError:
        pass
    else:
        assert request.pack() == pdu, "an accepted request is the bytes it came in"
    for asked in (pdu[0] & 0x7F, 3) if pdu else (3,):
        try:
            response = decode_response(asked, pdu)
        except PeerError:
            continue
        assert response.pack() == pdu
