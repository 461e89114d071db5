"""Room and relief: how slow, how short, and what to slow down, against trying everything."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations, product
from random import Random

import pytest

from wherry.plan import loads
from wherry.plan.model import Plan
from wherry.timing.bounds import does_fit
from wherry.timing.budget import Budget, budget
from wherry.timing.conditions import IDEAL
from wherry.timing.margins import (
    at_periods,
    can_fit,
    longer,
    period_margin,
    response_margin,
    round_periods_ns,
    slowed,
    with_periods,
)
from wherry.timing.relief import relief, slowed_down
from wherry.timing.system import system_of

from .plant import chance_text

MS = 1_000_000


def tank_plan(periods_ms: list[int], response_ms: float = 10, response_hall_ms: float = 1) -> Plan:
    """Transfers from one controller to another, each a read and a write of its own."""
    parts = [
        f'[controller.skid]\nconnect = "tcp://10.20.0.11"\n'
        f'response = {{ fixed = "{response_ms:g} ms", per_register = "0 s" }}\n'
        f'[controller.hall]\nconnect = "tcp://10.20.0.12"\n'
        f'response = {{ fixed = "{response_hall_ms:g} ms", per_register = "0 s" }}\n'
    ]
    for index, period_ms in enumerate(periods_ms):
        place = 1000 * index
        parts.append(
            f'[transfer.t{index}]\nfrom = "skid"\nto = "hall"\nevery = "{period_ms} ms"\nmax_age = "20 s"\n'
            f'on_loss = "hold"\nvalues = [{{ name = "v", take = "holding {place}", put = "holding {place}" }}]\n'
        )
    return loads("".join(parts), "plan.toml").plan


def test_how_slow_a_controller_may_become() -> None:
    found = budget(tank_plan([100]), conditions=IDEAL)
    margin = response_margin(found, "skid")
    assert margin.now_ns == 10 * MS
    assert margin.most_ns is not None
    # A cycle is a read and a write of 1 ms, and must be over before the next begins.
    assert 97 * MS < margin.most_ns < 99 * MS
    both = response_margin(found)
    assert both.most_ns is not None
    # All become slower by as much: 10 + 1 + 2 x 44.5.
    assert 53 * MS < both.most_ns < 54.5 * MS
    with pytest.raises(KeyError):
        response_margin(found, "nobody")


def test_the_shortest_round_period() -> None:
    found = budget(tank_plan([100, 100]), conditions=IDEAL)
    assert period_margin(found, "t0").least_ns == 25 * MS
    assert 25 * MS in round_periods_ns()
    late = budget(tank_plan([10, 10, 10]), conditions=IDEAL)
    assert period_margin(late, "t0").least_ns is None
    assert response_margin(late, "skid").most_ns is None


@pytest.mark.parametrize("seed", range(8))
def test_what_a_margin_says_holds(seed: int) -> None:
    plan = loads(chance_text(Random(seed), is_harmonic=True, scale=4.0), "chance.toml").plan
    found = budget(plan, conditions=IDEAL)
    if not found.fits:
        pytest.skip("this one has no room")
    for line in found.lines:
        for name in line.controllers:
            margin = response_margin(found, name)
            if margin.most_ns is not None:
                assert does_fit(slowed(found.system, {name}, margin.most_ns - margin.now_ns), 0)
    for transfer in found.transfers:
        least_ns = period_margin(found, transfer.name).least_ns
        assert least_ns is not None
        assert budget(with_periods(plan, {transfer.name: least_ns}), conditions=IDEAL).fits


def test_other_periods_are_other_requests_only_where_reads_are_shared() -> None:
    for seed in range(20):
        plan = loads(chance_text(Random(seed), is_harmonic=True, scale=1.0), "chance.toml").plan
        found = budget(plan, conditions=IDEAL)
        for transfer in plan.transfers:
            for period_ns in (transfer.period_ns * 2, 40 * MS):
                changed = {transfer.name: period_ns}
                quick, anew = at_periods(found, changed), system_of(with_periods(plan, changed), IDEAL)
                assert quick.tasks == anew.tasks
                assert quick.requests == anew.requests
                assert [each.stages for each in quick.chains] == [each.stages for each in anew.chains]


def all_ways(found: Budget, names: tuple[str, ...]) -> Iterator[dict[str, int]]:
    """Every way to slow these down to round periods."""
    ladders = [longer(found.transfer(name).period_ns)[:12] for name in names]
    for periods_ns in product(*ladders):
        yield dict(zip(names, periods_ns, strict=True))


def is_enough(found: Budget, periods_ns: dict[str, int]) -> bool:
    system = at_periods(found, periods_ns)
    return can_fit(system) and does_fit(system, 0)


def overloaded(seed: int) -> Budget:
    """Three or four transfers that ask for 130 % of what the skid can answer."""
    rng = Random(seed)
    periods_ms = [rng.choice((20, 40, 50, 80, 100, 200)) for _ in range(rng.randint(3, 4))]
    load = sum(1 / each for each in periods_ms)
    return budget(tank_plan(periods_ms, response_ms=round(1.3 / load, 3)), conditions=IDEAL)


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(10))
def test_no_smaller_set_is_enough_to_slow_down(seed: int) -> None:
    found = overloaded(seed)
    assert not found.fits
    assert max(each.utilisation for each in found.lines) == pytest.approx(1.3, rel=0.01)
    helps = relief(found)
    assert helps is not None
    assert helps.is_fewest
    assert slowed_down(found, helps).fits
    names = [each.name for each in found.transfers]
    for count in range(1, len(helps.transfers)):
        for smaller in combinations(names, count):
            assert not any(is_enough(found, each) for each in all_ways(found, smaller))
    # And none of as many needs to be slowed down less, all of them by as many steps.
    stretch = 1.0
    for each in helps.transfers:
        stretch *= each.then_ns / each.now_ns
    for same in combinations(names, len(helps.transfers)):
        ladders = [longer(found.transfer(name).period_ns) for name in same]
        for step in range(min(len(each) for each in ladders)):
            periods_ns = {name: ladder[step] for name, ladder in zip(same, ladders, strict=True)}
            needed = 1.0
            for name, period_ns in periods_ns.items():
                needed *= period_ns / found.transfer(name).period_ns
            if needed < stretch:
                assert not is_enough(found, periods_ns)


def test_what_fits_needs_no_relief() -> None:
    assert relief(budget(tank_plan([100]), conditions=IDEAL)) is None


def test_no_period_helps_a_cycle_that_is_never_over() -> None:
    found = budget(tank_plan([10], response_ms=4_000_000), conditions=IDEAL)
    assert relief(found) is None
