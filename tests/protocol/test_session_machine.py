"""The client session against a model of it, driven at random, and against a device that is now and then late.

The model knows only what was sent and what was put on the wire. It decides by itself what each frame must become.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from random import Random

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from wherry.limits import LATE_IDS_MAX, TIMEOUTS_BEFORE_RECONNECT
from wherry.protocol.functions import Framing
from wherry.protocol.mbap import encode_adu
from wherry.protocol.pdu import ReadHoldingRegisters, WriteMultipleRegisters, WriteSingleRegister
from wherry.protocol.rtu import encode_frame
from wherry.protocol.session import (
    ClientSession,
    Counters,
    Faulty,
    Late,
    Lost,
    Outcome,
    Refusal,
    Reply,
    TimedOut,
    prepare,
)
from wherry.protocol.session_table import MAY_SEND, REQUEST_TRANSITIONS, TRANSITIONS, RequestState, State

REQUESTS = (ReadHoldingRegisters(0, 2), WriteSingleRegister(3, 7), WriteMultipleRegisters(5, bytes(4)))
GOOD = (bytes.fromhex("0304CAFE0001"), bytes.fromhex("0600030007"), bytes.fromhex("1000050002"))
END_OF = {
    Reply: RequestState.ANSWERED,
    Refusal: RequestState.REFUSED,
    Faulty: RequestState.FAULTY,
    TimedOut: RequestState.OVERDUE,
    Lost: RequestState.LOST,
}


def kind_of_answer(kind: int, unit: int, pdu: bytes) -> type[Outcome]:
    """What a reply with the right id must become."""
    if unit == 1 and pdu == GOOD[kind]:
        return Reply
    return Refusal if unit == 1 and len(pdu) == 2 and pdu[0] == GOOD[kind][0] | 0x80 else Faulty


@dataclass
class Sent:
    number: int
    kind: int
    deadline: int
    tag: int
    state: RequestState = RequestState.WAITING


@dataclass
class Model:
    """What must be true. ``wire`` holds the replies that were put on it and have not been read: id, unit, PDU."""

    waiting: dict[int, Sent] = field(default_factory=dict)
    overdue: dict[int, Sent] = field(default_factory=dict)
    wire: list[tuple[int, int, bytes]] = field(default_factory=list)
    in_row: int = 0


class TcpSession(RuleBasedStateMachine):
    """Requests with ids on one connection after the other."""

    @initialize(in_flight_max=st.integers(1, 4), first=st.sampled_from([0, 1, 65533, 65535]))
    def begin(self, in_flight_max: int, first: int) -> None:
        self.in_flight_max = in_flight_max
        self.first = first
        self.now = 0
        self.tags = 0
        self.ends: dict[int, RequestState] = {}
        self.counters = Counters()
        self.connect()

    def connect(self) -> None:
        self.session = ClientSession(
            in_flight_max=self.in_flight_max, first_transaction=self.first, counters=self.counters
        )
        self.model = Model()
        self.state = self.session.state

    # What the caller does.

    @precondition(lambda self: self.session.can_send)
    @rule(kind=st.integers(0, 2), patience=st.integers(1, 30))
    def send(self, kind: int, patience: int) -> None:
        self.tags += 1
        frame = self.session.send(prepare(1, REQUESTS[kind]), self.now, self.now + patience, self.tags)
        number = int.from_bytes(frame[:2], "big")
        assert number not in self.model.waiting
        assert number not in self.model.overdue
        self.model.waiting[number] = Sent(number, kind, self.now + patience, self.tags)

    @rule(step=st.integers(1, 20))
    def let_time_pass(self, step: int) -> None:
        self.now += step
        expected = [each for each in self.model.waiting.values() if each.deadline <= self.now]
        outcomes = self.session.time_passed(self.now)
        self.model.in_row += len(expected)
        for each in expected:
            del self.model.waiting[each.number]
            self.model.overdue[each.number] = each
        is_broken = bool(expected) and (
            self.model.in_row >= TIMEOUTS_BEFORE_RECONNECT or len(self.model.overdue) > LATE_IDS_MAX
        )
        lost = list(self.model.waiting.values()) if is_broken else []
        self.ended(outcomes, [(TimedOut, each) for each in expected] + [(Lost, each) for each in lost])
        if is_broken:
            self.broke()

    @rule()
    def lose_the_link(self) -> None:
        waiting = list(self.model.waiting.values())
        self.ended(self.session.link_lost(self.now), [(Lost, each) for each in waiting])
        assert self.session.state is State.CLOSED
        self.connect()

    # What the device does.

    @precondition(lambda self: self.model.waiting or self.model.overdue)
    @rule(
        data=st.data(),
        what=st.sampled_from(["good", "good", "good", "exception", "unit", "function", "length", "other answer"]),
    )
    def answer(self, data: st.DataObject, what: str) -> None:
        pending = {**self.model.waiting, **self.model.overdue}
        sent = pending[data.draw(st.sampled_from(sorted(pending)))]
        pdu = GOOD[sent.kind]
        unit = 1
        if what == "exception":
            pdu = bytes((pdu[0] | 0x80, 4))
        elif what == "unit":
            unit = 2
        elif what == "function":
            pdu = bytes((pdu[0] ^ 0x07,)) + pdu[1:]
        elif what == "length":
            pdu = pdu[:-1]
        elif what == "other answer":
            pdu = GOOD[(sent.kind + 1) % len(GOOD)]
        self.model.wire.append((sent.number, unit, pdu))

    @rule(number=st.integers(0, 65535), kind=st.integers(0, 2))
    def answer_something_unasked(self, number: int, kind: int) -> None:
        self.model.wire.append((number, 1, GOOD[kind]))

    @precondition(lambda self: self.model.wire)
    @rule(count=st.integers(1, 4), cut=st.integers(0, 14))
    def deliver(self, count: int, cut: int) -> None:
        """Some whole frames, cut in two pieces anywhere."""
        frames, self.model.wire = self.model.wire[:count], self.model.wire[count:]
        stream = b"".join(encode_adu(*each) for each in frames)
        outcomes = self.session.receive(stream[:cut], self.now) + self.session.receive(stream[cut:], self.now)
        late = 0
        expected: list[tuple[type[Outcome], Sent]] = []
        for number, unit, pdu in frames:
            if sent := self.model.waiting.pop(number, None):
                expected.append((kind_of_answer(sent.kind, unit, pdu), sent))
                if expected[-1][0] is not Faulty:
                    self.model.in_row = 0
            elif self.model.overdue.pop(number, None):
                late += 1
        assert sum(isinstance(each, Late) for each in outcomes) == late
        self.ended([each for each in outcomes if not isinstance(each, Late)], expected)

    @rule(garbage=st.sampled_from([b"\x00\x01\x00\x02\x00\x03\x01\x03", b"\x00\x01\x00\x00\x00\x00", b"\xff" * 20]))
    def lose_framing(self, garbage: bytes) -> None:
        if self.model.wire:
            self.deliver(len(self.model.wire), 0)
        waiting = list(self.model.waiting.values())
        outcomes = self.session.receive(garbage, self.now)
        assert isinstance(outcomes[0], Faulty)
        assert outcomes[0].prepared is None
        self.ended(outcomes[1:], [(Lost, each) for each in waiting])
        self.broke()

    # What must hold.

    def ended(self, outcomes: list[Outcome], expected: list[tuple[type[Outcome], Sent]]) -> None:
        assert [(type(each), each.tag) for each in outcomes] == [(kind, sent.tag) for kind, sent in expected]
        for outcome, (kind, sent) in zip(outcomes, expected, strict=True):
            assert kind in END_OF
            assert END_OF[kind] in REQUEST_TRANSITIONS[sent.state].values()
            sent.state = END_OF[kind]
            assert sent.tag not in self.ends, "over once only"
            self.ends[sent.tag] = sent.state
            if isinstance(outcome, Reply):
                assert outcome.payload == (GOOD[0][2:] if sent.kind == 0 else b"")
            self.model.waiting.pop(sent.number, None)

    def broke(self) -> None:
        assert self.session.must_reset
        assert self.session.state is State.BROKEN
        assert self.session.receive(encode_adu(1, 1, GOOD[0]), self.now) == []
        assert self.session.link_lost(self.now) == []
        self.connect()

    @invariant()
    def laws(self) -> None:
        if not hasattr(self, "session"):
            return
        session, counters = self.session, self.counters
        assert session.in_flight == len(self.model.waiting) <= self.in_flight_max
        assert session.can_send == (session.state in MAY_SEND and session.in_flight < self.in_flight_max)
        deadlines = [each.deadline for each in self.model.waiting.values()]
        assert session.next_deadline_ns == (min(deadlines) if deadlines else None)
        over = counters.replies + counters.exceptions + counters.timeouts + counters.faulty + counters.lost
        assert counters.requests == over + session.in_flight == self.tags
        assert not session.must_reset
        steps = {self.state, *TRANSITIONS[Framing.MBAP][self.state].values()}
        assert session.state in steps
        self.state = session.state


TestTcpSession = TcpSession.TestCase
TestTcpSession.settings = settings(deadline=None, max_examples=60, stateful_step_count=40)


# A device that answers in order, now and then too late. Each answer tells which request it is to.

TIMEOUT = 100


@dataclass
class SlowDevice:
    """Bytes that will arrive, with the instant at which they do."""

    framing: str
    rng: Random
    late_share: float
    lateness_max: int
    arriving: list[tuple[int, bytes]] = field(default_factory=list)
    late: int = 0

    def ask(self, frame: bytes, serial_number: int, now: int) -> None:
        is_late = self.rng.random() < self.late_share
        self.late += is_late
        delay = TIMEOUT + self.rng.randrange(self.lateness_max) if is_late else self.rng.randrange(1, TIMEOUT)
        pdu = b"\x03\x04" + serial_number.to_bytes(4, "big")
        number = int.from_bytes(frame[:2], "big")
        answer = encode_frame(1, pdu) if self.framing == "rtu" else encode_adu(number, 1, pdu)
        self.arriving.append((now + delay, answer))
        self.arriving.sort(key=lambda each: each[0])


@pytest.mark.parametrize(("framing", "in_flight"), [("mbap", 1), ("mbap", 4), ("mbap", 16), ("rtu", 1)])
def test_of_20_000_transactions_one_in_a_hundred_late_none_is_taken_for_another(framing: str, in_flight: int) -> None:
    rng = Random(in_flight)
    counters = Counters()
    device = SlowDevice(framing, rng, 0.01, 90)
    session = ClientSession(framing=framing, in_flight_max=in_flight, counters=counters)
    now = sent = answered = timed_out = lost = resets = 0
    while sent < 20_000 or session.in_flight:
        while session.can_send and sent < 20_000:
            frame = session.send(prepare(1, ReadHoldingRegisters(sent % 100, 2)), now, now + TIMEOUT, sent)
            device.ask(frame, sent, now)
            sent += 1
        arrival = device.arriving[0][0] if device.arriving else None
        deadline = session.next_deadline_ns
        now = min(each for each in (arrival, deadline) if each is not None)
        outcomes = session.receive(device.arriving.pop(0)[1], now) if now == arrival else session.time_passed(now)
        for outcome in outcomes:
            if isinstance(outcome, Reply):
                assert int.from_bytes(outcome.payload, "big") == outcome.tag, "the answer to this very request"
                assert now < outcome.sent_ns + TIMEOUT
                answered += 1
            else:
                assert isinstance(outcome, TimedOut | Late | Lost), outcome
                timed_out += isinstance(outcome, TimedOut)
                lost += isinstance(outcome, Lost)
        if session.must_reset:
            # A new connection: what was under way on the old one does not come any more.
            resets += 1
            session = ClientSession(framing=framing, in_flight_max=in_flight, counters=counters)
            device.arriving.clear()
    assert sent == answered + timed_out + lost == counters.requests == 20_000
    assert 150 < timed_out <= device.late
    assert counters.late_replies > 150
    assert counters.faulty == counters.framing_errors == 0
    assert resets <= 1


@pytest.mark.parametrize("framing", ["mbap", "rtu"])
def test_any_bytes_keep_a_session_bounded(framing: str) -> None:
    rng = Random(7)
    for _ in range(40):
        session = ClientSession(framing=framing)
        session.send(prepare(1, ReadHoldingRegisters(0, 2)), 0, 100, "oxygen")
        for now in range(1, 60):
            outcomes = session.receive(rng.randbytes(rng.randrange(1, 400)), now)
            assert len(outcomes) <= 2
        assert session.in_flight == 0 or not session.must_reset
