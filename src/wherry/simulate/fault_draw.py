"""Which faults a run gets: drawn from a menu by chance that is passed in, so that one seed gives one plan of faults.

Drawn by swarm: for each spell of the run some kinds are switched off altogether and the others weigh wildly different,
so that rare combinations come up and no kind hides behind another (Groce et al., "Swarm testing", ISSTA 2012; named
from memory). A run has two phases: in the first anything may go wrong, and what is promised must hold all the same; in
the second nothing goes wrong any more, and everything must come back.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from random import Random
from typing import Final

from wherry.clock import NS_PER_S
from wherry.plan.model import Controller, Plan
from wherry.simulate.fault_kinds import (
    MENUS,
    Dose,
    FaultKind,
    FaultParameters,
    FaultPlan,
    Menu,
    PlannedFault,
    candidates,
)

OFF_SHARE: Final = 0.4
"""How likely a kind is switched off for a spell."""
WEIGHT_FACTOR_MAX: Final = 8.0
"""A kind's weight is multiplied by something between one over this and this, for a spell; the time between two faults
by the square root of it."""
FAULTS_MAX: Final = 1_000_000
LIVENESS_NS_MIN: Final = 60 * NS_PER_S


def liveness_ns(plan: Plan, duration_ns: int) -> int:
    """How long the phase without faults is at the end of a run: what a line needs to come back and values to arrive,
    several times over; at most half of the run."""
    periods = [3 * each.period_ns + each.max_age_ns for each in plan.putting]
    waits = [4 * (each.limits.reconnect_ns_max + 4 * each.limits.timeout_ns) for each in plan.controllers]
    return min(duration_ns // 2, max(LIVENESS_NS_MIN, max(periods, default=0) + max(waits, default=0)))


def draw(rng: Random, plan: Plan, duration_ns: int, menu: Menu | str, *, safety_ns: int | None = None) -> FaultPlan:
    """The faults of a run of ``duration_ns``, all over before its liveness phase, in the order in which they begin.

    ``safety_ns``: when that phase begins, if it is not to be ``liveness_ns`` before the end. KeyError for the name of a
    menu that is not there.
    """
    chosen = MENUS[menu] if isinstance(menu, str) else menu
    if safety_ns is None:
        safety_ns = duration_ns - liveness_ns(plan, duration_ns)
    drawn = [*_drawn(rng, plan, safety_ns, chosen), *_fixed(plan, safety_ns, chosen)]
    return tuple(sorted(drawn, key=lambda each: (each.start_ns, each.end_ns, each.kind, each.controller)))


def _fixed(plan: Plan, safety_ns: int, menu: Menu) -> list[PlannedFault]:
    names = {each.name for each in plan.controllers}
    result: list[PlannedFault] = []
    for fault, every_ns in menu.fixed:
        if fault.controller not in names:
            continue
        for start_ns in range(fault.start_ns, safety_ns, every_ns or safety_ns):
            end_ns = min(start_ns + fault.end_ns - fault.start_ns, safety_ns)
            result.append(replace(fault, start_ns=start_ns, end_ns=end_ns))
    return result


def _drawn(rng: Random, plan: Plan, safety_ns: int, menu: Menu) -> list[PlannedFault]:
    places = {kind: found for kind in menu.doses if (found := candidates(plan, kind))}
    if not menu.gap_ns or not places:
        return []
    result: list[PlannedFault] = []
    busy_until: dict[tuple[FaultKind, str], int] = {}
    at_ns = spell_ends_ns = 0
    weights: dict[FaultKind, float] = {}
    gap_ns = 0.0
    while len(result) < FAULTS_MAX:
        if at_ns >= spell_ends_ns:
            spell_ends_ns = at_ns - at_ns % menu.spell_ns + menu.spell_ns
            weights = _swarm(rng, {kind: menu.doses[kind] for kind in places})
            gap_ns = menu.gap_ns * _factor(rng, math.sqrt(WEIGHT_FACTOR_MAX))
        at_ns += round(rng.expovariate(1 / gap_ns))
        if at_ns >= safety_ns:
            break
        (kind,) = rng.choices(list(weights), list(weights.values()))
        fault = _one(rng, at_ns, safety_ns, kind, menu.doses[kind], rng.choice(places[kind]))
        if busy_until.get((kind, fault.controller), -1) < at_ns and fault.end_ns > at_ns:
            busy_until[kind, fault.controller] = fault.end_ns
            result.append(fault)
    return result


def _swarm(rng: Random, doses: Mapping[FaultKind, Dose]) -> dict[FaultKind, float]:
    """The kinds that are on in a spell, with their weights; never none."""
    on = {
        kind: dose.weight * _factor(rng, WEIGHT_FACTOR_MAX) for kind, dose in doses.items() if rng.random() >= OFF_SHARE
    }
    if not on:
        kind = rng.choice(list(doses))
        on = {kind: doses[kind].weight}
    return on


def _factor(rng: Random, most: float) -> float:
    return math.exp(rng.uniform(-math.log(most), math.log(most)))


def _one(rng: Random, at_ns: int, safety_ns: int, kind: FaultKind, dose: Dose, controller: Controller) -> PlannedFault:
    end_ns = min(safety_ns, at_ns + round(_between(rng, *dose.length_ns)))
    share = _between(rng, *dose.share)
    delay_ns = round(controller.limits.timeout_ns * _between(rng, *dose.delay_timeouts))
    return PlannedFault(at_ns, end_ns, kind, controller.name, FaultParameters(share, delay_ns))


def _between(rng: Random, low: float, high: float) -> float:
    """Drawn evenly on a logarithmic scale; both ends the same: that, without drawing."""
    if low >= high:
        return low
    return math.exp(rng.uniform(math.log(low), math.log(high)))
