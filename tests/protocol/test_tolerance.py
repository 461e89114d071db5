"""Sessions with devices that answer under another transaction id or unit id."""

from __future__ import annotations

import pytest

from wherry.errors import LocalError
from wherry.protocol.mbap import encode_adu
from wherry.protocol.pdu import ReadHoldingRegisters
from wherry.protocol.session import ClientSession, Faulty, Reply, prepare
from wherry.protocol.tolerance import Tolerance, told_by

OXYGEN = prepare(1, ReadHoldingRegisters(0, 2))
ANSWER = bytes.fromhex("03 04 00 01 00 02")
REPLY_IDS = {
    Tolerance.ZERO: (0x1234, 0),
    Tolerance.SWAPPED: (0x1234, 0x3412),
    Tolerance.PLUS_ONE: (0xFFFF, 0),
    Tolerance.ONLY_ZERO: (0, 0),
    Tolerance.UNIT: (0x1234, 0x1234),
}


def session_with(*tolerates: Tolerance, first: int = 0x1234, in_flight_max: int = 1) -> ClientSession:
    return ClientSession(first_transaction=first, in_flight_max=in_flight_max, tolerates=tolerates)


@pytest.mark.parametrize("tolerance", Tolerance)
def test_a_reply_under_the_tolerated_id_counts(tolerance: Tolerance) -> None:
    sent, replied = REPLY_IDS[tolerance]
    session = session_with(tolerance, first=0xFFFF if tolerance is Tolerance.PLUS_ONE else 0x1234)
    unit = 255 if tolerance is Tolerance.UNIT else 1
    for _ in range(3):
        frame = session.send(OXYGEN, 0, 100)
        number = int.from_bytes(frame[:2], "big")
        if number == sent:
            assert [type(each) for each in session.receive(encode_adu(replied, unit, ANSWER), 1)] == [Reply]
            return
        session.receive(encode_adu(number, 1, ANSWER), 1)
    raise AssertionError("the request never left with that id")


def test_without_it_the_same_reply_does_not_count() -> None:
    session = session_with()
    session.send(OXYGEN, 0, 100)
    assert session.receive(encode_adu(0, 1, ANSWER), 1) == []
    assert '`tolerate = ["transaction id 0"]`' in session.hint
    outcomes = session.receive(encode_adu(0x1234, 255, ANSWER), 2)
    assert [type(each) for each in outcomes] == [Faulty]


def test_after_a_time_out_the_connection_is_given_up() -> None:
    session = session_with(Tolerance.ZERO)
    session.send(OXYGEN, 0, 100)
    session.time_passed(100)
    assert session.must_reset
    assert "a late one could not be told" in session.reset_reason


def test_only_one_request_at_a_time() -> None:
    with pytest.raises(LocalError, match="only allows one"):
        session_with(Tolerance.SWAPPED, in_flight_max=2)
    session = session_with(Tolerance.ZERO)
    session.send(OXYGEN, 0, 100)
    assert not session.can_send


def test_which_tolerance_would_take_a_reply() -> None:
    request = b"\x12\x34"
    assert told_by(request, b"\x00\x00") is Tolerance.ZERO
    assert told_by(request, b"\x34\x12") is Tolerance.SWAPPED
    assert told_by(request, b"\x12\x35") is Tolerance.PLUS_ONE
    assert told_by(request, b"\x12\x36") is None
