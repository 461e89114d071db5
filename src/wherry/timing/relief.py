"""What to slow down when a plan does not fit: the fewest transfers, and no more than needed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Final

from wherry.timing.budget import Budget, budget, late_ns_of
from wherry.timing.margins import at_periods, can_fit, does_fit, is_small, longer, with_periods

WORK_MAX: Final = 12_000
"""So many requests are looked at, summed over all that is tried; the likeliest come first."""
TRIES_MIN: Final = 12
LOOKS_MAX: Final = 200_000
"""The same for the quick look at loads alone."""
LARGE: Final = 40_000
"""As for margins: a plan with more is not looked at release by release."""
ROUNDING: Final = 1e-9
TOGETHER_MAX: Final = 4
"""Beyond so many transfers, all that matter are slowed down together."""


@dataclass(frozen=True, slots=True)
class Slower:
    """One transfer, and the period with which all fits."""

    transfer: str
    now_ns: int
    then_ns: int


@dataclass(frozen=True, slots=True)
class Relief:
    """The fewest transfers to slow down so that everything fits, by round periods."""

    transfers: tuple[Slower, ...]
    is_fewest: bool
    """Whether no smaller set would do; else it is the smallest of those that were tried."""


def relief(found: Budget) -> Relief | None:
    """What to slow down; None when everything fits, or when no periods help (a cycle that takes its time alone)."""
    if found.fits:
        return None
    return _Search(found).run()


class _Search:
    def __init__(self, found: Budget) -> None:
        self.found = found
        self.late_ns = late_ns_of(found.conditions, found.measured)
        self.periods_ns = {each.name: each.period_ns for each in found.transfers}
        self.tries_left = max(TRIES_MIN, WORK_MAX // max(1, len(found.system.requests)))
        self.looks_left = LOOKS_MAX // max(1, len(found.system.requests))
        self.is_sure = True
        """Whether all sets that were refused surely do not do."""
        self.loads = _Loads(found)
        # Most of the load of what is over its limits first: one of them helps most.
        shares = _shares(found)
        self.names = sorted((each.name for each in found.transfers), key=lambda name: -shares[name])

    def run(self) -> Relief | None:
        for count in range(1, min(TOGETHER_MAX, len(self.names)) + 1):
            best: dict[str, int] | None = None
            is_fewest = self.is_sure
            for names in combinations(self.names, count):
                if self.tries_left <= 0 or self.looks_left <= 0:
                    self.is_sure = False
                    break
                slower = self._slow_down(names, best)
                if slower is not None and (best is None or self._stretch(slower) < self._stretch(best)):
                    best = slower
            if best is not None:
                return self._relief(best, is_fewest=is_fewest)
            if self.tries_left <= 0:
                break
        slower = self._slow_all()
        return None if slower is None else self._relief(slower, is_fewest=False)

    def _slow_all(self) -> dict[str, int] | None:
        """All of them, as if what fits with some periods fits with longer ones, too."""
        ladders = {name: longer(self.periods_ns[name]) for name in self.names}
        low, high = -1, min(len(each) for each in ladders.values())
        best = None
        while high - low > 1:
            middle = (low + high) // 2
            slower = {name: ladder[middle] for name, ladder in ladders.items()}
            if does_fit(at_periods(self.found, slower), self.late_ns):
                high, best = middle, slower
            else:
                low = middle
        return best

    def _relief(self, slower: dict[str, int], *, is_fewest: bool) -> Relief:
        return Relief(
            tuple(Slower(name, self.periods_ns[name], then_ns) for name, then_ns in slower.items()), is_fewest
        )

    def _stretch(self, slower: dict[str, int]) -> float:
        """The product of how many times as long they become."""
        product = 1.0
        for name, then_ns in slower.items():
            product *= then_ns / self.periods_ns[name]
        return product

    def _slow_down(self, names: tuple[str, ...], best: dict[str, int] | None) -> dict[str, int] | None:
        """The least that these must be slowed down, all to the next round period at a time; None: it does not help."""
        if self.loads.is_too_much_without(names):
            return None
        self.looks_left -= 1
        ladders = [longer(self.periods_ns[name]) for name in names]
        steps = min(len(each) for each in ladders)

        def at(step: int) -> dict[str, int]:
            return {name: ladder[step] for name, ladder in zip(names, ladders, strict=True)}

        if not steps or not can_fit(at_periods(self.found, at(steps - 1))):
            return None
        low, high = -1, steps - 1
        while high - low > 1:
            # The load falls with each step, so that the first one with which it can fit is soon found.
            middle = (low + high) // 2
            if can_fit(at_periods(self.found, at(middle))):
                high = middle
            else:
                low = middle
        for step in range(high, steps):
            slower = at(step)
            if best is not None and self._stretch(slower) >= self._stretch(best):
                return None
            if self.tries_left <= 0:
                self.is_sure = False
                return None
            self.tries_left -= 1
            system = at_periods(self.found, slower)
            if does_fit(system, self.late_ns, LARGE):
                return slower
            self.is_sure = self.is_sure and is_small(system, LARGE)
        return None


class _Loads:
    """The load of each address, and what of it belongs to each transfer alone."""

    def __init__(self, found: Budget) -> None:
        self._whole = [0.0] * len(found.system.lanes)
        self._own: dict[str, list[float]] = {each.name: [0.0] * len(self._whole) for each in found.transfers}
        self._is_shared = False
        for each in found.system.requests:
            load = each.work.slot_ns / found.system.tasks[each.task].period_ns
            self._whole[each.lane] += load
            names = {transfer for transfer, _ in each.carries}
            self._is_shared = self._is_shared or len(names) > 1
            if len(names) == 1 and not names.isdisjoint(self._own):
                self._own[names.pop()][each.lane] += load

    def is_too_much_without(self, names: Sequence[str]) -> bool:
        """Whether an address has too much to do even if these ask nothing at all. False where it is not known: where
        transfers read together, each of them may change what the others need."""
        if self._is_shared:
            return False
        return any(
            whole - sum(self._own[name][lane] for name in names) > 1 + ROUNDING
            for lane, whole in enumerate(self._whole)
        )


def _shares(found: Budget) -> dict[str, float]:
    """The load that each transfer puts on addresses that are over their limits, or where something is late."""
    shares = {each.name: 0.0 for each in found.transfers}
    late = {each.name for each in found.transfers if not each.fits}
    full = {
        index
        for index, line in enumerate(found.lines)
        if line.utilisation > 1 or found.bounds.busy_ns[index] is None or _serves(found, index, late)
    }
    chains = found.system.chains
    for each in found.system.requests:
        name = chains[each.chain].name
        if each.lane in full and name in shares:
            shares[name] += each.work.slot_ns / found.system.tasks[each.task].period_ns
    return shares


def _serves(found: Budget, lane: int, names: set[str]) -> bool:
    chains = found.system.chains
    return any(each.lane == lane and chains[each.chain].name in names for each in found.system.requests)


def slowed_down(found: Budget, relieved: Relief) -> Budget:
    """The budget of the plan with the periods of a relief."""
    periods_ns = {each.transfer: each.then_ns for each in relieved.transfers}
    return budget(with_periods(found.plan, periods_ns), found.measured, found.conditions)
