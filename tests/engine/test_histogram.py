"""Quantiles are never understated, and within 1/32 of the exact ones (checked against the standard library's sort)."""

from __future__ import annotations

import math
import random

from hypothesis import given
from hypothesis import strategies as st

from wherry.engine.histogram import Histogram


@given(st.lists(st.integers(0, 10**13), min_size=1, max_size=200), st.floats(0.01, 1.0))
def test_quantile_against_the_sorted_list(durations: list[int], share: float) -> None:
    histogram = Histogram()
    for each in durations:
        histogram.record(each)
    exact = sorted(durations)[max(1, math.ceil(len(durations) * share)) - 1]
    found = histogram.quantile_ns(share)
    assert found is not None
    assert exact <= found <= exact * (1 + 1 / 32) + 1000
    assert histogram.max_ns == max(durations)
    assert histogram.sum_ns == sum(durations)


def test_memory_is_bounded() -> None:
    rng = random.Random(1)
    histogram = Histogram()
    for _ in range(50_000):
        histogram.record(int(10 ** rng.uniform(0, 18)))
    assert len(histogram._counts) < 2000


def test_nothing_counted_gives_nothing() -> None:
    assert Histogram().summary_ms() == {"p50": None, "p99": None, "max": None}


def test_adding_two_is_counting_both() -> None:
    first, second = Histogram(), Histogram()
    first.record(5_000_000)
    second.record(9_000_000)
    first.add(second)
    assert first.count == 2
    assert first.max_ns == 9_000_000
    assert first.quantile_ns(1.0) == 9_000_000
