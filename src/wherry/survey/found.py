"""What a survey is asked to find out, and what it has found: filled in as it goes, so that nothing is lost when it ends
early."""

from __future__ import annotations

from dataclasses import dataclass, field

from wherry.clock import NS_PER_S
from wherry.plan.model import Span, Table
from wherry.protocol.tolerance import Tolerance
from wherry.survey.items import Holes, Items, State
from wherry.survey.manners import About, Connections, Idle, InFlight
from wherry.survey.pace import Gap, Line
from wherry.survey.quantity import Limit
from wherry.survey.watching import Motion

UNITS = (1, 255, 0, 2, 3)
"""Unit ids that are asked unless said: what devices on TCP have most often (common practice, no source)."""
RANGE = (0, 1000)
BUDGET = 2000
RATE = 20.0
WATCH_NS = 10 * NS_PER_S
IDLE_NS = 20 * NS_PER_S
CONNECTIONS_MAX = 8


@dataclass(frozen=True, slots=True)
class Settings:
    """What is to be looked at. ``ranges`` are first and one past the last address, in each of ``tables``."""

    units: tuple[int, ...] = UNITS
    tables: tuple[Table, ...] = (Table.HOLDING, Table.INPUT, Table.COIL, Table.DISCRETE)
    ranges: tuple[tuple[int, int], ...] = (RANGE,)
    budget: int = BUDGET
    watch_ns: int = WATCH_NS
    idle_ns: int = IDLE_NS
    connections: bool = False
    in_flight: bool = False


@dataclass
class Looked:
    """One run of addresses of one table as it was found. ``contradictions``: reads that did not do what the map and the
    behaviour say."""

    items: Items
    refusal: str = ""
    """How a table that is not served, or in which nothing was found, said so."""
    holes: Holes | None = None
    is_mapped: bool = False
    limit: Limit | None = None
    predictions: int = 0
    contradictions: list[str] = field(default_factory=list)
    blocks: list[tuple[int, int]] = field(default_factory=list)
    motions: dict[int, Motion] = field(default_factory=dict)

    @property
    def is_served(self) -> bool:
        """Whether anything of it could be read."""
        return bool(self.items.given())

    @property
    def is_proved(self) -> bool:
        """Whether the map is complete and every prediction made from it came true."""
        return self.is_mapped and self.predictions > 0 and not self.contradictions

    @property
    def readable(self) -> tuple[Span, ...]:
        return self.items.spans(State.READABLE)

    @property
    def absent(self) -> tuple[Span, ...]:
        return self.items.spans(State.ABSENT)

    @property
    def doubtful(self) -> tuple[Span, ...]:
        """What reads as zero and may not exist."""
        return self.items.spans(State.ZERO, State.COVERED)

    @property
    def unlooked(self) -> tuple[Span, ...]:
        return self.items.spans(State.UNKNOWN)

    @property
    def unsafe(self) -> tuple[Span, ...]:
        """Runs over which no read may reach, because what is behind them then comes as something else."""
        return self.items.spans(State.ABSENT, State.ZERO) if self.holes is Holes.SHIFT else ()

    def moving(self, *motions: Motion) -> tuple[Span, ...]:
        """Runs of addresses that were seen to do this."""
        from wherry.survey.items import runs_of

        runs = runs_of(address for address, motion in self.motions.items() if motion in motions)
        return tuple(Span(self.items.table, start, stop - start) for start, stop in runs)


@dataclass
class Found:
    """Everything that is known of a device."""

    units: dict[int, str] = field(default_factory=dict)
    """Every unit id that was asked, and what became of it."""
    unit: int | None = None
    """The one that was surveyed: the first that answered."""
    ignores_unit: bool = False
    tolerates: tuple[Tolerance, ...] = ()
    settled_ns: int | None = None
    gap: Gap | None = None
    about: About = field(default_factory=About)
    looked: list[Looked] = field(default_factory=list)
    line: Line | None = None
    line_table: Table | None = None
    idle: Idle | None = None
    connections: Connections | None = None
    in_flight: InFlight | None = None
    requests: int = 0
    connects: int = 0
    elapsed_ns: int = 0
    ended: str = ""
    """Why it ended before it had found out everything; empty when it had."""

    @property
    def times_ns(self) -> list[int]:
        """Response times of all reads that gave data."""
        return [took_ns for each in self.looked for _, took_ns in each.items.times]

    def of(self, table: Table) -> list[Looked]:
        """What was found in one table."""
        return [each for each in self.looked if each.items.table is table]

    @property
    def limit_registers(self) -> Limit | None:
        return _strictest([each for each in self.looked if not each.items.table.is_bits])

    @property
    def limit_bits(self) -> Limit | None:
        return _strictest([each for each in self.looked if each.items.table.is_bits])


def _strictest(looked: list[Looked]) -> Limit | None:
    """The smallest limit that was proved; else the largest count that was seen to be possible."""
    limits = [each.limit for each in looked if each.limit is not None and each.is_served]
    proved = [each for each in limits if each.is_proved]
    if proved:
        return min(proved, key=lambda each: each.count)
    return max(limits, key=lambda each: each.count, default=None)
