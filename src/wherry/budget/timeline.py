"""One course of things for the pictures: every request takes as long as it may, and every step of a command comes."""

from __future__ import annotations

from dataclasses import dataclass
from math import lcm
from typing import Final

from wherry.timing.replay import replay
from wherry.timing.system import System

BARS_MAX: Final = 600
"""Requests that are followed for one picture of the requests."""
CYCLES_MAX: Final = 4_000
"""Cycles that are followed for one picture of the ages."""


@dataclass(frozen=True, slots=True)
class Bar:
    """One request: asked for, begun, over; and the release of its cycle."""

    request: int
    release_ns: int
    asked_ns: int
    begun_ns: int
    over_ns: int


@dataclass(frozen=True, slots=True)
class Delivery:
    """What was asked for in the source at ``sampled_ns`` had reached the receiver at ``at_ns``."""

    sampled_ns: int
    at_ns: int


@dataclass(frozen=True)
class Timeline:
    """What happens from ``from_ns`` to ``to_ns``; deliveries of before are there too.

    ``is_whole``: it is one hyperperiod, after which everything comes again.
    """

    from_ns: int
    to_ns: int
    is_whole: bool
    bars: tuple[Bar, ...]
    """By the instant at which they begin."""
    deliveries: tuple[tuple[Delivery, ...], ...]
    """Of each chain of the system."""
    skipped: int
    """Releases that found the cycle before unfinished."""


def hyperperiod_ns(system: System) -> int:
    """After this time all releases come again in the same way."""
    return lcm(*(each.period_ns for each in system.tasks))


def requests_window(system: System) -> tuple[int, int, bool]:
    """From when to when requests are worth showing: the second hyperperiod, or as much of the first as can be read."""
    hyper_ns = hyperperiod_ns(system)
    per_s = sum(1e9 / system.tasks[each.task].period_ns for each in system.requests if not each.is_rare)
    if per_s * hyper_ns / 1e9 <= BARS_MAX:
        return hyper_ns, 2 * hyper_ns, True
    shortest_ns = min(each.period_ns for each in system.tasks)
    return 0, max(shortest_ns, round(BARS_MAX / per_s * 1e9)), False


def ages_window(system: System) -> tuple[int, int, bool]:
    """From when to when ages are worth showing: two of the longest periods, once values have come."""
    longest_ns = max(each.period_ns for each in system.tasks)
    per_s = sum(1e9 / each.period_ns for each in system.tasks)
    window_ns = min(2 * longest_ns, max(round(CYCLES_MAX / per_s * 1e9), longest_ns // 2))
    return 2 * longest_ns, 2 * longest_ns + window_ns, False


def timeline(system: System, window: tuple[int, int, bool]) -> Timeline:
    """What happens until the end of the window, from the start on."""
    from_ns, to_ns, is_whole = window
    # A little more, so that what has begun within the window is over too.
    longest_ns = max((each.work.slot_ns for each in system.requests), default=0)
    played = replay(system, to_ns + longest_ns)
    bars = []
    for each in played.served:
        # Sent ahead, it waits at the controller for those before it.
        begun_ns = each.over_ns - system.requests[each.request].work.exchange_ns
        if each.over_ns > from_ns and begun_ns < to_ns:
            bars.append(Bar(each.request, each.release_ns, each.asked_ns, begun_ns, each.over_ns))
    deliveries: list[list[Delivery]] = [[] for _ in system.chains]
    for cycle in played.cycles:
        if cycle.over_ns < to_ns:
            deliveries[cycle.chain].append(Delivery(cycle.begun_ns, cycle.over_ns))
    return Timeline(
        from_ns,
        to_ns,
        is_whole,
        tuple(sorted(bars, key=lambda bar: bar.begun_ns)),
        tuple(map(tuple, deliveries)),
        sum(played.skipped.values()),
    )
