"""When something was wrong in a rehearsal, and how long it may take to mend."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable, Mapping
from typing import Final

from wherry.clock import NS_PER_MS, NS_PER_S
from wherry.plan.model import Plan
from wherry.rehearse.tap import Head
from wherry.simulate.fault_kinds import FaultKind, PlannedFault

UNIT_ALONE_NS_MAX: Final = 30 * NS_PER_S
UNIT_ALONE_SHARE: Final = 10
"""A unit that does not answer is left alone for half a minute at most, or until asking takes a tenth of the time
(docs/run.md)."""
HOUR_NS: Final = 3600 * NS_PER_S
CALM: Final = frozenset({FaultKind.FROZEN, FaultKind.PIECES})
"""Kinds that leave a controller able to take and answer every request in time."""


def mend_ns(plan: Plan, name: str) -> int:
    """After this time a controller that is there again is asked again: time-outs, the longest wait, one more.

    A unit behind a gateway that did not answer is left alone for longer, and asked with the next cycle after that."""
    controller = plan.controller(name)
    wait_ns = 5 * controller.limits.timeout_ns + 2 * controller.limits.reconnect_ns_max
    sharing = [each for each in plan.controllers if (each.host, each.port) == (controller.host, controller.port)]
    if len(sharing) > 1:
        timeout_ns = max(each.limits.timeout_ns for each in sharing)
        wait_ns += max(UNIT_ALONE_NS_MAX, UNIT_ALONE_SHARE * len(sharing) * timeout_ns)
        wait_ns += max(each.period_ns for each in plan.transfers)
    if any(each.limits.connects_per_hour for each in sharing):
        # All of this hour's attempts may have been used up.
        wait_ns += HOUR_NS
    return wait_ns


def recovery_ns(plan: Plan) -> int:
    """Within this time after the last fault every transfer must be Good again: both its lines are mended, and some
    cycles after that have come round."""
    longest = 0
    for transfer in plan.transfers:
        wait = sum(mend_ns(plan, name) for name in (transfer.source, transfer.destination))
        longest = max(longest, wait + 2 * transfer.max_age_ns + 4 * transfer.period_ns)
    return longest


Windows = Mapping[tuple[str, int], tuple[tuple[int, ...], tuple[int, ...]]]
"""Starts and ends by address."""


class Weather:
    """What was wrong when, by the address of a controller: whoever shares it is troubled too."""

    def __init__(self, plan: Plan, faults: Iterable[PlannedFault], latency_ns_max: Mapping[str, int]) -> None:
        self._plan = plan
        self._by_name = {each.name: (each.host, each.port) for each in plan.controllers}
        self._latency_ns_max = latency_ns_max
        self._drains: dict[str, tuple[int, int]] = {}
        self.start_ns = 0
        self.heads: Mapping[tuple[str, bytes], Head] = {}
        windows: dict[tuple[str, int], list[tuple[int, int]]] = {}
        all_windows: dict[tuple[str, int], list[tuple[int, int]]] = {}
        for fault in faults:
            address = self._by_name[fault.controller]
            window = (fault.start_ns, fault.end_ns + mend_ns(plan, fault.controller))
            all_windows.setdefault(address, []).append(window)
            if fault.kind not in CALM:
                windows.setdefault(address, []).append(window)
        self._windows = {address: _joined(each) for address, each in windows.items()}
        self._all_windows = {address: _joined(each) for address, each in all_windows.items()}

    def troubled(self, name: str, start_ns: int, end_ns: int) -> bool:
        """Whether anything was wrong between two instants of the loop's time, or may not have been mended yet."""
        return self._is_in(self._windows, name, start_ns, end_ns)

    def disturbed(self, name: str, start_ns: int, end_ns: int) -> bool:
        """The same, of any fault: also one that leaves the controller able to answer in time."""
        return self._is_in(self._all_windows, name, start_ns, end_ns)

    def _is_in(self, windows: Windows, name: str, start_ns: int, end_ns: int) -> bool:
        starts, ends = windows.get(self._by_name[name], ((), ()))
        # The last one that begins before the end: those before it ended before it began.
        position = bisect_left(starts, end_ns - self.start_ns) - 1
        return position >= 0 and ends[position] > start_ns - self.start_ns

    def drain_ns(self, name: str) -> int:
        """How long it takes at most until one of each request that is made at an address has been answered."""
        known, drain_ns = self._drains.get(name, (-1, 0))
        if known != len(self.heads):
            drain_ns = 0
            for (other, _), head in self.heads.items():
                if self._by_name[other] == self._by_name[name]:
                    controller = self._plan.controller(other)
                    limits, response = controller.limits, controller.response
                    spacing_ns = round(NS_PER_S / limits.requests_per_s) if limits.requests_per_s else 0
                    drain_ns += response.fixed_ns + response.per_register_ns * head.count + limits.gap_ns + spacing_ns
                    drain_ns += 2 * self._latency_ns_max[other] + NS_PER_MS
            self._drains[name] = (len(self.heads), drain_ns)
        return drain_ns


def _joined(windows: Iterable[tuple[int, int]]) -> tuple[tuple[int, ...], tuple[int, ...]]:
    """Starts and ends of the union, in order."""
    starts: list[int] = []
    ends: list[int] = []
    for start, end in sorted(windows):
        if ends and start <= ends[-1]:
            ends[-1] = max(ends[-1], end)
        else:
            starts.append(start)
            ends.append(end)
    return tuple(starts), tuple(ends)
