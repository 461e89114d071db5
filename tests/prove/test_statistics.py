"""Bounds and intervals, held against published examples, against scipy, and against their own meaning."""

from __future__ import annotations

import json
import math
import random
from pathlib import Path
from typing import Any

import pytest

from wherry.errors import LocalError
from wherry.prove.statistics import (
    above,
    below,
    coverage,
    quantile_at_most,
    quantile_ranks,
    rate_at_least,
    rate_at_most,
    rate_interval,
    trials_for_quantile,
    trials_for_rate,
)

FACTS: dict[str, Any] = json.loads((Path(__file__).parents[1] / "vectors" / "stats_examples.json").read_text())


# Published examples.


@pytest.mark.parametrize("row", FACTS["clopper_pearson"], ids=lambda row: f"{row['k']} of {row['n']} {row['sided']}")
def test_clopper_pearson(row: dict[str, Any]) -> None:
    if row["sided"] == "lower":
        assert rate_at_least(row["k"], row["n"], row["confidence"]).low == pytest.approx(row["low"], rel=1e-11)
        return
    rate = rate_interval(row["k"], row["n"], row["confidence"])
    assert (rate.low, rate.high) == pytest.approx((row["low"], row["high"]), rel=1e-11)
    if "one_sided_upper_95" in row:
        assert rate_at_most(row["k"], row["n"], 0.95).high == pytest.approx(row["one_sided_upper_95"], rel=1e-11)


def test_rule_of_three() -> None:
    rule = FACTS["rule_of_three"]
    for trials, bound in rule["exact_one_sided_95"].items():
        assert rate_at_most(0, int(trials)).high == pytest.approx(bound, abs=6e-7)
    for confidence, numerator in rule["numerators"].items():
        far = rate_at_most(0, 10**8, float(confidence.rstrip("%")) / 100).high * 10**8
        assert far == pytest.approx(numerator, abs=0.006)


@pytest.mark.parametrize("row", FACTS["order_statistic_ci_median"]["rows"], ids=lambda row: f"{row['n']}")
def test_table_of_intervals_of_the_median(row: dict[str, Any]) -> None:
    held = coverage(row["n"], 0.5, row["lower_rank"], row["upper_rank"])
    assert 100 * held == pytest.approx(row["recomputed"], abs=6e-5)
    assert 100 * held == pytest.approx(row["confidence_percent"], abs=0.06)


def test_one_more_interval() -> None:
    (row,) = FACTS["order_statistic_extra"]
    held = coverage(row["n"], row["p"], row["lower_rank"], row["upper_rank"])
    assert held == pytest.approx(row["confidence"], abs=6e-7)


@pytest.mark.parametrize(
    "row",
    FACTS["smallest_n_so_that_sample_maximum_is_upper_bound_of_quantile"]["rows"],
    ids=lambda row: f"{row['quantile']} {row['confidence']}",
)
def test_fewest_samples_for_a_quantile(row: dict[str, Any]) -> None:
    fewest = row["n_min"]
    assert trials_for_quantile(row["quantile"], row["confidence"]) == fewest
    assert quantile_at_most(fewest, row["quantile"], row["confidence"]).upper == fewest
    assert quantile_at_most(fewest - 1, row["quantile"], row["confidence"]).upper is None
    assert trials_for_rate(1 - row["quantile"], row["confidence"]) == fewest, "the same question the other way round"


# An independent judge.


def test_against_scipy() -> None:
    stats = pytest.importorskip("scipy.stats")
    rng = random.Random(1)
    for _ in range(300):
        trials = int(10 ** rng.uniform(0, 6))
        count = rng.choice([0, trials, rng.randint(0, trials), min(trials, rng.randint(0, 5))])
        confidence = rng.choice([0.5, 0.9, 0.95, 0.99, 0.9999])
        tail = (1 - confidence) / 2  # by the beta distribution: the ready-made interval stops at 2e-12 from the root
        low = stats.beta.ppf(tail, count, trials - count + 1) if count else 0.0
        high = stats.beta.isf(tail, count + 1, trials - count) if count < trials else 1.0
        ours = rate_interval(count, trials, confidence)
        assert (ours.low, ours.high) == pytest.approx((low, high), rel=1e-9, abs=0)
        rate = rng.random()
        near = min(trials, max(0, round(trials * rate + rng.gauss(0, 3) * math.sqrt(trials * rate * (1 - rate)))))
        assert below(near, trials, rate) == pytest.approx(stats.binom.cdf(near, trials, rate), rel=1e-8)
        assert above(near, trials, rate) == pytest.approx(stats.binom.sf(near - 1, trials, rate), rel=1e-8)


def test_ranks_against_scipy() -> None:
    stats = pytest.importorskip("scipy.stats")
    rng = random.Random(2)
    for _ in range(300):
        trials = int(10 ** rng.uniform(0, 5))
        quantile = rng.choice([0.5, 0.9, 0.99, 0.999, rng.random()])
        confidence = rng.choice([0.8, 0.95, 0.99])
        ranks = quantile_ranks(trials, quantile, confidence)
        tail = (1 - confidence) / 2
        if ranks.lower is not None:
            assert stats.binom.cdf(ranks.lower - 1, trials, quantile) <= tail * (1 + 1e-9)
        if (ranks.lower or 0) < trials:
            assert stats.binom.cdf(ranks.lower or 0, trials, quantile) > tail * (1 - 1e-9), "the next one is too far"
        if ranks.upper is not None:
            assert stats.binom.sf(ranks.upper - 1, trials, quantile) <= tail * (1 + 1e-9)
            assert stats.binom.sf(ranks.upper - 2, trials, quantile) > tail * (1 - 1e-9), "the one before is enough"
        else:
            assert stats.binom.sf(trials - 1, trials, quantile) > tail * (1 - 1e-9)


# What the numbers mean.


def test_a_bound_holds_at_least_as_often_as_it_says() -> None:
    """By the whole distribution: for each rate, the chance to see a count whose interval leaves the rate out."""
    trials, confidence = 40, 0.9
    intervals = [rate_interval(count, trials, confidence) for count in range(trials + 1)]
    for rate in (step / 200 for step in range(1, 200)):
        missed = math.fsum(
            math.comb(trials, count) * rate**count * (1 - rate) ** (trials - count)
            for count, each in enumerate(intervals)
            if not each.low <= rate <= each.high
        )
        assert missed <= 1 - confidence


def test_trials_for_a_rate_are_the_fewest() -> None:
    for rate, mismatches in ((0.01, 0), (0.01, 1), (0.01, 3), (1e-4, 2), (0.3, 0)):
        trials = trials_for_rate(rate, 0.95, mismatches)
        assert rate_at_most(mismatches, trials).high <= rate * (1 + 1e-12)
        assert rate_at_most(mismatches, trials - 1).high > rate


def test_equal_samples_do_not_weaken_an_interval() -> None:
    """A die of three numbers: the interval with its ends included holds the median at least as often as it says."""
    rng = random.Random(3)
    ranks = quantile_ranks(30, 0.5, 0.9)
    assert ranks.lower is not None
    assert ranks.upper is not None
    held = 0
    for _ in range(2000):
        samples = sorted(rng.choice((1, 2, 3)) for _ in range(30))
        held += samples[ranks.lower - 1] <= 2 <= samples[ranks.upper - 1]
    assert held / 2000 >= ranks.coverage - 0.02


def test_many_trials() -> None:
    rate = rate_at_most(7, 10**9)
    assert rate.high == pytest.approx(13.1481 / 10**9, rel=1e-5), "half of the chi-square quantile 0.95, 16 degrees"
    with pytest.raises(LocalError, match="claim less"):
        trials_for_rate(1e-13)


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (lambda: rate_at_most(3, 2), "3 of 2"),
        (lambda: rate_at_most(0, 0), "0 of 0"),
        (lambda: rate_interval(-1, 5), "-1 of 5"),
        (lambda: rate_interval(1, 5, 1.0), "the confidence is 1.0"),
        (lambda: quantile_ranks(5, 0.0), "the quantile is 0.0"),
        (lambda: trials_for_rate(math.nan), "the rate is nan"),
        (lambda: trials_for_rate(0.1, 0.95, -1), "-1 mismatches"),
    ],
)
def test_what_cannot_be_asked(call: Any, says: str) -> None:
    with pytest.raises(LocalError, match=says):
        call()
