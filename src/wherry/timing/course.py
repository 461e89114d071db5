"""What usually happens: a plan played through with the usual times, and its averages.

Where a period is longer than what is played, or its end was not seen, the closed form of an empty line stands in.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from math import lcm
from typing import Final

from wherry.clock import NS_PER_S
from wherry.timing.age import average_age
from wherry.timing.replay import Served, replay, usual
from wherry.timing.system import Chain, System

REQUESTS_MAX: Final = 6_000
"""So many are played through, or one hyperperiod with as much before it as the longest period."""


@dataclass(frozen=True)
class UsualCourse:
    """Averages over the part of the schedule that was played."""

    system: System
    served: dict[int, list[Served]]
    """By request, in order."""
    cycles: dict[int, list[int]]
    """By chain, how long each cycle took from its release."""

    def cycle_ns(self, chain: Chain) -> int:
        """From the release to the end, on average."""
        taken = self.cycles.get(self.system.chains.index(chain), [])
        if taken:
            return sum(taken) // len(taken)
        requests = self.system.requests
        return sum(
            stage.pause_ns + sum(requests[at].work.typical_ns for at in stage.requests) for stage in chain.usual_stages
        )

    def age_ns(self, chain: Chain, takes: Sequence[int], puts: Sequence[int]) -> int:
        """The age of a value in the receiver, on average over time, from the request that samples it."""
        sampled = {each.release_ns: each.sent_ns for at in takes[:1] for each in self.served.get(at, ())}
        arrived: dict[int, int] = {}
        for at in puts:
            for each in self.served.get(at, ()):
                arrived[each.release_ns] = max(arrived.get(each.release_ns, 0), each.over_ns)
        deliveries = [(sampled[at], arrived[at]) for at in sorted(sampled.keys() & arrived.keys())]
        found = average_age(deliveries)
        if found is not None:
            return round(found)
        requests = self.system.requests
        on_the_way_ns = sum(requests[at].work.typical_ns for at in (*takes[:1], *puts[:1]))
        return on_the_way_ns + self.system.tasks[chain.task].period_ns // 2


def usual_course_of(system: System) -> UsualCourse:
    """Play a system through for as long as is worth it."""
    if not system.tasks:
        return UsualCourse(system, {}, {})
    periods_ns = [each.period_ns for each in system.tasks]
    per_s = sum(NS_PER_S / system.tasks[each.task].period_ns for each in system.requests)
    until_ns = min(lcm(*periods_ns) + 2 * max(periods_ns), round(REQUESTS_MAX / max(per_s, 1e-9) * NS_PER_S))
    played = replay(system, until_ns, usual)
    served: dict[int, list[Served]] = defaultdict(list)
    for each in played.served:
        served[each.request].append(each)
    cycles: dict[int, list[int]] = defaultdict(list)
    for cycle in played.cycles:
        cycles[cycle.chain].append(cycle.over_ns - cycle.release_ns)
    return UsualCourse(system, served, cycles)
