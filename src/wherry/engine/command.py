"""Commands: what is to be done once, and never twice. Decisions only; it owns no line and reads no clock.

A value may be written again and again; a command must not. So the source asks with a request number: another number
than before asks for the command. The number goes into the receiver, once; the receiver carries the command out and
shows the number as acknowledged. Whether the write arrived is seen from that alone: when its reply is lost, the
acknowledge is read until it shows the number or the request expires. The write is never made again.

Laws, each held by a test:

* for one request number at most one write of it leaves, whatever becomes of the reply;
* a number that stood in the source before we looked is never written;
* requested = executed + refused + expired + unknown + pending;
* refused and expired mean that the receiver was not given the number or said no to it; where that is not certain, the
  outcome is unknown.

The age of a request counts from the last reading that did not show it yet.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum, IntEnum, auto
from typing import Final

from wherry.protocol.functions import ExceptionCode


class Outcome(IntEnum):
    """What became of a request. The numbers stand in the second register of the answer."""

    EXECUTED = 1
    """The receiver has acknowledged it."""
    REFUSED = 2
    """The receiver, or the plan, said no: it was not carried out."""
    EXPIRED = 3
    """It could not be given to the receiver in time: it was not carried out."""
    UNKNOWN = 4
    """It was given to the receiver, or may have been, and never acknowledged: it may have been carried out."""


class Ask(Enum):
    """What is to be asked next."""

    REQUEST = auto()
    """Read the request number in the source."""
    ANSWERED = auto()
    """Read the number of the answer that stands in the source."""
    VALUES = auto()
    """Read the parameters in the source, and the request number after them."""
    RECEIVER = auto()
    """Read the acknowledge in the receiver, and then the number that was put there last."""
    PUT_VALUES = auto()
    """Write the parameters that do not go together with the number."""
    PUT_NUMBER = auto()
    """Write the number, and the parameters that go with it."""
    ACKNOWLEDGE = auto()
    RESULT = auto()
    PUT_ANSWER = auto()


class Phase(Enum):
    """Where a command stands."""

    STARTING = "starting"
    """What stands in the source is not known yet, or not whether it was answered."""
    IDLE = "idle"
    PREPARING = "preparing"
    """A new request was seen; nothing of it has been written."""
    SENDING = "sending"
    AWAITING = "awaiting the acknowledge"
    """The number has left, or may have, or was there before: it is not written any more."""
    FINISHING = "reading the result"


class Sent(Enum):
    """What became of a write."""

    DONE = auto()
    NOT_SENT = auto()
    """Certainly not: nothing has left."""
    REFUSED = auto()
    """The receiver said no, and did nothing."""
    UNSURE = auto()


@dataclass(frozen=True, slots=True)
class Conclusion:
    """One request and what became of it."""

    number: int
    outcome: Outcome
    result: int
    reason: str


NOT_CARRIED_OUT = frozenset(
    {
        ExceptionCode.ILLEGAL_FUNCTION,
        ExceptionCode.ILLEGAL_DATA_ADDRESS,
        ExceptionCode.ILLEGAL_DATA_VALUE,
        ExceptionCode.SERVER_DEVICE_BUSY,
        ExceptionCode.GATEWAY_PATH_UNAVAILABLE,
    }
)
"""Exceptions after which it was certainly not carried out (V1.1b3, 7). After 04, 05 and 0B it may have been."""
RESULT_NOT_READ: Final = 0xFFFF
"""Stands in the answer in place of the result when the request was acknowledged and its result could not be read."""


class Command:
    """One command. ``next`` says what to ask, ``seen_...`` tell it what came; each period begins with ``release``.

    What failed to be read or written is asked again in the next period, but for the write of the number.
    """

    def __init__(
        self,
        expiry_ns: int,
        *,
        has_values: bool,
        has_own_writes: bool,
        has_result: bool,
        has_answer: bool,
        is_armed: bool,
    ) -> None:
        """``has_own_writes``: some parameters are written before the number, by requests of their own."""
        self.phase = Phase.STARTING
        self.requested = 0
        self.counts = dict.fromkeys(Outcome, 0)
        self.last: Conclusion | None = None
        self.stood_before: int | None = None
        """The number that stood in the source at the first look and was left alone."""
        self.number = 0
        """The request at work, or the last one."""
        self.until_ns = 0
        """When it expires."""
        self.answer: Conclusion | None = None
        """What the source has not been told yet."""
        self._concluded: list[Conclusion] = []
        self._expiry_ns = expiry_ns
        self._has_values = has_values
        self._has_own_writes = has_own_writes
        self._has_result = has_result
        self._has_answer = has_answer
        self._is_armed = is_armed
        self._asked: set[Ask] = set()
        self._standing: int | None = None
        self._unchanged_ns = 0
        self._has_left = False
        self._is_read = self._is_put = False

    @property
    def pending(self) -> int:
        """Requests that are not over: 0 or 1."""
        return int(self.phase not in (Phase.STARTING, Phase.IDLE))

    def release(self) -> None:
        """A new period: everything may be asked once more."""
        self._asked.clear()

    def take_concluded(self) -> list[Conclusion]:
        """The requests that have ended since the last call."""
        concluded, self._concluded = self._concluded, []
        return concluded

    def next(self, now_ns: int) -> Ask | None:
        """What to ask now; None: nothing more in this period."""
        if self.pending and now_ns >= self.until_ns:
            self._expire()
        ask = self._wanted()
        if ask is not None:
            self._asked.add(ask)
        return ask

    def _wanted(self) -> Ask | None:
        asked = self._asked
        if Ask.REQUEST not in asked:
            return Ask.REQUEST
        if self.answer is not None and Ask.PUT_ANSWER not in asked:
            return Ask.PUT_ANSWER
        ask: Ask | None = None
        if self.phase is Phase.STARTING:
            ask = Ask.ANSWERED if self._standing is not None else None
        elif self.phase is Phase.PREPARING:
            ask = Ask.VALUES if self._has_values and not self._is_read else Ask.RECEIVER
        elif self.phase is Phase.SENDING:
            ask = Ask.PUT_VALUES if self._has_own_writes and not self._is_put else Ask.PUT_NUMBER
        elif self.phase is Phase.AWAITING:
            ask = Ask.ACKNOWLEDGE
        elif self.phase is Phase.FINISHING:
            ask = Ask.RESULT
        return None if ask in asked else ask

    # What came.

    def seen_request(self, number: int, sent_ns: int) -> None:
        """The request number in the source, read by a request that left at ``sent_ns``."""
        if self.phase is Phase.STARTING:
            self._standing = number
            self._unchanged_ns = sent_ns
            if number == 0 or not self._has_answer or not self._is_armed:
                self._leave_alone(number)
            return
        if number in (0, self.number):
            # A number that comes back after a 0 (a source that was switched off and on) is no new request.
            self._unchanged_ns = sent_ns
        elif self.phase is Phase.IDLE:
            # While a request is at work the next one waits; its age counts all the same.
            self.number = number
            since_ns, self._unchanged_ns = self._unchanged_ns, sent_ns
            self._begin(since_ns, Phase.PREPARING)
            if not self._is_armed:
                self._conclude(Outcome.REFUSED, "not armed")

    def seen_answered(self, number: int) -> None:
        """The number in the answer that stands in the source, at the start."""
        assert self.phase is Phase.STARTING
        assert self._standing is not None
        if number == self._standing:
            self._leave_alone(number)
            return
        # Asked for before we came, and never answered: whether it was carried out only the receiver can tell.
        self.number = self._standing
        self._begin(self._unchanged_ns, Phase.AWAITING)

    def _leave_alone(self, number: int) -> None:
        self.number = number
        self.stood_before = number
        self.phase = Phase.IDLE

    def _begin(self, since_ns: int, phase: Phase) -> None:
        self.requested += 1
        self.phase = phase
        self.until_ns = since_ns + self._expiry_ns
        self._has_left = phase is Phase.AWAITING
        self._is_read = self._is_put = False

    def seen_values(self, unfit: str, number_after: int) -> None:
        """The parameters were read, then the number once more. ``unfit`` says why they cannot be put, if so."""
        assert self.phase is Phase.PREPARING
        if number_after != self.number:
            self._conclude(Outcome.REFUSED, "another request took its place before it was sent")
        elif unfit:
            self._conclude(Outcome.REFUSED, unfit)
        else:
            self._is_read = True

    def seen_receiver(self, acknowledged: int, put: int) -> None:
        """What the receiver has acknowledged last, and the number that was put there last."""
        assert self.phase is Phase.PREPARING
        if acknowledged == self.number:
            self._conclude(Outcome.REFUSED, "the receiver has acknowledged this number already: it must be a new one")
        elif put == self.number:
            self._has_left = True
            self.phase = Phase.AWAITING
        else:
            self.phase = Phase.SENDING

    def values_put(self, sent: Sent, why: str) -> None:
        """The parameters were written, or not; the number was not."""
        assert self.phase is Phase.SENDING
        if sent is Sent.DONE:
            self._is_put = True
        elif sent is Sent.REFUSED:
            self._conclude(Outcome.REFUSED, why)
        else:
            self._prepare_again()

    def number_put(self, sent: Sent, why: str) -> None:
        """The one write of the number is over."""
        assert self.phase is Phase.SENDING
        assert not self._has_left, "a request number is written once"
        if sent is Sent.NOT_SENT:
            self._prepare_again()
            return
        self._has_left = True
        if sent is Sent.REFUSED:
            self._conclude(Outcome.REFUSED, why)
        else:
            self.phase = Phase.AWAITING

    def _prepare_again(self) -> None:
        """What is put must be of the cycle in which it is put: it is read again."""
        self.phase = Phase.PREPARING
        self._is_read = self._is_put = False

    def seen_acknowledge(self, number: int) -> None:
        """What the receiver has acknowledged last."""
        assert self.phase is Phase.AWAITING
        if number != self.number:
            return
        if self._has_result:
            self.phase = Phase.FINISHING
            self.until_ns += self._expiry_ns
        else:
            self._conclude(Outcome.EXECUTED, "acknowledged")

    def seen_result(self, result: int) -> None:
        """The receiver's result of the acknowledged request."""
        assert self.phase is Phase.FINISHING
        self._conclude(Outcome.EXECUTED, "acknowledged", result)

    def answer_put(self, told: Conclusion) -> None:
        """The source has been told."""
        if self.answer is told:
            self.answer = None

    # The end of a request.

    def _expire(self) -> None:
        if self.phase is Phase.FINISHING:
            self._conclude(Outcome.EXECUTED, "acknowledged; its result could not be read", RESULT_NOT_READ)
        elif self._has_left:
            self._conclude(Outcome.UNKNOWN, "not acknowledged before it expired")
        else:
            self._conclude(Outcome.EXPIRED, "expired before it could be given to the receiver")

    def _conclude(self, outcome: Outcome, reason: str, result: int = 0) -> None:
        self.phase = Phase.IDLE
        self.counts[outcome] += 1
        self.last = Conclusion(self.number, outcome, result, reason)
        self._concluded.append(self.last)
        if self._has_answer and self._is_armed:
            self.answer = self.last
