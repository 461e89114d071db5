"""How long a place lasts that is written as often as the rehearsal showed."""

from __future__ import annotations

import datetime
import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from wherry.engine.ledger import Shape, most_writes
from wherry.plan.model import YEAR_NS, Plan, Span, Storage, Transfer
from wherry.rehearse.result import PlaceWrites

DAY_NS: Final = 86_400_000_000_000
DAYS_PER_YEAR: Final = YEAR_NS / DAY_NS
DAYS_MAX: Final = 1000 * DAYS_PER_YEAR
"""Beyond a thousand years there is no date worth telling."""
SHORT_NS: Final = 3_600_000_000_000
"""What was seen for less than an hour is no pace to reckon a date from (a choice of ours)."""
DEVIATIONS: Final = 2
"""Standard deviations that count as uncertain. Events that come by chance at a steady pace, n of them in a time, have
one of sqrt(n) (Poisson distribution; any book on statistics)."""
URGENCY: Final = {Storage.NON_VOLATILE: 0, Storage.UNKNOWN: 1, Storage.VOLATILE: 2}


@dataclass(frozen=True, slots=True)
class Wear:
    """One place and what is left of it. ``endurance``, ``days`` and ``life_days`` are None where nothing wears out."""

    seen: PlaceWrites
    span: Span
    storage: Storage
    """UNKNOWN counts as wearing."""
    endurance: int | None
    """Writes that it stands, as the plan says or as is taken where it does not."""
    days: float | None
    """From today on, until it has been written as often as it stands; None if it is never written."""
    worn_out_on: datetime.date | None
    """None also when that is further away than a thousand years."""
    life_days: float | None
    """How long it must last."""
    written_before: int = 0
    """Writes that the ledger of the plan knows of."""

    @property
    def writes_per_year(self) -> float:
        return self.seen.writes_per_day * DAYS_PER_YEAR

    @property
    def is_short(self) -> bool:
        """Whether it was seen for so short a time that its pace is told only with how uncertain it is."""
        return self.seen.duration_ns < SHORT_NS

    @property
    def off_share(self) -> float | None:
        """By which share of itself the pace may be off by chance alone; None when nothing can be said of it."""
        return DEVIATIONS / math.sqrt(self.seen.writes) if self.seen.writes > DEVIATIONS**2 else None

    @property
    def is_too_soon(self) -> bool:
        """Whether it is worn out before it may be, if it is new; seen for a short time, only if that is sure."""
        if self.endurance is None or self.life_days is None:
            return False
        off_share = 1.0 if self.off_share is None else self.off_share
        per_day = self.seen.writes_per_day * (1 - off_share if self.is_short else 1)
        return self.endurance < self.life_days * per_day

    def urgency(self) -> tuple[int, bool, float, float]:
        """For sorting: what surely wears out first, by when it is worn out, and then by how often it is written."""
        return (URGENCY[self.storage], self.days is None, self.days or 0.0, -self.writes_per_year)


def wear_of(plan: Plan, seen: PlaceWrites, day: datetime.date, counts: Mapping[Shape, int]) -> Wear:
    """What the writes of a rehearsal come to for one place. ``counts`` are the writes up to now, from the ledger."""
    transfer = transfer_named(plan, seen.transfer)
    if seen.point is None:
        assert transfer.status is not None
        span, storage = transfer.status, transfer.storage
    else:
        span = seen.point.span
        storage = next((each.storage for each in transfer.values if each.put == seen.point), transfer.storage)
    controller = plan.controller(seen.controller)
    if storage is Storage.UNKNOWN:
        storage = controller.storage
    if storage is Storage.VOLATILE:
        return Wear(seen, span, storage, None, None, None, None)
    before = most_writes(counts, seen.controller, span)
    days = days_left(seen.writes_per_day, controller.endurance - before)
    life_days = controller.life_ns / DAY_NS
    return Wear(seen, span, storage, controller.endurance, days, date_after(day, days), life_days, before)


def transfer_named(plan: Plan, name: str) -> Transfer:
    """The transfer of that name, or the command of that name as one."""
    return next(each for each in plan.putting if each.name == name)


def days_left(writes_per_day: float, writes_left: int) -> float | None:
    """Days until a place is worn out; None when it is never written."""
    return max(0, writes_left) / writes_per_day if writes_per_day > 0 else None


def date_after(day: datetime.date, days: float | None) -> datetime.date | None:
    """The date so many days later; None beyond a thousand years."""
    return None if days is None or days > DAYS_MAX else day + datetime.timedelta(days=int(days))
