"""The client's side of one connection, without the connection: bytes and instants in; bytes, outcomes and the next
deadline out. The laws and the states are in ``session_table``.

The caller sends what ``send`` returns, hands in what arrives, calls ``time_passed`` when ``next_deadline_ns`` is
reached, and ends the connection when ``must_reset`` is set. Instants are integer nanoseconds of any clock that does
not go back.
"""

from __future__ import annotations

from collections.abc import Collection
from typing import Final

from wherry.errors import LocalError, PeerError, WrongUnitError
from wherry.limits import (
    IN_FLIGHT_MAX,
    LATE_IDS_MAX,
    MBAP_BYTES,
    RTU_ADU_BYTES_MAX,
    TIMEOUTS_BEFORE_RECONNECT,
    TRANSACTION_IDS,
    UNIT_BROADCAST,
)
from wherry.protocol.crc import crc16, with_crc
from wherry.protocol.functions import Framing, function_title
from wherry.protocol.mbap import MbapReader
from wherry.protocol.outcome import Counters, Faulty, Late, Lost, Outcome, Refusal, Reply, TimedOut
from wherry.protocol.pdu import ExceptionResponse, decode_response
from wherry.protocol.prepared import Prepared, prepare
from wherry.protocol.rtu import Dropped, RtuReader
from wherry.protocol.session_table import MAY_SEND, TRANSITIONS, Event, State
from wherry.protocol.tolerance import ID_TOLERANCES, Tolerance, reply_id, told_by

__all__ = [
    "ClientSession",
    "Counters",
    "Faulty",
    "Late",
    "Lost",
    "Outcome",
    "Prepared",
    "Refusal",
    "Reply",
    "TimedOut",
    "prepare",
]

QUIET_NS_DEFAULT: Final = 1_000_000_000  # SL 2.4.1, page 10: a typical response time-out is from 1 s
STRAY_BYTES_MAX: Final = 16 * RTU_ADU_BYTES_MAX  # ours: a line that keeps talking does not become quiet

_Waiting = tuple[Prepared, object, int, int]
"""The request, its tag, when it was sent, and its deadline."""

# The key under which the one request of an RTU session waits: longer than a transaction id, so that no reply equals it.
_RTU_KEY: Final = b"rtu"


class ClientSession:
    """One connection's requests and their outcomes.

    ``in_flight_max``: how many requests may wait at once (1 to 16; 1 with RTU framing). ``one_first``: only one does
    until a reply has come with the id of its request; a device that counts ids in its own way would otherwise give
    what one request asked for to another. ``tolerates``: ways of breaking the rules in which replies are taken all the
    same. ``first_transaction``: where the transaction ids begin, so that a new connection does not repeat those of the
    last. ``counters`` may be shared by the sessions of one line. ``is_shared``: several units answer on this
    connection, so that requests without an answer say nothing about the connection; the caller decides when to give it
    up. ``timeouts_max``: how many in a row make a connection suspect before it has answered (``answers``); then it is
    the usual number. ``quiet_ns`` (RTU): how long the line must be quiet after a time-out or a broken frame; by
    default as long as the last request was given time.
    """

    __slots__ = (
        "_framing",
        "_id_tolerance",
        "_in_flight_max",
        "_in_flight_now",
        "_is_mid_frame",
        "_is_rtu",
        "_is_shared",
        "_late",
        "_mbap",
        "_next",
        "_quiet_ns",
        "_quiet_until_ns",
        "_rtu",
        "_stranger",
        "_stray_bytes",
        "_timeouts_in_row",
        "_timeouts_max",
        "_tolerates_unit",
        "_uses_own_quiet",
        "_waiting",
        "can_send",
        "counters",
        "must_reset",
        "reset_reason",
        "state",
    )

    can_send: bool
    """Whether ``send`` is allowed now."""
    must_reset: bool
    """The connection cannot be trusted any more: end it, and begin a new one. ``reset_reason`` says why."""
    state: State

    def __init__(
        self,
        *,
        framing: str = Framing.MBAP,
        in_flight_max: int = 1,
        first_transaction: int = 1,
        counters: Counters | None = None,
        quiet_ns: int | None = None,
        is_shared: bool = False,
        one_first: bool = False,
        tolerates: Collection[Tolerance] = (),
        timeouts_max: int = TIMEOUTS_BEFORE_RECONNECT,
    ) -> None:
        self._framing = Framing(framing)
        self._is_rtu = self._framing is Framing.RTU
        most = 1 if self._is_rtu else IN_FLIGHT_MAX
        if not 1 <= in_flight_max <= most:
            raise LocalError(
                f"{in_flight_max} requests in flight, where 1 to {most} are possible with {framing} framing"
            )
        if not 0 <= first_transaction < TRANSACTION_IDS:
            raise LocalError(f"transaction id {first_transaction} does not fit two bytes")
        self._id_tolerance = next((each for each in tolerates if each in ID_TOLERANCES), None)
        self._tolerates_unit = Tolerance.UNIT in tolerates
        if self._id_tolerance is not None and in_flight_max > 1:
            raise LocalError(f"{in_flight_max} requests in flight, where `{self._id_tolerance}` only allows one")
        self._stranger: Tolerance | None = None
        self._in_flight_max = in_flight_max
        self._in_flight_now = 1 if one_first else in_flight_max
        self._next = first_transaction
        self.counters = counters if counters is not None else Counters()
        self._is_shared = is_shared
        self._quiet_ns = QUIET_NS_DEFAULT if quiet_ns is None else quiet_ns
        self._uses_own_quiet = quiet_ns is None
        self._quiet_until_ns = 0
        self._stray_bytes = 0
        self._waiting: dict[bytes, _Waiting] = {}
        self._late: dict[bytes, tuple[Prepared, int]] = {}
        self._mbap = MbapReader()
        self._rtu = RtuReader(is_reply=True)
        self._is_mid_frame = False
        self._timeouts_in_row = 0
        self._timeouts_max = timeouts_max
        self.state = State.READY
        self.can_send = True
        self.must_reset = False
        self.reset_reason = ""

    def answers(self) -> None:
        """Something has answered on this connection: from now on it is judged as usual."""
        self._timeouts_max = TIMEOUTS_BEFORE_RECONNECT

    # What the caller asks.

    @property
    def in_flight(self) -> int:
        """How many requests wait for an answer."""
        return len(self._waiting)

    @property
    def is_mid_frame(self) -> bool:
        """Whether a part of a frame has come, and not its rest (TCP framing)."""
        return self._is_mid_frame

    @property
    def next_deadline_ns(self) -> int | None:
        """When ``time_passed`` is to be called next; None while nothing is pending."""
        waiting = self._waiting
        if waiting:
            return min([each[3] for each in waiting.values()])
        return self._quiet_until_ns if self.state is State.DRAINING else None

    def send(self, prepared: Prepared, now_ns: int, deadline_ns: int, tag: object = None) -> bytes:
        """Begin an exchange: returns the bytes to send, now. LocalError when it may not send."""
        if not self.can_send:
            raise LocalError(self._why_not())
        if deadline_ns <= now_ns:
            raise LocalError(f"the deadline {deadline_ns} is not after now, {now_ns}")
        if self._is_rtu:
            return self._send_rtu(prepared, now_ns, deadline_ns, tag)
        if self._id_tolerance is not None:
            return self._send_tolerantly(self._id_tolerance, prepared, now_ns, deadline_ns, tag)
        waiting = self._waiting
        late = self._late
        number = self._next
        key = number.to_bytes(2, "big")
        if waiting or late:
            # At most LATE_IDS_MAX + IN_FLIGHT_MAX of 65536 are taken, so this ends.
            while key in waiting or key in late:
                number = (number + 1) % TRANSACTION_IDS
                key = number.to_bytes(2, "big")
        self._next = (number + 1) % TRANSACTION_IDS
        waiting[key] = (prepared, tag, now_ns, deadline_ns)
        self.can_send = len(waiting) < self._in_flight_now
        self.counters.requests += 1
        return key + prepared.request_tail

    def receive(self, data: bytes, now_ns: int) -> list[Outcome]:
        """Take what has arrived, in any pieces; returns what is over by it."""
        key = data[:2]
        waits = self._waiting.get(key)
        if waits is not None and not self._is_mid_frame:
            # The normal case: exactly one whole reply, as expected, in time.
            prepared, tag, sent_ns, deadline_ns = waits
            if len(data) == prepared.reply_bytes and now_ns < deadline_ns and data.startswith(prepared.reply_head, 2):
                del self._waiting[key]
                self.can_send = True
                self._in_flight_now = self._in_flight_max
                self._timeouts_in_row = 0
                self.counters.replies += 1
                return [Reply(prepared, tag, data[prepared.payload_at :], sent_ns, now_ns)]
        if not data or self.state is State.BROKEN or self.state is State.CLOSED:
            return []
        outcomes = self.time_passed(now_ns)
        if self._is_rtu:
            self._receive_rtu(data, now_ns, outcomes)
        elif self.state is State.READY:
            self._receive_mbap(data, now_ns, outcomes)
        return outcomes

    def time_passed(self, now_ns: int) -> list[Outcome]:
        """Let time pass: requests whose deadline has come are over, and a quiet line is free again."""
        outcomes: list[Outcome] = []
        for key, (prepared, tag, sent_ns, deadline_ns) in list(self._waiting.items()):
            if deadline_ns <= now_ns:
                self._over(key)
                self.counters.timeouts += 1
                self._timeouts_in_row += 1
                self._late[key] = (prepared, sent_ns)
                outcomes.append(TimedOut(prepared, tag, sent_ns, deadline_ns))
        if outcomes:
            self._go(Event.TIMED_OUT)
            self._after_timeouts(now_ns, outcomes)
        elif self.state is State.DRAINING and self._quiet_until_ns <= now_ns:
            self._rtu.silence()
            self._late.clear()
            self._stray_bytes = 0
            self._go(Event.QUIET)
        return outcomes

    def link_lost(self, now_ns: int) -> list[Outcome]:
        """The connection has ended: everything that waits is over. The session is of no more use."""
        outcomes: list[Outcome] = []
        self._lose_all("the connection ended before an answer came", outcomes)
        self._go(Event.LINK_LOST)
        return outcomes

    def withdraw(self, tag: object) -> None:
        """Forget the request of that tag: its bytes never left. LocalError if none waits."""
        for key, waits in self._waiting.items():
            if waits[1] is tag:
                self._over(key)
                self.counters.requests -= 1
                return
        raise LocalError(f"no request with the tag {tag!r} waits")

    # TCP framing.

    def _receive_mbap(self, data: bytes, now_ns: int, outcomes: list[Outcome]) -> None:
        frames = self._mbap.feed(data)
        for transaction, unit, pdu in frames:
            key = transaction.to_bytes(2, "big")
            if key in self._waiting:
                self._judge(key, unit, pdu, now_ns, outcomes)
            elif late := self._late.pop(key, None):
                self.counters.late_replies += 1
                outcomes.append(Late(*late, now_ns))
            else:
                self.counters.foreign_replies += 1
                if len(self._waiting) == 1:
                    self._stranger = told_by(next(iter(self._waiting)), key) or self._stranger
        self._is_mid_frame = self._mbap.buffered > 0
        if error := self._mbap.error:
            self.counters.framing_errors += 1
            outcomes.append(Faulty(None, None, error, now_ns, now_ns))
            self._break(Event.FRAMING_LOST, str(error), outcomes)

    def _judge(self, key: bytes, unit: int, pdu: bytes, now_ns: int, outcomes: list[Outcome]) -> None:
        """Decide over a whole frame that claims to answer a waiting request."""
        prepared, tag, sent_ns, _ = self._waiting[key]
        self._over(key)
        try:
            answer = _answer(prepared, prepared.unit if self._tolerates_unit else unit, pdu)
        except PeerError as error:
            self.counters.faulty += 1
            outcomes.append(Faulty(prepared, tag, error, sent_ns, now_ns))
            self._go(Event.FAULTY)
            if self._is_rtu:
                self._drain(now_ns)
            return
        self._timeouts_in_row = 0
        self._in_flight_now = self._in_flight_max
        if isinstance(answer, int):
            self.counters.exceptions += 1
            outcomes.append(Refusal(prepared, tag, answer, sent_ns, now_ns))
        else:
            self.counters.replies += 1
            outcomes.append(Reply(prepared, tag, answer, sent_ns, now_ns))

    # Devices that answer under other ids.

    def _send_tolerantly(
        self, tolerance: Tolerance, prepared: Prepared, now_ns: int, deadline_ns: int, tag: object
    ) -> bytes:
        key = b"\x00\x00" if tolerance is Tolerance.ONLY_ZERO else self._next.to_bytes(2, "big")
        self._next = (self._next + 1) % TRANSACTION_IDS
        self._waiting[reply_id(tolerance, key)] = (prepared, tag, now_ns, deadline_ns)
        self.can_send = False
        self.counters.requests += 1
        return key + prepared.request_tail

    @property
    def hint(self) -> str:
        """What was seen of replies whose ids are not those of their requests: a half sentence, or nothing."""
        if self._stranger is None or self._id_tolerance is not None:
            return ""
        return f'; replies {self._stranger.words}: `tolerate = ["{self._stranger}"]` would take them'

    # RTU framing.

    def _send_rtu(self, prepared: Prepared, now_ns: int, deadline_ns: int, tag: object) -> bytes:
        if prepared.unit == UNIT_BROADCAST:
            raise LocalError(
                "unit 0 is a broadcast on a serial line: nobody answers, so nothing is known of what it did"
            )
        if self._uses_own_quiet:
            self._quiet_ns = deadline_ns - now_ns
        self._waiting[_RTU_KEY] = (prepared, tag, now_ns, deadline_ns)
        self.can_send = False
        self.counters.requests += 1
        return with_crc(prepared.request_tail[MBAP_BYTES - 3 :])

    def _receive_rtu(self, data: bytes, now_ns: int, outcomes: list[Outcome]) -> None:
        if self.state is State.READY and self._take_whole_rtu(data, now_ns, outcomes):
            return
        if self.state is State.READY and not self._waiting:
            self._go(Event.STRAY)
            self._drain(now_ns)
        if self.state is State.DRAINING:
            self._drain_bytes(data, now_ns, outcomes)
            return
        for frame in self._rtu.feed(data):
            if self.state is not State.READY:
                self.counters.foreign_replies += 1
            elif isinstance(frame, Dropped):
                self._garbled(frame.data, now_ns, outcomes)
            elif not self._waiting:
                # A second frame behind the answer: somebody else's, or the line is one behind.
                self.counters.foreign_replies += 1
                self._go(Event.STRAY)
                self._drain(now_ns)
            elif frame.unit != self._waiting[_RTU_KEY][0].unit:
                # SL 2.4.1, page 9: an answer from another device leaves the time-out running.
                self.counters.foreign_replies += 1
            else:
                self._judge(_RTU_KEY, frame.unit, frame.pdu, now_ns, outcomes)
        if self.state is State.READY and not self._waiting and self._rtu.buffered:
            self._go(Event.STRAY)
            self._drain(now_ns)

    def _take_whole_rtu(self, data: bytes, now_ns: int, outcomes: list[Outcome]) -> bool:
        """The normal case: exactly one whole reply, as expected (its deadline has been looked at)."""
        waits = self._waiting.get(_RTU_KEY)
        if waits is None or self._rtu.buffered:
            return False
        prepared, tag, sent_ns, _ = waits
        # A TCP ADU without transaction id, protocol id and length (6 bytes), and a CRC behind (2).
        if len(data) != prepared.reply_bytes - 4 or not data.startswith(prepared.reply_head[4:]) or crc16(data):
            return False
        self._over(_RTU_KEY)
        self._timeouts_in_row = 0
        self.counters.replies += 1
        outcomes.append(Reply(prepared, tag, data[prepared.payload_at - 6 : -2], sent_ns, now_ns))
        return True

    def _garbled(self, data: bytes, now_ns: int, outcomes: list[Outcome]) -> None:
        """Bytes that are no frame: the answer may have been among them."""
        self.counters.framing_errors += 1
        error = PeerError(f"{len(data)} bytes with no frame in them (length or CRC)", data[:RTU_ADU_BYTES_MAX])
        if waits := self._waiting.get(_RTU_KEY):
            self._over(_RTU_KEY)
            self.counters.faulty += 1
            outcomes.append(Faulty(waits[0], waits[1], error, waits[2], now_ns))
        self._go(Event.FAULTY)
        self._drain(now_ns)

    def _drain(self, now_ns: int) -> None:
        self._quiet_until_ns = now_ns + self._quiet_ns

    def _drain_bytes(self, data: bytes, now_ns: int, outcomes: list[Outcome]) -> None:
        """Something came while the line should become quiet: wait anew. A late reply among it is counted."""
        self._go(Event.STRAY)
        self._drain(now_ns)
        self._stray_bytes += len(data)
        if self._stray_bytes > STRAY_BYTES_MAX:
            self._break(Event.DISTRUSTED, f"{self._stray_bytes} bytes that nobody asked for on the line", outcomes)
            return
        for frame in self._rtu.feed(data):
            if isinstance(frame, Dropped):
                self.counters.framing_errors += 1
                continue
            late = self._late.pop(_RTU_KEY, None)
            if late is not None and frame.unit == late[0].unit:
                self.counters.late_replies += 1
                outcomes.append(Late(*late, now_ns))
            else:
                self.counters.foreign_replies += 1

    # Ends.

    def _after_timeouts(self, now_ns: int, outcomes: list[Outcome]) -> None:
        if self._is_rtu:
            self._rtu.silence()
            self._drain(now_ns)
        if self._id_tolerance is not None:
            why = "a reply did not come in time, and a late one could not be told from the next without its id"
            self._break(Event.DISTRUSTED, why, outcomes)
        elif self._is_shared:
            while len(self._late) > LATE_IDS_MAX:
                # The oldest is forgotten: its answer, should it ever come, is then one that nobody asked for.
                del self._late[next(iter(self._late))]
        elif self._timeouts_in_row >= self._timeouts_max:
            self._break(
                Event.DISTRUSTED,
                f"{self._timeouts_in_row} requests in a row were not answered in time{self.hint}",
                outcomes,
            )
        elif len(self._late) > LATE_IDS_MAX:
            self._break(Event.DISTRUSTED, f"{len(self._late)} requests were never answered", outcomes)

    def _over(self, key: bytes) -> None:
        del self._waiting[key]
        self.can_send = self.state in MAY_SEND

    def _go(self, event: Event) -> None:
        self.state = TRANSITIONS[self._framing][self.state][event]
        self.can_send = self.state in MAY_SEND and len(self._waiting) < self._in_flight_now

    def _break(self, event: Event, reason: str, outcomes: list[Outcome]) -> None:
        self.must_reset = True
        self.reset_reason = reason
        self._lose_all(reason, outcomes)
        self._go(event)

    def _lose_all(self, reason: str, outcomes: list[Outcome]) -> None:
        for prepared, tag, sent_ns, _ in self._waiting.values():
            self.counters.lost += 1
            outcomes.append(Lost(prepared, tag, reason, sent_ns))
        self._waiting.clear()
        self._late.clear()

    def _why_not(self) -> str:
        if self.state is State.DRAINING:
            return "the line must be quiet before the next request"
        if self.state is not State.READY:
            return f"nothing can be sent on a connection that is {self.state}: {self.reset_reason or 'it has ended'}"
        return f"{len(self._waiting)} requests wait already, which is the limit"


def _answer(prepared: Prepared, unit: int, pdu: bytes) -> bytes | int:
    """The payload of a reply, or the exception code. PeerError unless everything about it fits the request."""
    if unit != prepared.unit:
        raise WrongUnitError(f"unit {unit} answered a request to unit {prepared.unit}", bytes((unit,)) + pdu)
    response = decode_response(prepared.request, pdu)
    if isinstance(response, ExceptionResponse):
        return response.code
    if not prepared.reply_bytes:
        return pdu[1:]
    start = prepared.payload_at - MBAP_BYTES
    if len(pdu) != prepared.reply_bytes - MBAP_BYTES or pdu[:start] != prepared.reply_head[MBAP_BYTES - 2 :]:
        raise PeerError(f"the reply to {function_title(prepared.function)} does not fit it", pdu)
    return pdu[start:]
