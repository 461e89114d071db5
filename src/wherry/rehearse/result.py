"""What a rehearsal found out, as plain frozen values. All instants are nanoseconds of virtual time since its start."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, ClassVar

from wherry.clock import NS_PER_S
from wherry.plan.model import Plan, Point

S_PER_DAY = 86_400


@dataclass(frozen=True, slots=True)
class Broken:
    """A promise that was not kept: by which judge, when, about which controller or transfer, and a sentence."""

    at_ns: int
    checker: str
    subject: str
    message: str

    def __str__(self) -> str:
        return f"{self.at_ns / NS_PER_S:.3f} s, {self.checker}, {self.subject}: {self.message}"


@dataclass(frozen=True, slots=True)
class Bucket:
    """A stretch of time from ``at_ns`` on, as long as to the next one: the greatest age and the worst quality in it.

    ``age_ns``: how old the values in the receiver were; None before the first delivery. ``quality``: what its status
    registers said (0 Bad, 1 Uncertain, 2 Good); None for a transfer without status registers.
    """

    at_ns: int
    age_ns: int | None
    quality: int | None
    is_silent: bool = False
    """Whether the heartbeat had stood still for longer than ``max_age`` plus one period."""


@dataclass(frozen=True, slots=True)
class TransferSeen:
    """One transfer as its receiver saw it. Times by quality are by its status registers; 0 where it has none.

    Looked at once every period, so times are right to one period.
    """

    name: str
    has_status: bool
    good_ns: int = 0
    uncertain_ns: int = 0
    bad_ns: int = 0
    longest_not_good_ns: int = 0
    longest_not_good_at_ns: int = 0
    """When it began."""
    longest_silence_ns: int = 0
    """Longest time in which the heartbeat stood still."""
    longest_silence_at_ns: int = 0
    age_ns_max: int | None = None
    """Greatest age of the values in the receiver; None when nothing was ever delivered."""
    age_ns_max_at_ns: int = 0
    scheduled: int = 0
    delivered: int = 0
    skipped: int = 0
    failed: int = 0
    failures: Mapping[str, int] = field(default_factory=dict)
    buckets: tuple[Bucket, ...] = ()
    longest_without_fresh_ns: int = 0
    """Longest time in which no new values came: the sequence number stood still, or, without status registers, nothing
    was delivered."""
    longest_without_fresh_at_ns: int = 0
    good_age_ns_max: int | None = None
    """Greatest age of values while its registers said Good and the heartbeat moved: of what it had to believe. None
    when they never did, or without status registers."""
    silent_ns: int = 0
    """Time in which the heartbeat had stood still for longer than ``max_age`` plus one period, whatever the quality
    register said; it counts for none of the three."""
    calm_periods_missed: int = 0
    """Periods in which no new values came although nothing was wrong with source and receiver."""
    calm_period_missed_first_ns: int | None = None
    """The end of the first of them."""
    not_good_ns: Mapping[str, int] = field(default_factory=dict)
    """Time in which its status registers did not say Good, or were silent, by the reason that the engine gave then; the
    longest first."""
    verify: Mapping[str, Mapping[str, object]] = field(default_factory=dict)
    """By verified value: what became of its writes, as the engine tells it."""

    @property
    def watched_ns(self) -> int:
        """How long its status registers were watched."""
        return self.good_ns + self.uncertain_ns + self.bad_ns + self.silent_ns


@dataclass(frozen=True, slots=True)
class ControllerSeen:
    """One simulated controller: what it was asked, and how busy it was."""

    name: str
    requests: Mapping[int, int]
    """By function code."""
    exceptions: Mapping[int, int]
    """By exception code."""
    reads: int
    writes: int
    unanswered: int
    connections: int
    connections_refused: int
    connections_open_max: int
    in_flight_max: int
    gap_ns_min: int | None
    busy_ns: int
    """Time spent on answering, by the declared response times."""

    @property
    def request_count(self) -> int:
        return sum(self.requests.values())


@dataclass(frozen=True, slots=True)
class PlaceWrites:
    """How often one place of a receiver was written."""

    controller: str
    transfer: str
    value: str
    """The value's name; "status" for the status registers."""
    place: str
    writes: int
    duration_ns: int
    point: Point | None = None
    """None for the status registers."""

    @property
    def writes_per_day(self) -> float:
        return self.writes / (self.duration_ns / NS_PER_S) * S_PER_DAY if self.duration_ns else 0.0


@dataclass(frozen=True, slots=True)
class CommandSeen:
    """What became of the requests of one command, as the engine counts them and as the receiver's program does."""

    COUNTS: ClassVar[tuple[str, ...]] = ("requested", "executed", "refused", "expired", "unknown", "pending")

    name: str
    requested: int
    executed: int
    refused: int
    expired: int
    unknown: int
    pending: int
    carried_out: int
    """How often the receiver's program did something."""


@dataclass(frozen=True, slots=True)
class Consequence:
    """A change of state while a fault lasted, or soon after."""

    at_ns: int
    subject: str
    message: str


@dataclass(frozen=True, slots=True)
class FaultSeen:
    """One fault and what followed: at most ``CONSEQUENCES_MAX`` changes of state until it was over and mended."""

    start_ns: int
    end_ns: int
    kind: str
    controller: str
    text: str
    followed: tuple[Consequence, ...] = ()
    mended_ns: int | None = None
    """When every transfer that the controller has a part in was Good again after it; None if not before the end."""


@dataclass(frozen=True, slots=True)
class Rehearsal:
    """Everything a report needs. ``broken`` is empty when every promise was kept."""

    plan: Plan
    seed: int
    faults_asked: str
    """The menu or file the faults came from."""
    duration_ns: int
    liveness_ns: int
    """When the phase without faults began."""
    transactions: int
    """Requests that reached a controller."""
    faults: tuple[FaultSeen, ...]
    transfers: tuple[TransferSeen, ...]
    controllers: tuple[ControllerSeen, ...]
    writes: tuple[PlaceWrites, ...]
    broken: tuple[Broken, ...]
    broken_count: int
    """How many were found; ``broken`` keeps the first of each judge and subject."""
    journal: tuple[str, ...]
    """What the engine recorded, one line each; the same for the same seed, byte by byte."""
    cpu_s: float
    """What it cost; the only figure here that is not the same twice."""
    was_stopped: bool = False
    """Whether it was ended before its time; then ``duration_ns`` is what was rehearsed."""
    commands: tuple[CommandSeen, ...] = ()
    summary: Mapping[str, Any] = field(default_factory=dict)
    """The engine's own figures at the end (``wherry.engine.status.summary``)."""

    @property
    def is_kept(self) -> bool:
        """Whether every promise was kept."""
        return not self.broken_count

    @property
    def times_real(self) -> float:
        """How much faster than on the plant."""
        return self.duration_ns / NS_PER_S / self.cpu_s if self.cpu_s else 0.0
