"""Ages against published closed forms and simulations (tests/vectors/aoi_examples.json)."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from random import Random
from typing import Any

import pytest

from wherry.timing import age

FACTS: dict[str, Any] = json.loads((Path(__file__).parents[1] / "vectors" / "aoi_examples.json").read_text())
FORMS: dict[str, Callable[[float], float]] = {
    "MM1": age.mm1,
    "MM1_peak": age.mm1_peak,
    "MD1": age.md1,
    "DM1": age.dm1,
    "DD1": age.dd1,
}


@pytest.mark.parametrize("row", FACTS["table"], ids=lambda row: f"rho {row['rho']}")
def test_closed_forms(row: dict[str, float]) -> None:
    for name, form in FORMS.items():
        assert form(row["rho"]) == pytest.approx(row[name], abs=6e-6)


@pytest.mark.parametrize("name", sorted(FACTS["optimum"].keys() - {"note"}))
def test_the_best_rate_is_neither_slow_nor_full(name: str) -> None:
    best = FACTS["optimum"][name]
    form = FORMS[name]
    assert form(best["rho"]) == pytest.approx(best["age"], abs=6e-6)
    assert form(best["rho"]) < min(form(best["rho"] - 0.01), form(best["rho"] + 0.01))


def test_sending_without_waiting() -> None:
    assert age.zero_wait(1, 1) == 1.5
    # The table's figure is from a simulation.
    assert age.zero_wait(1, 2) == pytest.approx(FACTS["zero_wait_exponential_simulated"], abs=0.01)


def queue(
    rng: Random, rho: float, *, is_random: bool, serves_at_random: bool, count: int = 60_000
) -> list[tuple[int, int]]:
    """Deliveries of a first-in-first-out queue, the mean service time being a million."""
    now, free, result = 0.0, 0.0, []
    for _ in range(count):
        now += (rng.expovariate(rho) if is_random else 1 / rho) * 1e6
        free = max(free, now) + (rng.expovariate(1) if serves_at_random else 1) * 1e6
        result.append((round(now), round(free)))
    return result


@pytest.mark.parametrize("row", FACTS["simulation"], ids=lambda row: f"rho {row['rho']}")
def test_averages_of_deliveries_are_those_of_the_closed_forms(row: dict[str, float]) -> None:
    """Computed from deliveries one by one, against the published figures of another simulation."""
    for name, tolerance in (("MM1", 0.06), ("MD1", 0.04), ("DM1", 0.04), ("DD1", 1e-4)):
        made = queue(Random(7), row["rho"], is_random=name[0] == "M", serves_at_random=name[1] == "M")
        found = age.average_age(made)
        assert found is not None
        assert found / 1e6 == pytest.approx(row[name], rel=tolerance)


def test_a_periodic_delivery_has_the_peak_of_its_closed_form() -> None:
    made = queue(Random(1), 0.5, is_random=False, serves_at_random=False, count=10)
    assert {each / 1e6 for each in age.peak_ages(made)} == {age.dd1_peak(0.5)}


def test_one_delivery_has_no_average() -> None:
    assert age.average_age([(0, 5)]) is None
    assert age.average_age([(0, 5), (1, 5)]) is None
