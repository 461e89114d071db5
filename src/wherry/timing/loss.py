"""How long it takes until a receiver's registers tell that the source is lost.

When the last delivery is older than ``max_age`` a write of the status registers is asked for. From the last instant
before at which its address had nothing to do for anybody but the lost source, the address does not rest until the write
is answered: whatever waits for it, and what comes meanwhile, is all there is to wait for. Cycles of one transfer never
overlap, so that within a span there are at most those of one period more than fit into it, however late they are.

A source that does not answer tells of itself: each transfer of it may have its status written twice in a period, when
it is released and when its reading has failed, and the substitutes go to the places of the values.

Where the source is reached through the same address as the receiver, asking it in vain keeps the address for a time-out
each time. One may be under way; after one more the unit is left alone, because another has answered in between, and is
asked again at intervals of ten time-outs and more. That holds where all go in turns on one connection that lasts. Else
there is no bound, and ``why`` says so.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from wherry.limits import PROBE_SHARE, PROBE_WAIT_NS
from wherry.plan.model import Framing
from wherry.timing.bounds import Bounds
from wherry.timing.system import Chain, Lane, System

STATUS_PER_PERIOD: Final = 2
"""So often a transfer without a source writes its status in a period: when it is released, and when it has failed."""
SPAN_PERIODS_MAX: Final = 64
"""What is not over after so many of the longest periods has no bound worth the name."""


@dataclass(frozen=True, slots=True)
class Told:
    """``wait_ns``: from the instant at which the loss is noticed until it is told, at the most; None: no bound, and
    ``why`` says in words why not."""

    wait_ns: int | None
    why: str = ""


class Losses:
    """The losses of the sources of a system."""

    def __init__(self, system: System, bounds: Bounds, late_ns: int) -> None:
        self._system = system
        self._late_ns = late_ns
        self._known: dict[tuple[str, int], Told] = {}
        self._fits = all(_is_in_time(system, bounds, chain) for chain in system.chains)

    def told(self, chain: Chain) -> Told:
        """Of the source of a transfer with status registers."""
        assert chain.transfer is not None
        status = chain.told if chain.told is not None else chain.stages[-1].requests[-1]
        if chain.transfer.source == chain.transfer.destination:
            return Told(None, "source and receiver are one controller")
        key = chain.transfer.source, self._system.requests[status].lane
        if key not in self._known:
            self._known[key] = self._told(*key)
        return self._known[key]

    def _told(self, source: str, at: int) -> Told:
        lane = self._system.lanes[at]
        is_shared = any(each.name == source for each in lane.controllers)
        timeout_ns, probe_ns = 0, 1
        if is_shared:
            why = why_no_bound(lane)
            if why:
                return Told(None, why)
            rest_ns = max(each.work.rest_ns for each in self._system.requests if each.lane == at)
            limits = next(each for each in lane.controllers if each.name == source).limits
            timeout_ns = limits.timeout_ns + rest_ns
            probe_ns = max(PROBE_WAIT_NS, PROBE_SHARE * limits.timeout_ns)
        asked = self._asked(source, at)
        span_ns = _busy_ns(asked, timeout_ns, probe_ns)
        if span_ns is None:
            return Told(None, "its receiver is asked for as much as it can serve")
        # Without its source it may be asked so seldom that its connection is closed.
        waits_ns = [0 if each is None else each.wait_ns for each in self._system.openings[at]]
        return Told(self._late_ns + span_ns + max(waits_ns, default=0))

    def _asked(self, source: str, at: int) -> list[tuple[int, int]]:
        """Slot and period of all that may be asked of the address of the receiver."""
        system = self._system
        asked = [
            (each.work.slot_ns, system.tasks[each.task].period_ns)
            for each in system.requests
            if each.lane == at and each.controller != source
        ]
        lost = next(index for index, lane in enumerate(system.lanes) if _has(lane, source))
        for chain in system.chains:
            if chain.transfer is None or chain.transfer.status is None:
                continue
            status = system.requests[chain.told if chain.told is not None else chain.stages[-1].requests[-1]]
            touches = any(system.requests[each].lane == lost for stage in chain.stages for each in stage.requests)
            if status.lane == at and status.controller != source and (touches or not self._fits):
                count = STATUS_PER_PERIOD - (chain.told is not None)
                asked += [(status.work.slot_ns, system.tasks[chain.task].period_ns)] * count
        return asked


def why_no_bound(lane: Lane) -> str:
    """Why nothing holds where source and receiver share this address; empty where something does."""
    limits = lane.limits[0]
    if lane.controllers[0].framing is Framing.RTU:
        return "source and receiver share a connection that is made anew after each lost reply (rtu+tcp)"
    if len(lane.links) > 1:
        return "source and receiver are behind one address, on connections of their own"
    if limits.in_flight > 1:
        return "source and receiver share a connection on which several requests are under way at once"
    if limits.is_per_exchange or limits.idle_ns is not None:
        return "source and receiver share a connection that is closed now and then"
    if any(each.identity is not None for each in lane.controllers):
        return "source and receiver share a connection on which it is asked who answers"
    return ""


def _has(lane: Lane, controller: str) -> bool:
    return any(each.name == controller for each in lane.controllers)


def _is_in_time(system: System, bounds: Bounds, chain: Chain) -> bool:
    overs = [bounds.windows[at].over_ns for at in chain.stages[-1].requests]
    return all(each is not None and each < system.tasks[chain.task].period_ns for each in overs)


def _busy_ns(asked: Sequence[tuple[int, int]], timeout_ns: int, probe_ns: int) -> int | None:
    """The longest span in which an address does not rest, with the time-outs of one unit in between."""
    span_ns = 1
    longest_ns = SPAN_PERIODS_MAX * (max(period_ns for _, period_ns in asked) + timeout_ns)
    while span_ns <= longest_ns:
        # Those of one period more than fit: cycles do not overlap.
        next_ns = sum((1 - (-span_ns // period_ns)) * slot_ns for slot_ns, period_ns in asked)
        next_ns += (1 - (-span_ns // probe_ns)) * timeout_ns
        if next_ns <= span_ns:
            return span_ns
        span_ns = next_ns
    return None
