"""One request on its way through a line, and why one may end without having been sent."""

from __future__ import annotations

from collections.abc import Callable
from enum import StrEnum
from typing import TYPE_CHECKING, Final

from wherry.errors import WrongUnitError
from wherry.protocol.functions import FunctionCode, exception_text
from wherry.protocol.pdu import ReadCoils, ReadHoldingRegisters
from wherry.protocol.session import Faulty, Lost, Outcome, Prepared, Refusal, TimedOut, prepare
from wherry.timing.order import AT_ONCE

if TYPE_CHECKING:
    from wherry.engine.line import Line

NEVER_NS: Final = 1 << 62
AGE_MS_MAX: Final = 0xFFFF
"""The age register stands at this when the age is that or more, or when nothing has been delivered yet."""


class NotSent(StrEnum):
    """Why nothing came of a job although the other side did not fail: as a rule because no request left."""

    NOT_CONNECTED = "not connected"
    AGED = "older than max_age before it could be sent"
    GUARD = "refused by the guard"
    LEDGER = "not written: the ledger of writes cannot be kept, and the place wears out"
    STOPPING = "stopping"
    TORN = "torn: the source was in the middle of an update each time it was looked at"
    """What came was never whole, so that nothing of it counts."""
    FOREIGN = "somebody else changes bits of this register, so it is left alone; see `owned`"
    UNIT_SILENT = "the unit does not answer; it is asked again at intervals"
    UNIT_UNREACHED = "the gateway does not reach the unit (0B); it is asked again at intervals"
    UNIDENTIFIED = "it could not be found out whether this is the device of the plan"
    OTHER_DEVICE = "another device answers than the plan names, so nothing is written to it any more"
    NO_PATH = "the gateway has no path to the unit (0A); it is asked again at intervals"


class Overwritten(Lost):
    """A write that was answered, but is not proven: the register reads otherwise now, or cannot be read."""

    __slots__ = ()

    def __init__(self, prepared: Prepared, tag: object, sent_ns: int) -> None:
        super().__init__(prepared, tag, "read back otherwise than written, or not at all", sent_ns)


NO_MASK_WRITE: Final = (
    'the controller refused it: it has no function 16 (hex); `bit_writes = "read-change-write"` sets bits without it'
)


def reason_of(failure: Exception) -> str:
    """The system's words for a failure, without its number."""
    if not isinstance(failure, OSError | ValueError):
        # Not the network's doing: what failed is a callback of ours.
        return f"a fault in wherry itself: {type(failure).__name__}: {failure}"
    return (failure.strerror if isinstance(failure, OSError) and failure.strerror else str(failure)).lower()


def describe(outcome: Outcome | NotSent) -> str:
    """Why a request brought nothing, in the words that are counted and shown."""
    if isinstance(outcome, NotSent):
        return outcome.value
    if isinstance(outcome, Overwritten):
        return outcome.reason
    if isinstance(outcome, Refusal):
        if outcome.prepared.function == FunctionCode.MASK_WRITE_REGISTER and outcome.code == 1:
            return NO_MASK_WRITE
        return f"the controller refused it: {exception_text(outcome.code)}"
    if isinstance(outcome, TimedOut):
        return "no reply in time"
    if isinstance(outcome, Lost):
        return "the connection was lost while a reply was awaited"
    if isinstance(outcome, Faulty):
        if isinstance(outcome.error, WrongUnitError):
            return f"the reply did not fit the request: {outcome.error}"
        return "the reply did not fit the request"
    return type(outcome).__name__


class Job:
    """One request to send. ``done`` is called exactly once, with the session's outcome or with why it was not sent.

    ``expires_ns`` is the instant after which it must not be sent any more. Once done it may be submitted again. A write
    that tells an age has ``age_at``, where the age register lies in its data: it is filled in when the request leaves,
    from ``sample_ns`` (None: nothing was ever sampled). ``line`` is the one that it was submitted to.
    The smaller ``rank`` goes first (``wherry.timing.order``).
    """

    __slots__ = ("age_at", "asked_ns", "done", "expires_ns", "is_write", "line", "prepared", "rank", "sample_ns")

    line: Line

    def __init__(
        self, prepared: Prepared, done: Callable[[Outcome | NotSent], None], *, is_write: bool, rank: int = AT_ONCE
    ) -> None:
        self.prepared = prepared
        self.done = done
        self.is_write = is_write
        self.rank = rank
        self.asked_ns = 0
        self.expires_ns = NEVER_NS
        self.age_at: int | None = None
        self.sample_ns: int | None = None

    def tell_age(self, now_ns: int) -> None:
        """Fill the age register in, rounded up, so that waiting in the queue does not make values look younger."""
        assert self.age_at is not None
        age_ms = AGE_MS_MAX if self.sample_ns is None else min(AGE_MS_MAX, -((self.sample_ns - now_ns) // 1_000_000))
        data = self.prepared.data
        told = data[: self.age_at] + age_ms.to_bytes(2, "big") + data[self.age_at + 2 :]
        self.prepared = self.prepared.with_data(told)


def prepare_poll(prepared: Prepared) -> Prepared:
    """A read that keeps a connection in use: the same read again, or of the first item that a write has put."""
    if not prepared.is_write:
        return prepared
    bits, start, _ = touched(prepared)
    return prepare(prepared.unit, ReadCoils(start, 1) if bits else ReadHoldingRegisters(start, 1))


def meet(one: Job, other: Job) -> bool:
    """Whether two writes to one unit touch the same place."""
    bits, start, stop = touched(one.prepared)
    other_bits, other_start, other_stop = touched(other.prepared)
    return bits is other_bits and start < other_stop and other_start < stop


def touched(prepared: Prepared) -> tuple[bool, int, int]:
    """What a write touches: whether coils, and from where to where."""
    pdu, function = prepared.pdu, prepared.function
    start = int.from_bytes(pdu[1:3], "big")
    is_many = function in (FunctionCode.WRITE_MULTIPLE_COILS, FunctionCode.WRITE_MULTIPLE_REGISTERS)
    count = int.from_bytes(pdu[3:5], "big") if is_many else 1
    return function in (FunctionCode.WRITE_SINGLE_COIL, FunctionCode.WRITE_MULTIPLE_COILS), start, start + count
