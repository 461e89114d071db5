"""``python -m wherry.cli.soak``: seed after seed, plan after plan, for a given time, on every core.

Prints what was run: simulated hours, faults, transactions, and every promise that was not kept, with the seed that
shows it again.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, ProcessPoolExecutor, wait
from dataclasses import dataclass, replace
from importlib import resources
from itertools import count
from pathlib import Path

from wherry.cli import output
from wherry.clock import NS_PER_S, elapsed_ns
from wherry.plan import load, loads
from wherry.plan.model import Plan
from wherry.rehearse.chance_plan import chance_plan
from wherry.rehearse.scenario import rehearse

TRANSACTIONS_EACH = 50_000
"""About how many each rehearsal has: slow plans are rehearsed for longer."""
HOURS_MAX = 24.0
MENUS = ("harsh", "harsh", "usual", "none")
EXAMPLE = "hatchery"
CHANCE = "chance"
"""The plans that are rehearsed unless files are named: the one that ships, and one by chance for each seed."""


@dataclass(frozen=True, slots=True)
class Task:
    """One rehearsal of the soak. ``plan`` is EXAMPLE, CHANCE (the plan of this seed), or a file."""

    plan: str
    seed: int
    menu: str
    hours: float

    def __str__(self) -> str:
        return f"{self.plan}, seed {self.seed}, {self.menu}, {self.hours:g} h"


@dataclass(frozen=True, slots=True)
class Done:
    """What came of it. ``broken`` are sentences."""

    task: Task
    transactions: int
    faults: int
    broken: tuple[str, ...]


def plan_of(task: Task) -> Plan:
    """The plan of a task."""
    if task.plan == CHANCE:
        return chance_plan(task.seed)
    if task.plan == EXAMPLE:
        text = resources.files("wherry").joinpath("examples", "hatchery.toml").read_text(encoding="utf-8")
        return loads(text, "hatchery.toml").plan
    return load(Path(task.plan)).plan


def fitting_hours(plan: Plan, transactions: int = TRANSACTIONS_EACH) -> float:
    """For how many hours a plan is rehearsed in about so many transactions: one for each value and two more a cycle."""
    per_s = sum((2 + len(each.values)) * NS_PER_S / each.period_ns for each in plan.transfers)
    return min(HOURS_MAX, transactions / max(per_s, 0.01) / 3600)


def run(task: Task) -> Done:
    """One rehearsal, in whichever process."""
    seen = rehearse(plan_of(task), hours=task.hours, seed=task.seed, faults=task.menu)
    return Done(task, seen.transactions, len(seen.faults), tuple(str(each) for each in seen.broken))


def tasks(plans: Sequence[str], first_seed: int, hours: float | None, faults: str | None = None) -> Iterator[Task]:
    """Without end: plans by chance on every seed, the others on every fourth. ``hours`` None: as many as fit each;
    ``faults`` None: another menu for each seed."""
    for seed in count(first_seed):
        for plan in plans:
            if plan == CHANCE or seed % len(MENUS) == 0:
                menu = faults or (MENUS[seed % len(MENUS)] if plan == CHANCE else "harsh")
                task = Task(plan, seed, menu, hours or 0)
                yield task if hours else replace(task, hours=round(fitting_hours(plan_of(task)), 3))


def soak(
    plans: Sequence[str], minutes: float, first_seed: int, hours: float | None, faults: str | None = None
) -> list[Done]:
    """Rehearse on every core until the time is over; what was begun is finished."""
    done: list[Done] = []
    waiting = tasks(plans, first_seed, hours, faults)
    workers = os.cpu_count() or 1
    started_ns = elapsed_ns()
    with ProcessPoolExecutor(workers) as pool:
        running = {pool.submit(run, next(waiting)) for _ in range(workers)}
        while running:
            ended, running = wait(running, return_when=FIRST_COMPLETED)
            for each in ended:
                done.append(each.result())
                for sentence in done[-1].broken:
                    output.talk(f"{done[-1].task}: {sentence}")
                if elapsed_ns() - started_ns < minutes * 60 * NS_PER_S:
                    running.add(pool.submit(run, next(waiting)))
    return done


def report(done: Sequence[Done]) -> str:
    """The figures in one line."""
    hours = sum(each.task.hours for each in done)
    broken = sum(len(each.broken) for each in done)
    return (
        f"{len(done)} rehearsals, {hours:,.1f} simulated hours, {sum(each.faults for each in done):,} faults, "
        f"{sum(each.transactions for each in done):,} transactions, {broken} findings"
    )


def main() -> int:
    """Exit 1 when anything was found."""
    parser = argparse.ArgumentParser(prog="python -m wherry.cli.soak", description=__doc__)
    parser.add_argument("plans", nargs="*", default=[EXAMPLE, CHANCE], help="plan files, `hatchery` or `chance`")
    parser.add_argument("--minutes", type=float, default=10.0)
    parser.add_argument("--seed", type=int, default=1, help="the first seed")
    parser.add_argument("--hours", type=float, help="of each rehearsal; unless said, as many as fit its plan")
    parser.add_argument("--faults", choices=("none", "usual", "harsh"), help="the menu of all; unless said, by turns")
    asked = parser.parse_args()
    done = soak(asked.plans, asked.minutes, asked.seed, asked.hours, asked.faults)
    output.data(report(done))
    return 1 if any(each.broken for each in done) else 0


if __name__ == "__main__":
    sys.exit(main())
