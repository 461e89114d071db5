"""What a controller that does not answer does to the others behind its address.

Nothing is sent again by itself: a cycle that has lost a request is over, and the next one begins anew. But what waits
behind a request that is never answered waits for its time-out. So the engine leaves a unit alone after a few of them in
a row, and asks it again at intervals that leave the others most of the time (``limits``). From then on it is, to the
others, one request of the length of a time-out that may come at any time, at most once in such an interval.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from wherry.limits import FAILURES_BEFORE_BACKOFF, PROBE_SHARE, PROBE_WAIT_NS
from wherry.timing.bounds import bounds_of
from wherry.timing.budget import Budget, late_ns_of
from wherry.timing.system import Asked, Chain, Stage, System, Task
from wherry.timing.windows import over_ns_of, whole_ns


@dataclass(frozen=True, slots=True)
class SilentUnit:
    """A unit that has fallen silent, and what becomes of the transfers that do not need it.

    ``first_ns``: how much later than their bounds their requests may be while it is being noticed. ``worst_ns``: the
    longest cycle of each of them from then on; None: no bound. ``late``: those that are then not over in time.
    """

    controller: str
    timeout_ns: int
    first_ns: int
    probe_ns: int
    """The shortest interval at which it is asked again."""
    worst_ns: dict[str, int | None]
    late: tuple[str, ...]


def silent_unit(found: Budget, controller: str) -> SilentUnit | None:
    """What a silent controller does to the others. None where nobody shares its address, so that it holds up none."""
    line = found.line_of(controller)
    if len(line.controllers) < 2:
        return None
    timeout_ns = next(each for each in found.plan.controllers if each.name == controller).limits.timeout_ns
    probe_ns = max(PROBE_WAIT_NS, PROBE_SHARE * timeout_ns) + timeout_ns
    bounds = bounds_of(with_silent(found.system, controller, timeout_ns, probe_ns), _late_ns(found))
    worst_ns: dict[str, int | None] = {}
    late = []
    for chain in found.system.chains:
        if chain.transfer is None or controller in (chain.transfer.source, chain.transfer.destination):
            continue
        worst_ns[chain.name] = over_ns_of(chain, bounds.windows)
        unbroken_ns = whole_ns(chain, bounds.windows, _late_ns(found))
        if unbroken_ns is None or unbroken_ns >= chain.transfer.period_ns:
            late.append(chain.name)
    gap_ns = max(each.gap_ns for each in found.system.lanes[found.lines.index(line)].limits)
    first_ns = FAILURES_BEFORE_BACKOFF * (timeout_ns + gap_ns)
    return SilentUnit(controller, timeout_ns, first_ns, probe_ns, worst_ns, tuple(late))


def _late_ns(found: Budget) -> int:
    return late_ns_of(found.conditions, found.measured)


def with_silent(system: System, controller: str, timeout_ns: int, probe_ns: int) -> System:
    """The same with a controller that is asked nothing but, now and then, in vain. Its transfers end there."""
    index = len(system.requests)
    requests = [_without_time(each) if each.controller == controller else each for each in system.requests]
    asked = next(each for each in system.requests if each.controller == controller)
    work = replace(asked.work, exchange_ns=timeout_ns, slot_ns=timeout_ns + asked.work.rest_ns, typical_ns=timeout_ns)
    requests.append(
        replace(
            asked,
            index=index,
            task=len(system.tasks),
            stage=0,
            chain=len(system.chains),
            is_write=False,
            carries=(),
            work=work,
            is_rare=True,
        )
    )
    name = f"asking {controller} in vain"
    return replace(
        system,
        requests=tuple(requests),
        tasks=(*system.tasks, Task(name, probe_ns, 0)),
        chains=(*system.chains, Chain(name, len(system.tasks), (Stage((index,)),))),
        may_come=(*system.may_come, index),
    )


def _without_time(asked: Asked) -> Asked:
    return replace(asked, work=replace(asked.work, exchange_ns=0, slot_ns=0, rest_ns=0, typical_ns=0))
