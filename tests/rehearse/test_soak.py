"""A short soak: plans by chance under harsh faults, in which no promise may be broken."""

from __future__ import annotations

import pytest

from wherry.cli.soak import CHANCE, EXAMPLE, Task, fitting_hours, plan_of, report, run
from wherry.rehearse.chance_plan import chance_plan

TRANSACTIONS = 8_000
SEEDS = range(501, 521)


@pytest.mark.slow
@pytest.mark.parametrize("first", range(0, len(SEEDS), 5))
def test_no_promise_is_broken_on_plans_by_chance(first: int) -> None:
    done = []
    for seed in SEEDS[first : first + 5]:
        task = Task(CHANCE, seed, "harsh", 1)
        hours = fitting_hours(plan_of(task), TRANSACTIONS)
        done.append(run(Task(CHANCE, seed, "harsh", hours)))
    assert [each.broken for each in done if each.broken] == []
    assert sum(each.faults for each in done) > 20
    print(report(done))


@pytest.mark.slow
def test_no_promise_is_broken_on_the_plan_that_ships() -> None:
    done = run(Task(EXAMPLE, 77, "harsh", 0.2))
    assert done.broken == ()
    assert done.transactions > 10_000


def test_a_plan_by_chance_is_the_same_for_the_same_seed() -> None:
    assert chance_plan(3) == chance_plan(3)
    assert chance_plan(3) != chance_plan(4)
