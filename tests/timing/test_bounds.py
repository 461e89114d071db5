"""Bounds against what is seen: plans by chance near the limit of what they can carry, played through and run."""

from __future__ import annotations

from statistics import median

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from .plant import KINDS, PACES, chance_plan, observe, tried


@pytest.mark.slow
@given(st.integers(0, 1 << 32), st.booleans(), st.sampled_from(KINDS))
@settings(max_examples=25, deadline=None, derandomize=True)
def test_nothing_is_over_later_than_its_bound(seed: int, is_harmonic: bool, kind: str) -> None:
    made = chance_plan(seed, is_harmonic=is_harmonic, kinds=(kind,))
    if made is not None:
        assert tried(made[1], seed).broken == []


@pytest.mark.slow
def test_bounds_are_near_what_is_seen() -> None:
    """With periods that divide one another the worst is soon met: bound and largest seen are nearly the same."""
    cycles: list[float] = []
    ages: list[float] = []
    for seed in range(0, 40, 2):
        made = chance_plan(seed, is_harmonic=True)
        if made is not None:
            result = tried(made[1], seed)
            cycles += result.cycles
            ages += result.ages
    assert len(cycles) > 30
    assert median(cycles) <= 1.25
    assert median(ages) <= 1.25


@pytest.mark.slow
@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("seed", range(3))
def test_the_engine_keeps_to_the_bounds(kind: str, seed: int) -> None:
    """The real engine in virtual time: what the devices were asked when, and the ages that it tells."""
    made = chance_plan(seed, is_harmonic=seed % 2 == 0, kinds=(kind,))
    assert made is not None
    plan, found = made
    for pace in PACES.values():
        seen = observe(plan, found, seed, pace, hyperperiods=2)
        assert seen.cycles
        assert seen.skipped == 0
        for at, over_ns in seen.over_ns.items():
            bound_ns = found.bounds.windows[at].over_ns
            assert bound_ns is not None
            assert over_ns <= bound_ns
        for transfer in found.transfers:
            assert transfer.worst_ns is not None
            assert seen.age_ns[transfer.name] <= transfer.worst_ns
            assert seen.peak_ns[transfer.name] <= transfer.worst_ns + transfer.period_ns
