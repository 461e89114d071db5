"""The order of the queues: what it is, and that it meets more deadlines than others would."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from math import lcm
from random import Random
from typing import Any, NamedTuple

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wherry.plan import loads
from wherry.timing import replay as player
from wherry.timing.conditions import IDEAL
from wherry.timing.order import enqueue, first_of, level_of, rank_of
from wherry.timing.replay import replay
from wherry.timing.system import Asked, System, system_of

from .plant import chance_text

MS = 1_000_000


class Waiting(NamedTuple):
    rank: int
    is_write: bool
    number: int
    asked_ns: int = 0


@given(st.lists(st.tuples(st.integers(1, 4), st.booleans()), max_size=30))
def test_queues_keep_to_the_levels(asked: list[tuple[int, bool]]) -> None:
    """What the engine does with two queues is what the analysis takes from the levels."""
    writes: deque[Waiting] = deque()
    reads: deque[Waiting] = deque()
    jobs = [Waiting(rank_of(period), is_write, number) for number, (period, is_write) in enumerate(asked)]
    for job in jobs:
        enqueue(writes if job.is_write else reads, job, 0)
    served = []
    while writes or reads:
        served.append(first_of(writes, reads, 0).popleft())
    assert served == sorted(jobs, key=lambda job: (level_of(job.rank, is_write=job.is_write), job.number))


def test_what_has_waited_for_its_period_is_not_overtaken_any_more() -> None:
    """Too much for all: of three periods, each is served, and the shortest the most."""
    writes: deque[Waiting] = deque()
    reads: deque[Waiting] = deque()
    served: dict[int, int] = {10: 0, 20: 0, 1000: 0}
    for now_ns in range(100_000):
        for period_ns in served:
            queue, is_write = (writes, True) if period_ns == 10 else (reads, False)
            if now_ns % period_ns == 0 and not any(each.rank == period_ns for each in queue):
                enqueue(queue, Waiting(rank_of(period_ns), is_write, now_ns, now_ns), now_ns)
        # One request takes longer than the shortest period.
        if now_ns % 12 == 0 and (writes or reads):
            served[first_of(writes, reads, now_ns).popleft().rank] += 1
    assert served[1000] >= 45, "once in two periods: it waits for one, and then only for what is before it"
    assert served[20] >= 2000
    assert served[10] >= 4000


Order = Callable[[Asked, int, int], Any]
"""A request, its release and its period -> what goes first when it is smaller."""
ORDERS: dict[str, Order] = {
    "first come": lambda asked, release_ns, period_ns: 0,
    "writes, then first come": lambda asked, release_ns, period_ns: not asked.is_write,
    "earliest deadline": lambda asked, release_ns, period_ns: release_ns + period_ns,
    "ours": lambda asked, release_ns, period_ns: level_of(period_ns, is_write=asked.is_write),
}
SCALES = [0.3 * 1.12**step for step in range(34)]


def in_order(order: Order) -> type[player._Link]:
    """Connections that serve in another order."""

    class Link(player._Link):
        def submit(self, job: player._Job) -> None:
            system = self.player.system
            asked = system.requests[job.at]
            rank = order(asked, job.release_ns, system.tasks[asked.task].period_ns)
            # One queue of all, so that nothing but the order decides; the sort keeps what is equal as it came.
            queue = self.reads[asked.controller]
            waiting = sorted((*queue, job._replace(rank=rank)), key=lambda each: each.rank)
            queue.clear()
            queue.extend(waiting)
            if asked.controller not in self.ring:
                self.ring.append(asked.controller)
            self.pump()

    return Link


def is_in_time(system: System) -> bool:
    hyper_ns = lcm(*(each.period_ns for each in system.tasks))
    played = replay(system, min(2 * hyper_ns, 2_000 * MS))
    return not played.skipped and all(
        each.over_ns - each.release_ns < system.tasks[system.chains[each.chain].task].period_ns
        for each in played.cycles
    )


def shortest(seed: int) -> float:
    """The smallest scale of a plan's periods at which everything is in time, played through at its slowest."""
    for scale in SCALES:
        text = chance_text(Random(seed), is_harmonic=seed % 2 == 0, scale=scale)
        system = system_of(loads(text, "chance.toml").plan, IDEAL)
        if is_in_time(system):
            return scale
    return SCALES[-1] * 1.12


@pytest.mark.slow
def test_it_meets_nearly_as_many_deadlines_as_the_best_and_more_than_no_order(monkeypatch: pytest.MonkeyPatch) -> None:
    """By how much the periods of plans by chance must be longer than with the best of the orders, on average."""
    found: dict[str, list[float]] = {}
    for name, order in ORDERS.items():
        monkeypatch.setattr(player, "_Link", in_order(order))
        found[name] = [shortest(seed) for seed in range(24)]
    best = [min(each) for each in zip(*found.values(), strict=True)]
    longer = {
        name: sum(scale / least for scale, least in zip(scales, best, strict=True)) / len(best)
        for name, scales in found.items()
    }
    assert longer["ours"] < longer["earliest deadline"] + 0.03
    assert longer["first come"] > longer["ours"] + 0.1
    assert longer["writes, then first come"] > longer["ours"] + 0.1
