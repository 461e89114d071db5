"""The client session: which replies count, which do not, and what becomes of every request."""

from __future__ import annotations

import pytest

from wherry.errors import LocalError
from wherry.limits import IN_FLIGHT_MAX, LATE_IDS_MAX, TIMEOUTS_BEFORE_RECONNECT
from wherry.protocol.crc import with_crc
from wherry.protocol.mbap import encode_adu
from wherry.protocol.pdu import (
    Diagnostics,
    MaskWriteRegister,
    ReadCoils,
    ReadDeviceIdentification,
    ReadFifoQueue,
    ReadHoldingRegisters,
    ReadWriteMultipleRegisters,
    Request,
    WriteFileRecord,
    WriteMultipleCoils,
    WriteMultipleRegisters,
    WriteSingleCoil,
    WriteSingleRegister,
)
from wherry.protocol.pdu_files import FileData
from wherry.protocol.rtu import encode_frame
from wherry.protocol.session import (
    ClientSession,
    Faulty,
    Late,
    Lost,
    Outcome,
    Prepared,
    Refusal,
    Reply,
    TimedOut,
    prepare,
)
from wherry.protocol.session_table import State

MS = 1_000_000
TIMEOUT = 100 * MS
OXYGEN = prepare(1, ReadHoldingRegisters(0, 2))
OXYGEN_ANSWER = bytes.fromhex("03 04 00 01 00 02")
SETPOINTS = prepare(1, WriteMultipleRegisters(10, bytes(4)))
SETPOINTS_ANSWER = bytes.fromhex("10 00 0A 00 02")


def send(session: ClientSession, prepared: Prepared = OXYGEN, now: int = 0, tag: object = "oxygen") -> int:
    """Send, and return the transaction id that left."""
    return int.from_bytes(session.send(prepared, now, now + TIMEOUT, tag)[:2], "big")


def one(outcomes: list[Outcome]) -> Outcome:
    (outcome,) = outcomes
    return outcome


# What leaves.


def test_the_bytes_that_leave() -> None:
    """Messaging Guide V1.0b, pages 22-23: its example request."""
    session = ClientSession(first_transaction=0x1501)
    request = prepare(0xFF, ReadHoldingRegisters(4, 1))
    assert session.send(request, 0, 1) == bytes.fromhex("150100000006FF0300040001")
    assert request.pdu == bytes.fromhex("0300040001")
    assert request.request == ReadHoldingRegisters(4, 1)
    assert not request.is_write
    assert SETPOINTS.is_write


def test_a_serial_request() -> None:
    session = ClientSession(framing="rtu")
    assert session.send(prepare(17, ReadHoldingRegisters(107, 3)), 0, 1) == bytes.fromhex("1103006B00037687")


@pytest.mark.parametrize("unit", [-1, 256])
def test_a_unit_id_that_does_not_fit(unit: int) -> None:
    with pytest.raises(LocalError, match=str(unit)):
        prepare(unit, ReadHoldingRegisters(0, 1))


def test_what_gets_no_answer_is_not_prepared() -> None:
    with pytest.raises(LocalError, match="listen only"):
        prepare(1, Diagnostics(4))
    with pytest.raises(LocalError, match="broadcast"):
        ClientSession(framing="rtu").send(prepare(0, WriteSingleRegister(0, 1)), 0, 1)


def test_more_than_the_limit_is_not_sent() -> None:
    session = ClientSession(in_flight_max=2)
    may_send = []
    for _ in range(2):
        may_send.append(session.can_send)
        send(session)
    assert may_send == [True, True]
    assert not session.can_send
    assert session.in_flight == 2
    with pytest.raises(LocalError, match="2 requests wait already"):
        send(session)


@pytest.mark.parametrize(("framing", "most"), [("mbap", 0), ("mbap", IN_FLIGHT_MAX + 1), ("rtu", 2)])
def test_limits_that_are_not_possible(framing: str, most: int) -> None:
    with pytest.raises(LocalError, match=f"{most} requests in flight"):
        ClientSession(framing=framing, in_flight_max=most)


def test_other_arguments_that_are_not_possible() -> None:
    with pytest.raises(LocalError, match="65536"):
        ClientSession(first_transaction=65536)
    with pytest.raises(LocalError, match="deadline 5"):
        ClientSession().send(OXYGEN, 5, 5)


# Answers.


@pytest.mark.parametrize(
    ("request_", "answer_hex", "payload_hex"),
    [
        (ReadHoldingRegisters(0, 2), "03 04 00 01 00 02", "00 01 00 02"),
        (ReadCoils(0, 9), "01 02 FF 01", "FF 01"),
        (ReadWriteMultipleRegisters(0, 1, 5, bytes(2)), "17 02 12 34", "12 34"),
        (WriteSingleCoil(1, True), "05 00 01 FF 00", ""),
        (WriteSingleRegister(1, 2), "06 00 01 00 02", ""),
        (WriteMultipleCoils(1, 2, b"\x03"), "0F 00 01 00 02", ""),
        (WriteMultipleRegisters(1, bytes(4)), "10 00 01 00 02", ""),
        (MaskWriteRegister(1, 2, 3), "16 00 01 00 02 00 03", ""),
        (WriteFileRecord((FileData(1, 0, b"\0\1"),)), "15 09 06 00 01 00 00 00 01 00 01", ""),
        (ReadFifoQueue(1), "18 00 04 00 01 00 07", "00 04 00 01 00 07"),
        (Diagnostics(11), "08 00 0B 00 05", "00 0B 00 05"),
        (ReadDeviceIdentification(), "2B 0E 01 01 00 00 00", "0E 01 01 00 00 00"),
    ],
)
@pytest.mark.parametrize("framing", ["mbap", "rtu"])
@pytest.mark.parametrize("is_split", [False, True])
def test_payload_of_an_answer(
    framing: str, is_split: bool, request_: Request, answer_hex: str, payload_hex: str
) -> None:
    session = ClientSession(framing=framing, first_transaction=9)
    session.send(prepare(1, request_), 10, 10 + TIMEOUT, "tag")
    pdu = bytes.fromhex(answer_hex)
    answer = encode_adu(9, 1, pdu) if framing == "mbap" else encode_frame(1, pdu)
    outcomes: list[Outcome] = []
    if is_split:
        for position in range(len(answer)):
            assert outcomes == []
            outcomes = session.receive(answer[position : position + 1], 30)
    else:
        outcomes = session.receive(answer, 30)
    reply = one(outcomes)
    assert isinstance(reply, Reply)
    assert reply.payload == bytes.fromhex(payload_hex)
    assert (reply.tag, reply.sent_ns, reply.received_ns) == ("tag", 10, 30)
    assert session.in_flight == 0
    assert session.can_send
    assert session.next_deadline_ns is None
    assert session.counters.replies == 1


@pytest.mark.parametrize("framing", ["mbap", "rtu"])
def test_the_devices_no_is_a_value(framing: str) -> None:
    session = ClientSession(framing=framing, first_transaction=9)
    send(session)
    pdu = b"\x83\x02"
    refusal = one(session.receive(encode_adu(9, 1, pdu) if framing == "mbap" else encode_frame(1, pdu), 5))
    assert isinstance(refusal, Refusal)
    assert (refusal.code, refusal.tag) == (2, "oxygen")
    assert session.counters.exceptions == 1
    assert session.can_send


def test_answers_in_another_order() -> None:
    session = ClientSession(in_flight_max=3)
    ids = [send(session, tag=number) for number in range(3)]
    answers = b"".join(encode_adu(ids[number], 1, b"\x03\x04" + bytes((0, 0, 0, number))) for number in (2, 0, 1))
    outcomes = session.receive(answers, 5)
    assert [(each.tag, each.payload[-1]) for each in outcomes if isinstance(each, Reply)] == [(2, 2), (0, 0), (1, 1)]


def test_an_answer_and_the_beginning_of_the_next() -> None:
    session = ClientSession(in_flight_max=2)
    first, second = send(session, tag=1), send(session, tag=2)
    stream = encode_adu(first, 1, OXYGEN_ANSWER) + encode_adu(second, 1, OXYGEN_ANSWER)
    assert one(session.receive(stream[:15], 5)).tag == 1
    assert one(session.receive(stream[15:], 6)).tag == 2


# Replies that do not count.


def test_a_reply_inside_another_frame_is_none() -> None:
    """A foreign frame's data looks like the whole answer that is waited for, and arrives as a piece of its own."""
    session = ClientSession(first_transaction=5)
    number = send(session)
    inside = encode_adu(number, 1, OXYGEN_ANSWER)
    foreign = encode_adu(900, 1, bytes((0x03, len(inside))) + inside)
    head = len(foreign) - len(inside)
    assert session.receive(foreign[:head], 5) == []
    assert session.receive(foreign[head:], 6) == []
    assert session.in_flight == 1
    assert session.counters.foreign_replies == 1


@pytest.mark.parametrize(
    ("prepared", "unit", "pdu_hex", "reason"),
    [
        (OXYGEN, 2, "03 04 00 01 00 02", "unit 2 answered a request to unit 1"),
        (OXYGEN, 1, "04 04 00 01 00 02", "function code 04"),
        (OXYGEN, 1, "03 02 00 01", "2 bytes of data where 4"),
        (OXYGEN, 1, "03 06 00 01 00 02 00 03", "6 bytes of data where 4"),
        (OXYGEN, 1, "03 03 00 01 00", "3 bytes are not whole registers"),
        (OXYGEN, 1, "03 04 00 01 00", "says 4 bytes follow, but 3 do"),
        (OXYGEN, 1, "84 02", "function code 84"),
        (OXYGEN, 1, "83 02 00", "3 bytes instead of 2"),
        (SETPOINTS, 1, "10 00 0A 00 01", "1 from address 10"),
        (SETPOINTS, 1, "10 00 0B 00 02", "2 from address 11"),
        (prepare(1, WriteSingleRegister(1, 2)), 1, "06 00 01 00 03", "echo"),
        (prepare(1, WriteSingleCoil(1, True)), 1, "05 00 01 00 00", "echo"),
        (prepare(1, MaskWriteRegister(1, 2, 3)), 1, "16 00 01 00 02 00 04", "echo"),
    ],
)
def test_the_right_id_with_a_wrong_reply(prepared: Prepared, unit: int, pdu_hex: str, reason: str) -> None:
    session = ClientSession()
    number = send(session, prepared)
    faulty = one(session.receive(encode_adu(number, unit, bytes.fromhex(pdu_hex)), 5))
    assert isinstance(faulty, Faulty)
    assert reason in str(faulty.error)
    assert bytes.fromhex(pdu_hex) in faulty.error.data
    assert faulty.tag == "oxygen"
    assert faulty.prepared is prepared
    assert session.counters.faulty == 1
    # Framing is intact, so the session goes on.
    assert not session.must_reset
    number = send(session, prepared, 10)
    good = OXYGEN_ANSWER if prepared is OXYGEN else SETPOINTS_ANSWER if prepared is SETPOINTS else prepared.pdu
    assert isinstance(one(session.receive(encode_adu(number, 1, good), 12)), Reply)


@pytest.mark.parametrize("wrong", [0, 0x0100, 2, 0xFFFF], ids=["always 0", "swapped", "one more", "far off"])
def test_a_wrong_id_is_foreign_and_the_request_waits_on(wrong: int) -> None:
    session = ClientSession(first_transaction=1)
    number = send(session)
    assert session.receive(encode_adu(wrong, 1, OXYGEN_ANSWER), 5) == []
    assert session.counters.foreign_replies == 1
    assert session.in_flight == 1
    assert isinstance(one(session.receive(encode_adu(number, 1, OXYGEN_ANSWER), 6)), Reply)


def test_a_duplicate_is_foreign() -> None:
    session = ClientSession()
    answer = encode_adu(send(session), 1, OXYGEN_ANSWER)
    (reply,) = session.receive(answer + answer, 5)
    assert isinstance(reply, Reply)
    assert session.receive(answer, 6) == []
    assert session.counters.foreign_replies == 2


def test_unasked_bytes_on_an_idle_connection() -> None:
    session = ClientSession()
    assert session.receive(encode_adu(1, 1, OXYGEN_ANSWER), 5) == []
    assert session.receive(b"", 5) == []
    assert session.counters.foreign_replies == 1
    assert session.can_send


@pytest.mark.parametrize("garbage_hex", ["0001 0001 0003 01 03 02", "0001 0000 0000 01", "0001 0000 0400 01", "FF" * 9])
def test_lost_framing_ends_the_session(garbage_hex: str) -> None:
    session = ClientSession(in_flight_max=3)
    first, _, _ = (send(session, tag=tag) for tag in "abc")
    garbage = bytes.fromhex(garbage_hex)
    reply, faulty, *lost = session.receive(encode_adu(first, 1, OXYGEN_ANSWER) + garbage, 5)
    assert isinstance(reply, Reply), "what came before is whole and counts"
    assert isinstance(faulty, Faulty)
    assert faulty.tag is None
    assert faulty.error.data.startswith(garbage)
    assert [each.tag for each in lost if isinstance(each, Lost)] == ["b", "c"]
    assert session.must_reset
    assert "framing lost" in session.reset_reason
    assert not session.can_send
    with pytest.raises(LocalError, match="framing lost"):
        send(session)
    # Nothing that follows is looked at.
    assert session.receive(encode_adu(first + 1, 1, OXYGEN_ANSWER), 6) == []
    assert session.time_passed(10 * TIMEOUT) == []
    assert session.counters.framing_errors == 1


# Time.


def test_a_time_out_and_a_late_reply() -> None:
    session = ClientSession()
    number = send(session, now=10)
    assert session.next_deadline_ns == 10 + TIMEOUT
    assert session.time_passed(9 + TIMEOUT) == []
    timed_out = one(session.time_passed(10 + TIMEOUT))
    assert isinstance(timed_out, TimedOut)
    assert (timed_out.tag, timed_out.sent_ns, timed_out.deadline_ns) == ("oxygen", 10, 10 + TIMEOUT)
    assert session.can_send
    following = send(session, now=20 + TIMEOUT)
    late = one(session.receive(encode_adu(number, 1, OXYGEN_ANSWER), 21 + TIMEOUT))
    assert isinstance(late, Late)
    assert late.tag is None, "its request is over already"
    assert (late.prepared, late.sent_ns, late.received_ns) == (OXYGEN, 10, 21 + TIMEOUT)
    assert session.in_flight == 1
    assert isinstance(one(session.receive(encode_adu(following, 1, OXYGEN_ANSWER), 22 + TIMEOUT)), Reply)
    assert session.counters.late_replies == session.counters.timeouts == session.counters.replies == 1


def test_a_reply_at_its_deadline_is_late_even_before_time_was_told() -> None:
    session = ClientSession()
    number = send(session)
    timed_out, late = session.receive(encode_adu(number, 1, OXYGEN_ANSWER), TIMEOUT)
    assert isinstance(timed_out, TimedOut)
    assert isinstance(late, Late)


def test_a_reply_just_before_its_deadline_counts() -> None:
    session = ClientSession()
    assert isinstance(one(session.receive(encode_adu(send(session), 1, OXYGEN_ANSWER), TIMEOUT - 1)), Reply)


def test_the_earliest_deadline_is_the_next() -> None:
    session = ClientSession(in_flight_max=3)
    for deadline in (70, 30, 50):
        session.send(OXYGEN, 0, deadline, deadline)
    assert session.next_deadline_ns == 30
    assert [each.tag for each in session.time_passed(50)] == [30, 50]
    assert session.next_deadline_ns == 70


def test_time_outs_in_a_row_end_the_trust() -> None:
    session = ClientSession()
    now = 0
    resets = []
    for _ in range(TIMEOUTS_BEFORE_RECONNECT):
        send(session, now=now)
        now += TIMEOUT
        session.time_passed(now)
        resets.append(session.must_reset)
    assert resets == [False] * (TIMEOUTS_BEFORE_RECONNECT - 1) + [True]
    assert f"{TIMEOUTS_BEFORE_RECONNECT} requests in a row" in session.reset_reason


def test_an_answer_begins_the_row_anew() -> None:
    session = ClientSession()
    now = 0
    for _ in range(4 * TIMEOUTS_BEFORE_RECONNECT):
        send(session, now=now)
        session.time_passed(now + TIMEOUT)
        now += TIMEOUT
        if session.counters.timeouts % (TIMEOUTS_BEFORE_RECONNECT - 1) == 0:
            session.receive(encode_adu(send(session, now=now), 1, b"\x83\x06"), now)
    assert not session.must_reset


def test_too_many_unanswered_requests_end_the_trust() -> None:
    session = ClientSession()
    now = 0
    while session.counters.timeouts < LATE_IDS_MAX:
        send(session, now=now)
        now += TIMEOUT
        session.time_passed(now)
        session.receive(encode_adu(send(session, now=now), 1, OXYGEN_ANSWER), now)
    assert session.can_send
    send(session, now=now)
    session.time_passed(now + TIMEOUT)
    assert session.reset_reason == f"{LATE_IDS_MAX + 1} requests were never answered"


def test_ids_wrap_and_pass_over_those_that_wait_or_may_still_be_answered() -> None:
    """One request is never answered, another waits for very long; 70,000 others go by."""
    session = ClientSession(in_flight_max=2, first_transaction=65530)
    overdue = send(session)
    session.time_passed(TIMEOUT)
    waiting = int.from_bytes(session.send(OXYGEN, TIMEOUT, 1 << 60, "patient")[:2], "big")
    used = set()
    for _ in range(70_000):
        frame = session.send(SETPOINTS, TIMEOUT, 2 * TIMEOUT)
        used.add(frame[:2])
        session.receive(frame[:2] + SETPOINTS.reply_head, TIMEOUT)
    assert session.counters.replies == 70_000
    assert len(used) == 65_534
    assert overdue.to_bytes(2, "big") not in used
    assert waiting.to_bytes(2, "big") not in used
    assert isinstance(one(session.receive(encode_adu(overdue, 1, OXYGEN_ANSWER), TIMEOUT)), Late)
    reply = one(session.receive(encode_adu(waiting, 1, OXYGEN_ANSWER), TIMEOUT))
    assert isinstance(reply, Reply)
    assert reply.tag == "patient"


# Ends.


def test_a_lost_link_ends_everything_that_waits() -> None:
    session = ClientSession(in_flight_max=2)
    number = send(session, tag="a")
    send(session, tag="b")
    lost = session.link_lost(7)
    assert [each.tag for each in lost if isinstance(each, Lost)] == ["a", "b"]
    assert session.counters.lost == 2
    assert session.state is State.CLOSED
    assert session.next_deadline_ns is None
    assert session.receive(encode_adu(number, 1, OXYGEN_ANSWER), 8) == []
    assert session.link_lost(9) == []
    with pytest.raises(LocalError, match="it has ended"):
        send(session)


def test_what_never_left_can_be_withdrawn() -> None:
    session = ClientSession()
    tag = object()
    number = send(session, tag=tag)
    session.withdraw(tag)
    assert session.can_send
    assert session.counters.requests == 0
    assert session.receive(encode_adu(number, 1, OXYGEN_ANSWER), 5) == []
    assert send(session) == number + 1
    with pytest.raises(LocalError, match="waits"):
        session.withdraw(tag)


# Serial lines: without ids, order is all there is.


def test_after_a_time_out_the_line_must_be_quiet() -> None:
    session = ClientSession(framing="rtu", quiet_ns=50)
    session.send(OXYGEN, 0, 100, "oxygen")
    assert isinstance(one(session.time_passed(100)), TimedOut)
    assert session.state is State.DRAINING
    assert not session.can_send
    with pytest.raises(LocalError, match="quiet"):
        session.send(OXYGEN, 110, 200)
    assert session.next_deadline_ns == 150
    late = one(session.receive(encode_frame(1, OXYGEN_ANSWER), 149))
    assert isinstance(late, Late)
    assert session.counters.late_replies == 1
    assert session.next_deadline_ns == 199, "quiet is counted from the last byte"
    assert session.time_passed(198) == []
    assert not session.can_send
    assert session.time_passed(199) == []
    assert session.can_send


def test_quiet_is_by_default_as_long_as_the_request_was_given() -> None:
    session = ClientSession(framing="rtu")
    session.send(OXYGEN, 1000, 1300)
    session.time_passed(1300)
    assert session.next_deadline_ns == 1600


@pytest.mark.parametrize(
    "frame_hex", ["01 03 04 00 01 00 02 00 00", "01 04 04 00 01 00 02", "01 03 02 00 01", "01 83 02 01"]
)
@pytest.mark.parametrize("has_crc", [False, True])
def test_a_broken_or_wrong_frame_fails_the_request_and_drains(frame_hex: str, has_crc: bool) -> None:
    session = ClientSession(framing="rtu", quiet_ns=50)
    session.send(OXYGEN, 0, 100, "oxygen")
    data = bytes.fromhex(frame_hex)
    frame = with_crc(data) if has_crc else data + b"\x00\x00"
    outcomes = session.receive(frame, 10) or session.time_passed(100)
    assert one(outcomes).tag == "oxygen"
    assert isinstance(outcomes[0], Faulty | TimedOut)
    assert session.state is State.DRAINING
    assert session.counters.replies == 0
    assert not session.must_reset


def test_another_devices_frame_leaves_the_time_out_running() -> None:
    """Serial Line V1.02, page 9."""
    session = ClientSession(framing="rtu")
    session.send(OXYGEN, 0, 100, "oxygen")
    assert session.receive(encode_frame(2, OXYGEN_ANSWER), 10) == []
    assert session.counters.foreign_replies == 1
    assert isinstance(one(session.receive(encode_frame(1, OXYGEN_ANSWER), 20)), Reply)


@pytest.mark.parametrize("tail", [b"\x01", encode_frame(1, OXYGEN_ANSWER), b"\xff\xff\xff"])
def test_bytes_behind_the_answer_mean_quiet_first(tail: bytes) -> None:
    """The answer counts; but something else is on the line, so nothing is sent into it."""
    session = ClientSession(framing="rtu", quiet_ns=50)
    session.send(OXYGEN, 0, 100, "oxygen")
    outcomes = session.receive(encode_frame(1, OXYGEN_ANSWER) + tail, 10)
    assert isinstance(outcomes[0], Reply)
    assert not session.can_send
    assert session.next_deadline_ns == 60
    session.time_passed(60)
    assert session.can_send


def test_unasked_bytes_mean_quiet_first() -> None:
    session = ClientSession(framing="rtu", quiet_ns=50)
    assert session.receive(b"\x01", 10) == []
    assert not session.can_send
    session.time_passed(60)
    assert session.can_send


def test_quiet_that_has_passed_before_the_next_byte() -> None:
    session = ClientSession(framing="rtu", quiet_ns=50)
    session.receive(b"\x01", 10)
    session.receive(b"\x02", 60)
    assert not session.can_send, "a new stray byte, so a new quiet time"
    assert session.next_deadline_ns == 110


def test_a_line_that_never_becomes_quiet_is_given_up() -> None:
    session = ClientSession(framing="rtu", quiet_ns=50)
    session.send(OXYGEN, 0, 100)
    session.time_passed(100)
    now = 100
    while not session.must_reset:
        now += 10
        session.receive(bytes(100), now)
        assert now < 10_000
    assert "nobody asked for" in session.reset_reason


def test_serial_time_outs_in_a_row_end_the_trust_too() -> None:
    session = ClientSession(framing="rtu", quiet_ns=50)
    now = 0
    for _ in range(TIMEOUTS_BEFORE_RECONNECT):
        session.send(OXYGEN, now, now + 100)
        session.time_passed(now + 100)
        session.time_passed(now + 150)
        now += 200
    assert session.must_reset


# Writes made ready once.


def test_a_write_with_other_data() -> None:
    other = SETPOINTS.with_data(bytes.fromhex("00070008"))
    assert other.request == WriteMultipleRegisters(10, bytes.fromhex("00070008"))
    assert SETPOINTS.request == WriteMultipleRegisters(10, bytes(4)), "the first stays as it was"
    session = ClientSession()
    number = send(session, other)
    assert isinstance(one(session.receive(encode_adu(number, 1, SETPOINTS_ANSWER), 5)), Reply)


@pytest.mark.parametrize(
    ("request_", "data_hex", "expected"),
    [
        (WriteSingleRegister(7, 1), "0102", WriteSingleRegister(7, 0x0102)),
        (WriteSingleCoil(7, False), "FF00", WriteSingleCoil(7, True)),
        (WriteMultipleCoils(7, 9, bytes(2)), "FF01", WriteMultipleCoils(7, 9, b"\xff\x01")),
        (MaskWriteRegister(7, 0, 0), "FFFE0001", MaskWriteRegister(7, 0xFFFE, 1)),
    ],
)
@pytest.mark.parametrize("framing", ["mbap", "rtu"])
def test_every_write_of_items_takes_other_data(
    framing: str, request_: Request, data_hex: str, expected: Request
) -> None:
    changed = prepare(3, request_).with_data(bytes.fromhex(data_hex))
    fresh = prepare(3, expected)
    for name in Prepared.__slots__:
        assert getattr(changed, name) == getattr(fresh, name), name


@pytest.mark.parametrize(
    ("request_", "data", "reason"),
    [
        (WriteMultipleRegisters(10, bytes(4)), bytes(2), "4 bytes of data, not 2"),
        (WriteSingleCoil(7, False), b"\x00\x01", "0001"),
        (ReadHoldingRegisters(0, 1), b"", "no data"),
        (ReadWriteMultipleRegisters(0, 1, 0, bytes(2)), bytes(2), "no data"),
    ],
)
def test_data_that_does_not_fit(request_: Request, data: bytes, reason: str) -> None:
    with pytest.raises(LocalError, match=reason):
        prepare(1, request_).with_data(data)


def test_what_things_look_like_when_printed() -> None:
    session = ClientSession()
    number = send(session)
    assert repr(one(session.receive(encode_adu(number, 1, OXYGEN_ANSWER), 1))) == (
        "Reply(Prepared(unit=1, pdu=03 00 00 00 02), payload=00 01 00 02)"
    )
    send(session)
    assert repr(one(session.time_passed(TIMEOUT))) == "TimedOut(Prepared(unit=1, pdu=03 00 00 00 02))"
    assert "timeouts=1" in repr(session.counters)
    assert session.counters.as_dict()["requests"] == 2
