"""What a procedure of the survey can ask for, and what it hears: no connection, no clock, no loop.

A procedure is a generator: it gives an ``Ask`` and is sent the ``Answer``; what it found out is what it returns. One
runner carries the asks out on any network (``runner``); another procedure may stand in between and watch
(``supervision``).
"""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass
from enum import StrEnum
from typing import TypeVar

from wherry.protocol.functions import ExceptionCode, exception_text
from wherry.protocol.prepared import Prepared
from wherry.protocol.tolerance import Tolerance


class Kind(StrEnum):
    """What became of a request."""

    DATA = "answered"
    REFUSED = "refused"
    SILENT = "not answered"
    BROKEN = "answered wrongly"
    LOST = "connection lost"


@dataclass(frozen=True, slots=True)
class Answer:
    """What became of one request, or of a rest or an extra connection.

    ``payload`` as the protocol session gives it; ``code`` the exception code when it was refused; ``why`` the reason
    when it was lost or answered wrongly. ``elapsed_ns`` is from sending to receiving, ``at_ns`` when it was over.
    """

    kind: Kind
    payload: bytes = b""
    code: int = 0
    why: str = ""
    elapsed_ns: int = 0
    at_ns: int = 0

    @property
    def is_data(self) -> bool:
        return self.kind is Kind.DATA

    @property
    def is_answer(self) -> bool:
        """Whether the device said something that fits the request, be it no."""
        return self.kind in (Kind.DATA, Kind.REFUSED)

    @property
    def is_doubtful(self) -> bool:
        """Whether the same request may well fare otherwise: nothing came, or nonsense, or the device was busy."""
        is_busy = self.code in (ExceptionCode.ACKNOWLEDGE, ExceptionCode.SERVER_DEVICE_BUSY)
        return self.kind in (Kind.SILENT, Kind.BROKEN) or is_busy

    @property
    def refusal(self) -> str:
        """In words how it said no; the same words for the same way."""
        return f"exception {self.code:02X}" if self.kind is Kind.REFUSED else str(self.kind)

    def __str__(self) -> str:
        if self.kind is Kind.REFUSED:
            return f"refused: {exception_text(self.code)}"
        return f"{self.kind}: {self.why}" if self.why else str(self.kind)


@dataclass(frozen=True, slots=True)
class Exchange:
    """One request. ``gap_ns``: send it so long after the last answer, sooner than the pace allows; the pace is made up
    for later. ``may_fail``: silence or a lost connection is a finding, not a reason to stop. ``once``: whatever becomes
    of it counts; else it is asked again when chance may have had a hand in it (``is_doubtful``)."""

    prepared: Prepared
    gap_ns: int | None = None
    may_fail: bool = False
    once: bool = False


@dataclass(frozen=True, slots=True)
class Burst:
    """Several requests at once. The answer: ``elapsed_ns`` of all of them; ``payload`` one byte for each request, 1 if
    it was answered rightly."""

    prepared: tuple[Prepared, ...]


@dataclass(frozen=True, slots=True)
class Rest:
    """Ask nothing for a while. The answer is LOST when the device closed the connection, with the time in
    ``elapsed_ns`` since the last request was sent; else DATA."""

    duration_ns: int


@dataclass(frozen=True, slots=True)
class Doors:
    """Open more connections, one after the other, up to ``most`` with the one there is, and ask on each of them.

    The answer: ``code`` is how many worked at the same time, ``why`` what happened to the next one. All but the first
    are closed again; when the first was thrown out, the answer is LOST and ``why`` says so."""

    prepared: Prepared
    most: int


@dataclass(frozen=True, slots=True)
class Phase:
    """Nothing is sent: what comes now, in words, for whoever waits."""

    words: str
    expected: int = 0
    """About how many requests it takes; 0: not known."""


@dataclass(frozen=True, slots=True)
class Pace:
    """Nothing is sent: from now on leave at least ``gap_ns`` from an answer to the next request."""

    gap_ns: int


@dataclass(frozen=True, slots=True)
class Tolerate:
    """Nothing is sent: take replies that break the rules in these ways, on a new connection."""

    ways: tuple[Tolerance, ...]


Ask = Exchange | Burst | Rest | Doors | Phase | Pace | Tolerate
R = TypeVar("R")
Procedure = Generator[Ask, Answer, R]
NOTHING = Answer(Kind.DATA)


def cost(ask: Ask) -> int:
    """How many requests it sends at most."""
    match ask:
        case Exchange():
            return 1
        case Burst():
            return len(ask.prepared)
        case Doors():
            return 2 * ask.most + 1
        case _:
            return 0
