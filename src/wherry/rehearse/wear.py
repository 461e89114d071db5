"""How long a place lasts that is written as often as the rehearsal showed."""

from __future__ import annotations

import datetime
from dataclasses import dataclass
from typing import Final

from wherry.plan.model import Plan, Span, Transfer
from wherry.rehearse.result import PlaceWrites

DAYS_PER_YEAR: Final = 365.25
DAYS_MAX: Final = 1000 * DAYS_PER_YEAR
"""Beyond a thousand years there is no date worth telling."""


@dataclass(frozen=True, slots=True)
class Wear:
    """One place and what is left of it. ``endurance`` and ``days`` are None where the plan declares no endurance."""

    seen: PlaceWrites
    span: Span
    storage: str | None
    """As declared; None: not declared, and so it counts as wearing."""
    endurance: int | None
    days: float | None
    """From the rehearsed day on, until it has been written as often as it stands."""
    worn_out_on: datetime.date | None
    """None also when that is further away than a thousand years."""
    life_days: float | None

    @property
    def writes_per_year(self) -> float:
        return self.seen.writes_per_day * DAYS_PER_YEAR

    def urgency(self) -> tuple[bool, float, float]:
        """For sorting: what is worn out first stands first, then what is written most often."""
        return (self.days is None, self.days or 0.0, -self.writes_per_year)


def wear_of(plan: Plan, seen: PlaceWrites, day: datetime.date) -> Wear:
    """What the writes of a rehearsal come to for one place."""
    transfer = transfer_named(plan, seen.transfer)
    span = seen.point.span if seen.point is not None else transfer.status
    assert span is not None
    return Wear(seen, span, None, None, None, None, None)


def transfer_named(plan: Plan, name: str) -> Transfer:
    """The transfer of that name."""
    return next(each for each in plan.transfers if each.name == name)


def days_left(writes_per_day: float, endurance: int, written: int = 0) -> float | None:
    """Days until a place is worn out; None when it is never written."""
    return max(0, endurance - written) / writes_per_day if writes_per_day > 0 else None


def date_after(day: datetime.date, days: float | None) -> datetime.date | None:
    """The date so many days later; None beyond a thousand years."""
    return None if days is None or days > DAYS_MAX else day + datetime.timedelta(days=int(days))
