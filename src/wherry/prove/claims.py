"""How long a plan must be watched for a claim, worked out before anything is started. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from wherry.plan.model import Plan
from wherry.prove.statistics import trials_for_quantile, trials_for_rate

RATE: Final = 0.001
"""One wrong value in a thousand: a choice of ours, where nobody says another."""

QUANTILE: Final = 0.99
"""The age that 99 of 100 values do not exceed: a choice of ours."""


@dataclass(frozen=True, slots=True)
class Claim:
    """What it takes for one transfer. A trial is one cycle in which a value was compared, or its age taken."""

    transfer: str
    period_ns: int
    values: int
    trials_for_rate: int
    """Compared cycles of each value, none of them wrong, that show its rate of mismatches to be at most the claimed."""
    rate_ns: int
    """As many periods."""
    trials_for_age: int
    """Ages of which the greatest is at least the claimed quantile, with the claimed confidence."""
    age_ns: int
    """As many periods."""


def claims_of(plan: Plan, rate: float, quantile: float, confidence: float) -> tuple[Claim, ...]:
    """One for each transfer. LocalError for a rate, a quantile or a confidence that is not between 0 and 1."""
    rate_trials = trials_for_rate(rate, confidence)
    age_trials = trials_for_quantile(quantile, confidence)
    return tuple(
        Claim(
            each.name,
            each.period_ns,
            sum(not value.is_alive for value in each.values),
            rate_trials,
            rate_trials * each.period_ns,
            age_trials,
            age_trials * each.period_ns,
        )
        for each in plan.transfers
    )
