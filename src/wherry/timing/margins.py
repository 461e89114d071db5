"""How much room is left: how slow a controller may become, how short a period may be, before something is late."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, replace
from math import lcm, sqrt
from typing import Final

from wherry.clock import NS_PER_MS, NS_PER_S
from wherry.limits import PERIOD_NS_MAX, PERIOD_NS_MIN
from wherry.plan.model import Plan
from wherry.timing import bounds
from wherry.timing.budget import Budget, late_ns_of
from wherry.timing.conditions import Work
from wherry.timing.releases import release_offsets_ns
from wherry.timing.replay import replay
from wherry.timing.system import Asked, System, system_of

STEP_SHARE: Final = 50
"""A slowest response is found to within this part (a fiftieth) of itself."""
WORK_MAX: Final = 8_000
"""A plan is large when its requests times those of a hyperperiod are more than this."""
PLAYED: Final = 1_500
"""So many requests are played through to see whether something is late."""
ROUND: Final = (1.0, 1.2, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0)
"""Periods that people choose, within a power of ten."""


@dataclass(frozen=True, slots=True)
class ResponseMargin:
    """How long controllers may take for a request before a cycle may be longer than its period.

    ``now_ns`` is the longest of their requests as it is now, ``most_ns`` what that may become when all of them take as
    much longer; None: nothing that they are asked can be late however slow they are, or it is late already. Empty
    ``controllers`` stand for all.
    """

    controllers: tuple[str, ...]
    now_ns: int
    most_ns: int | None


@dataclass(frozen=True, slots=True)
class PeriodMargin:
    """The shortest round period of a transfer with which everything still fits, all others as they are; None where
    not even its own does."""

    transfer: str
    now_ns: int
    least_ns: int | None


def can_fit(system: System) -> bool:
    """A quick look: whether no address is asked for more than all of its time."""
    loads = [0.0] * len(system.lanes)
    for each in system.requests:
        loads[each.lane] += each.work.slot_ns / system.tasks[each.task].period_ns
    return all(load <= 1 for load in loads)


def does_fit(system: System, late_ns: int, work_max: int = WORK_MAX) -> bool:
    """Whether everything surely fits. What is quick is tried first: most plans fit in any phase, or are late as soon as
    they are played through. A large plan must fit in any phase, so that what is found for it is on the safe side."""
    if not can_fit(system):
        return False
    if bounds.does_fit(system, late_ns, by_phase=False):
        return True
    return is_small(system, work_max) and not is_seen_late(system) and bounds.does_fit(system, late_ns)


def is_small(system: System, work_max: int) -> bool:
    """Whether there is time to look at each release, again and again."""
    hyper_ns = lcm(*(each.period_ns for each in system.tasks))
    count = sum(hyper_ns // system.tasks[each.task].period_ns for each in system.requests)
    return count * len(system.requests) <= work_max


def is_seen_late(system: System) -> bool:
    """Whether something is late in the first part of the schedule, when every request takes as long as it may."""
    per_ns = sum(1 / system.tasks[each.task].period_ns for each in system.requests)
    played = replay(system, min(round(PLAYED / per_ns), 4 * max(each.period_ns for each in system.tasks)))
    return any(
        system.chains[each.chain].transfer is not None
        and each.over_ns - each.release_ns >= system.tasks[system.chains[each.chain].task].period_ns
        for each in played.cycles
    )


def response_margin(found: Budget, *controllers: str) -> ResponseMargin:
    """How slow these controllers may become, all of them by as much; without names all that are used: so slow may the
    network be. KeyError when they are asked nothing."""
    names = frozenset(controllers or (each for line in found.lines for each in line.controllers))
    works = [each.work for each in found.system.requests if each.controller in names]
    if not works:
        raise KeyError(*controllers)
    now_ns = max(each.exchange_ns for each in works)
    late_ns = late_ns_of(found.conditions, found.measured)
    if not found.fits:
        return ResponseMargin(controllers, now_ns, None)

    def holds(more_ns: int) -> bool:
        return does_fit(slowed(found.system, names, more_ns), late_ns)

    longest_ns = max(each.period_ns for each in found.system.tasks)
    more_ns = _largest(holds, longest_ns, _room_ns(found.system, names) + 1, now_ns)
    return ResponseMargin(controllers, now_ns, None if more_ns is None else now_ns + more_ns)


def _room_ns(system: System, controllers: Collection[str]) -> int:
    """How much longer each request to these may take until an address has no time left, or one request no period."""
    most_ns = min(system.tasks[each.task].period_ns for each in system.requests if each.controller in controllers)
    for lane in range(len(system.lanes)):
        asked = [each for each in system.requests if each.lane == lane]
        per_ns = sum(1 / system.tasks[each.task].period_ns for each in asked if each.controller in controllers)
        load = sum(each.work.slot_ns / system.tasks[each.task].period_ns for each in asked)
        if per_ns:
            # A pace leaves room of its own, which is not counted here but found by doubling.
            most_ns = max(1, min(most_ns, round((1 - load) / per_ns)))
    return most_ns


def _largest(holds: Callable[[int], bool], longest_ns: int, high: int, now_ns: int) -> int | None:
    """The largest number for which it holds, as good as, if it holds for 0 and for all smaller ones; None: for all.
    ``high`` is a guess at what it does not hold for any more."""
    low = 0
    while holds(high):
        low, high = high, 2 * high
        if low > longest_ns:
            return None
    while high - low > max(1000, (now_ns + low) // STEP_SHARE):
        # In the middle of their ratio: what it may become is often many times what it is.
        middle = min(max(round(sqrt((now_ns + low) * (now_ns + high))) - now_ns, low + 1), high - 1)
        if holds(middle):
            low = middle
        else:
            high = middle
    return low


def slowed(system: System, controllers: Collection[str], more_ns: int) -> System:
    """The same with controllers that take so much longer for each request."""
    return replace(
        system,
        requests=tuple(
            replace(each, work=_longer(system, each, more_ns)) if each.controller in controllers else each
            for each in system.requests
        ),
        openings=tuple(
            tuple(None if each is None else each.slowed(controllers, more_ns) for each in lane)
            for lane in system.openings
        ),
    )


def _longer(system: System, asked: Asked, more_ns: int) -> Work:
    lane = system.lanes[asked.lane]
    limits = lane.limits[lane.link_of(asked.controller)]
    exchange_ns = asked.work.exchange_ns + more_ns
    slot_ns = max(exchange_ns + (asked.work.rest_ns if limits.gap_ns and not limits.spacing_ns else limits.gap_ns), 0)
    return replace(asked.work, exchange_ns=exchange_ns, slot_ns=max(slot_ns, asked.work.slot_ns))


def period_margin(found: Budget, transfer: str) -> PeriodMargin:
    """How short the period of a transfer may be. KeyError when there is no such transfer."""
    now_ns = found.transfer(transfer).period_ns
    if not found.fits:
        return PeriodMargin(transfer, now_ns, None)
    late_ns = late_ns_of(found.conditions, found.measured)
    shorter = _shorter(now_ns)
    # The first ones fit, as a rule; where one in between does not, a shorter one is no answer that is asked for.
    fitting, late = -1, len(shorter)
    while late - fitting > 1:
        middle = (fitting + late) // 2
        if does_fit(at_periods(found, {transfer: shorter[middle]}), late_ns):
            fitting = middle
        else:
            late = middle
    return PeriodMargin(transfer, now_ns, now_ns if fitting < 0 else shorter[fitting])


def with_periods(plan: Plan, periods_ns: Mapping[str, int]) -> Plan:
    """The plan with other periods."""
    return replace(
        plan,
        transfers=tuple(replace(each, period_ns=periods_ns.get(each.name, each.period_ns)) for each in plan.transfers),
    )


def at_periods(found: Budget, periods_ns: Mapping[str, int]) -> System:
    """The requests with other periods of these transfers."""
    system, plan = found.system, found.plan
    alone = Counter(each.task for each in system.chains)
    tasks = {each.name: each.task for each in system.chains if alone[each.task] == 1}
    sources = {each.name: each.source for each in plan.transfers}
    new = {(sources[name], period_ns) for name, period_ns in periods_ns.items()}
    if (
        len(new) < len(periods_ns)
        or not periods_ns.keys() <= tasks.keys()
        or any(each.name not in periods_ns and (each.source, each.period_ns) in new for each in plan.transfers)
    ):
        # What is read together changes.
        return system_of(with_periods(plan, periods_ns), found.conditions, found.measured)
    new_ns = [each.period_ns for each in system.tasks]
    for name, period_ns in periods_ns.items():
        new_ns[tasks[name]] = period_ns
    return replace(
        system,
        tasks=tuple(
            replace(each, period_ns=period_ns, offset_ns=offset_ns)
            for each, period_ns, offset_ns in zip(system.tasks, new_ns, release_offsets_ns(new_ns), strict=True)
        ),
    )


def round_periods_ns() -> list[int]:
    """All round periods, rising."""
    found = []
    scale = PERIOD_NS_MIN
    while scale <= PERIOD_NS_MAX:
        found += [round(each * scale) for each in ROUND]
        scale *= 10
    whole = [each for each in found if PERIOD_NS_MIN <= each <= PERIOD_NS_MAX]
    # Below ten milliseconds only whole ones are kept exactly by every event loop.
    return [each for each in whole if each >= 10 * NS_PER_MS or each % NS_PER_MS == 0]


def _shorter(than_ns: int) -> list[int]:
    """Round periods below one, falling."""
    return [each for each in reversed(round_periods_ns()) if each < than_ns]


def longer(than_ns: int) -> list[int]:
    """Round periods above one, rising, up to a hundred times as long."""
    return [each for each in round_periods_ns() if than_ns < each <= max(100 * than_ns, 10 * NS_PER_S)]
