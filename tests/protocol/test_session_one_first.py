"""A session that asks one request first, until the device has brought an id back."""

from __future__ import annotations

from wherry.protocol.mbap import encode_adu
from wherry.protocol.pdu import ReadHoldingRegisters
from wherry.protocol.session import ClientSession, Refusal, Reply, prepare

OXYGEN = prepare(1, ReadHoldingRegisters(0, 2))
OXYGEN_ANSWER = bytes.fromhex("03 04 00 01 00 02")


def send(session: ClientSession) -> int:
    """Send, and return the transaction id that left."""
    return int.from_bytes(session.send(OXYGEN, 0, 100, "oxygen")[:2], "big")


def test_a_session_may_ask_one_first_until_an_id_has_come_back() -> None:
    session = ClientSession(in_flight_max=3, one_first=True)
    first = send(session)
    assert not session.can_send
    # A device that counts one further: with a second request under way this would have been its answer.
    assert session.receive(encode_adu(first + 1, 1, OXYGEN_ANSWER), 1) == []
    assert not session.can_send
    assert [type(each) for each in session.receive(encode_adu(first, 1, OXYGEN_ANSWER), 1)] == [Reply]
    sent = [send(session) for _ in range(3)]
    assert not session.can_send
    assert len({first, *sent}) == 4


def test_a_refusal_also_brings_the_id_back() -> None:
    session = ClientSession(in_flight_max=2, one_first=True)
    first = send(session)
    assert [type(each) for each in session.receive(encode_adu(first, 1, b"\x83\x02"), 1)] == [Refusal]
    send(session)
    assert session.can_send
