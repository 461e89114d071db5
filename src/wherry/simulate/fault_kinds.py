"""Kinds of faults, planned faults, and the menus from which they are drawn.

The first eight kinds are the communication errors of IEC 61784-3 (their names as its public summaries give them; the
standard itself was not at hand). The others are what else happens to devices and links of a plant (common practice, no
source). How often, how long and how badly: figures of our own.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Final

from wherry.clock import NS_PER_MS, NS_PER_S
from wherry.plan.durations import duration_text
from wherry.plan.model import Controller, Framing, Plan


class FaultKind(StrEnum):
    """What can go wrong."""

    CORRUPTION = "corruption"
    REPETITION = "unintended repetition"
    SEQUENCE = "incorrect sequence"
    LOSS = "loss"
    DELAY = "unacceptable delay"
    INSERTION = "insertion"
    MASQUERADE = "masquerade"
    ADDRESSING = "addressing"
    SOURCE_KILLED = "source killed"
    RECEIVER_KILLED = "receiver killed"
    FROZEN = "program frozen"
    SLOW = "slow device"
    HALF_OPEN = "half-open"
    RESET = "connection reset"
    REFUSED = "connection refused"
    CLOGGED = "clogged"
    PIECES = "split and joined"

    @property
    def explanation(self) -> str:
        """What happens, in a sentence."""
        return _EXPLANATIONS[self]


_EXPLANATIONS: Final = {
    FaultKind.CORRUPTION: "a bit of a reply is turned over where it can be noticed (with RTU framing: of any frame)",
    FaultKind.REPETITION: "a reply comes twice",
    FaultKind.SEQUENCE: "replies overtake each other",
    FaultKind.LOSS: "requests or replies are lost",
    FaultKind.DELAY: "replies come after their time-out",
    FaultKind.INSERTION: "a reply comes that nobody asked for",
    FaultKind.MASQUERADE: "a reply of another function or length comes under the right transaction id",
    FaultKind.ADDRESSING: "a reply names another unit",
    FaultKind.SOURCE_KILLED: "a controller that values are taken from is lost",
    FaultKind.RECEIVER_KILLED: "a controller that values are put into is lost",
    FaultKind.FROZEN: "the program of a source stops, but requests are answered",
    FaultKind.SLOW: "every answer takes longer, and those behind it wait",
    FaultKind.HALF_OPEN: "everything vanishes without an error, and the connection seems to stand",
    FaultKind.RESET: "the connection is reset",
    FaultKind.REFUSED: "the connection is reset, and new ones are refused",
    FaultKind.CLOGGED: "everything under way is held up, and arrives late and at once",
    FaultKind.PIECES: "the bytes arrive in other pieces than they were sent in",
}

_SOURCES_ONLY: Final = (FaultKind.SOURCE_KILLED, FaultKind.FROZEN)
NEEDS_TRANSACTION_IDS: Final = (FaultKind.REPETITION, FaultKind.INSERTION)
"""With RTU framing nobody can tell these from the answer to the next request: they are not drawn there."""


@dataclass(frozen=True, slots=True)
class FaultParameters:
    """How bad it is. ``share``: of the messages that are hit. ``delay_ns``: by how much (the kinds about time), or the
    time between two resets."""

    share: float = 1.0
    delay_ns: int = 0


@dataclass(frozen=True, slots=True)
class PlannedFault:
    """One fault: from when to when, counted from the start of the run, what, and at which controller."""

    start_ns: int
    end_ns: int
    kind: FaultKind
    controller: str
    parameters: FaultParameters = FaultParameters()

    @property
    def text(self) -> str:
        """What it is, for people: ``loss at skid, 4 % of the messages``."""
        said = f"{self.kind} at {self.controller}"
        if self.kind in SHARED and self.parameters.share < 1:
            said += f", {self.parameters.share * 100:.2g} % of the messages"
        if self.kind in DELAYED and self.parameters.delay_ns:
            said += f", {duration_text(rounded_ns(self.parameters.delay_ns))}"
        return said


FaultPlan = tuple[PlannedFault, ...]
"""The faults of a run, in the order in which they begin."""

SHARED: Final = frozenset(
    {
        FaultKind.CORRUPTION,
        FaultKind.REPETITION,
        FaultKind.SEQUENCE,
        FaultKind.LOSS,
        FaultKind.DELAY,
        FaultKind.INSERTION,
        FaultKind.MASQUERADE,
        FaultKind.ADDRESSING,
        FaultKind.SLOW,
        FaultKind.PIECES,
    }
)
"""Kinds that hit a share of the messages."""
DELAYED: Final = frozenset({FaultKind.SEQUENCE, FaultKind.DELAY, FaultKind.SLOW, FaultKind.RESET})
"""Kinds with a delay."""
ROUND_NS: Final = NS_PER_MS


def rounded_ns(time_ns: int) -> int:
    """Whole milliseconds, at least one."""
    return max(ROUND_NS, round(time_ns / ROUND_NS) * ROUND_NS)


def candidates(plan: Plan, kind: FaultKind) -> list[Controller]:
    """The controllers of a plan that a fault of this kind can be at, in the order of the plan."""
    sources = {each.source for each in plan.putting}
    receivers = {each.destination for each in plan.putting}
    if kind in _SOURCES_ONLY:
        names = sources
    elif kind is FaultKind.RECEIVER_KILLED:
        names = receivers
    else:
        names = sources | receivers
    needs_ids = kind in NEEDS_TRANSACTION_IDS
    return [each for each in plan.controllers if each.name in names and not (needs_ids and each.framing is Framing.RTU)]


Range = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Dose:
    """How one kind is drawn: its weight among the others, how long it lasts, which share of the messages it hits, and
    the delay as a multiple of the controller's time-out. Everything is drawn evenly on a logarithmic scale."""

    weight: float
    length_ns: tuple[int, int]
    share: Range = (1.0, 1.0)
    delay_timeouts: Range = (0.0, 0.0)


@dataclass(frozen=True, slots=True)
class Menu:
    """What faults are drawn from. ``gap_ns``: mean time from one fault's beginning to the next; 0: none are drawn.

    ``spell_ns``: after so long it is drawn anew which kinds are switched off and what the others weigh. ``fixed`` are
    faults that come as they are, whatever is drawn, each with the time after which it comes again (0: only once).
    """

    name: str
    gap_ns: int = 0
    spell_ns: int = 2 * 3600 * NS_PER_S
    doses: Mapping[FaultKind, Dose] = field(default_factory=dict)
    fixed: tuple[tuple[PlannedFault, int], ...] = ()


def _s(low: float, high: float) -> tuple[int, int]:
    return round(low * NS_PER_S), round(high * NS_PER_S)


_FEW: Final = (0.005, 0.05)
_SOME: Final = (0.01, 0.6)

NONE: Final = Menu("none")
USUAL: Final = Menu(
    "usual",
    gap_ns=15 * 60 * NS_PER_S,
    doses={
        FaultKind.CORRUPTION: Dose(0.5, _s(2, 60), _FEW),
        FaultKind.REPETITION: Dose(0.3, _s(2, 60), _FEW),
        FaultKind.SEQUENCE: Dose(0.5, _s(2, 60), _FEW, (0.001, 0.05)),
        FaultKind.LOSS: Dose(2, _s(2, 120), _FEW),
        FaultKind.DELAY: Dose(2, _s(2, 120), _FEW, (1.01, 3)),
        FaultKind.INSERTION: Dose(0.2, _s(2, 60), _FEW),
        FaultKind.MASQUERADE: Dose(0.2, _s(2, 60), _FEW),
        FaultKind.ADDRESSING: Dose(0.2, _s(2, 60), _FEW),
        FaultKind.SOURCE_KILLED: Dose(1, _s(20, 300)),
        FaultKind.RECEIVER_KILLED: Dose(1, _s(20, 300)),
        FaultKind.FROZEN: Dose(0.5, _s(5, 120)),
        FaultKind.SLOW: Dose(1, _s(5, 120), (0.05, 1), (0.05, 0.5)),
        FaultKind.HALF_OPEN: Dose(1, _s(5, 300)),
        FaultKind.RESET: Dose(2, _s(1, 1)),
        FaultKind.REFUSED: Dose(1, _s(5, 60)),
        FaultKind.CLOGGED: Dose(1, _s(0.2, 10)),
        FaultKind.PIECES: Dose(0.5, _s(10, 120), (0.05, 1)),
    },
)
HARSH: Final = Menu(
    "harsh",
    gap_ns=15 * NS_PER_S,
    spell_ns=1800 * NS_PER_S,
    doses={
        FaultKind.CORRUPTION: Dose(1, _s(0.5, 60), _SOME),
        FaultKind.REPETITION: Dose(1, _s(0.5, 60), _SOME),
        FaultKind.SEQUENCE: Dose(1, _s(0.5, 60), _SOME, (0.001, 0.5)),
        FaultKind.LOSS: Dose(1, _s(0.5, 60), _SOME),
        FaultKind.DELAY: Dose(1, _s(0.5, 60), _SOME, (0.5, 5)),
        FaultKind.INSERTION: Dose(1, _s(0.5, 60), _SOME),
        FaultKind.MASQUERADE: Dose(1, _s(0.5, 60), _SOME),
        FaultKind.ADDRESSING: Dose(1, _s(0.5, 60), _SOME),
        FaultKind.SOURCE_KILLED: Dose(1, _s(0.1, 120)),
        FaultKind.RECEIVER_KILLED: Dose(1, _s(0.1, 120)),
        FaultKind.FROZEN: Dose(1, _s(0.5, 60)),
        FaultKind.SLOW: Dose(1, _s(0.5, 60), (0.05, 1), (0.05, 1.5)),
        FaultKind.HALF_OPEN: Dose(1, _s(0.5, 120)),
        FaultKind.RESET: Dose(1, _s(0.5, 30), delay_timeouts=(0.1, 5)),
        FaultKind.REFUSED: Dose(1, _s(0.5, 60)),
        FaultKind.CLOGGED: Dose(1, _s(0.05, 30)),
        FaultKind.PIECES: Dose(1, _s(0.5, 120), (0.05, 1)),
    },
)
MENUS: Final = {menu.name: menu for menu in (NONE, USUAL, HARSH)}

assert set(USUAL.doses) == set(HARSH.doses) == set(FaultKind)
