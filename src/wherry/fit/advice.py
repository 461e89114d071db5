"""What to look at next: the observation that decides most, found by trying.

For each way that is left, taken as the true one, the registers are imagined as they would be if the quantity showed
some other value, and the search is made again among the ways left. Values are taken from the stretches between which
the ways begin to differ: zero, the ends of each type, and what was shown already.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise
from typing import Final

from wherry.fit.cover import best_cover, range_of_cover
from wherry.fit.facts import Interval, Quantity
from wherry.fit.forms import encode, number_at
from wherry.fit.search import Field, Way
from wherry.fit.verdict import COVER_MAX, Ranked, Verdict

WAYS_MAX: Final = 40
"""The likeliest ways that are told apart (a choice of ours)."""
BOUNDS_MAX: Final = 12
STRETCHES_MAX: Final = 3
PARTS: Final = (Fraction(31, 100), Fraction(57, 100), Fraction(83, 100))
"""Where in a stretch its values are tried."""

Stretch = tuple[Fraction | None, Fraction | None]
"""Values above the first and below the second; None where there is no end."""


@dataclass(frozen=True, slots=True)
class Advice:
    """What would decide. ``stretches``: read again when the value lies in one of these. ``is_any_other``: any other
    value than those shown will do. ``decided``: the share of the ways, by how likely they are, that this decides if
    they are true. ``range``: if the value always stays within, declaring that decides for ``best``."""

    stretches: tuple[Stretch, ...]
    is_any_other: bool
    decided: float
    range: tuple[Fraction, Fraction] | None
    best: Way | None
    decimals: int = 0
    """How many decimals the display must show for that; 0: as many as before."""


def advise(field: Field, verdict: Verdict) -> Advice | None:
    """What would decide; None if it is decided, or nothing is left to decide between."""
    if verdict.is_decided or not verdict.ranked:
        return None
    ranked = [each for each in verdict.ranked if each.way.scale is not None][:WAYS_MAX]
    if not ranked:
        return Advice((), True, 0.0, None, None)
    tried = _Trial(field, verdict.quantity, ranked)
    stretches = tried.stretches()
    results = {stretch: tried.decided_in(stretch) for stretch in stretches}
    chosen, decided = _choose(results, ranked)
    others = [results[stretch] for stretch in tried.beside_shown(stretches)]
    # A stretch beside what is shown now is the first that the value comes to: then any other value will do.
    is_any_other = bool(others) and all(decided <= each for each in others)
    share = sum(each.share for at, each in enumerate(ranked) if at in decided) / sum(each.share for each in ranked)
    best, within = _narrow(verdict)
    return Advice(tuple(chosen), is_any_other or not chosen, share, within, best)


def _choose(results: dict[Stretch, frozenset[int]], ranked: Sequence[Ranked]) -> tuple[list[Stretch], frozenset[int]]:
    """The few stretches that together decide most, the best first."""
    chosen: list[Stretch] = []
    decided: frozenset[int] = frozenset()
    while len(chosen) < STRETCHES_MAX:
        gains = {stretch: sum(ranked[at].share + 1e-9 for at in found - decided) for stretch, found in results.items()}
        best = max(gains, key=lambda stretch: gains[stretch], default=None)
        if best is None or not gains[best]:
            break
        chosen.append(best)
        decided |= results[best]
    return chosen, decided


def _narrow(verdict: Verdict) -> tuple[Way | None, tuple[Fraction, Fraction] | None]:
    """The range in which one way is right whichever is true, if there is one that has all that was shown."""
    if verdict.count > min(COVER_MAX, len(verdict.ranked)):
        return None, None
    ways = [each.way for each in verdict.ranked]
    shows = [seen.number for seen in verdict.quantity.shows.values()]
    best: tuple[Way | None, tuple[Fraction, Fraction] | None] = None, None
    for way in ways:
        within = range_of_cover(way, ways)
        if within is None or not all(within[0] <= number <= within[1] for number in shows):
            continue
        if best[1] is None or within[1] - within[0] > best[1][1] - best[1][0]:
            best = way, within
    return best


class _Trial:
    """The ways that are left, and what each would read if another were true."""

    def __init__(self, field: Field, quantity: Quantity, ranked: Sequence[Ranked]) -> None:
        self.quantity = quantity
        self.ways = [each.way for each in ranked]
        last = len(field.readings) - 1
        self.words = [field.words(way, last) or (0,) * way.form.registers for way in self.ways]
        self.now = [field.value(way, last) for way in self.ways]
        digits = [seen.digit for seen in quantity.shows.values()]
        fine = [abs(way.scale.line.factor) for way in self.ways if way.scale is not None and way.form.is_whole]
        self.digit = min(digits) if digits else min(fine, default=Fraction(1, 100))
        self.shown = [seen.number for _, seen in sorted(quantity.shows.items())]

    def stretches(self) -> list[Stretch]:
        """From one bound to the next, within the declared range."""
        bounds = set(self.shown) | {Fraction(0)}
        for way in self.ways:
            if way.form.is_whole and way.scale is not None:
                line = way.scale.line
                bounds |= {int(end) * line.factor + line.offset for end in way.form.limits}
        within = self.quantity.range
        if within is not None:
            bounds = {each for each in bounds if within.low < each < within.high} | {within.low, within.high}
        centre = self.shown[-1] if self.shown else Fraction(0)
        near = sorted(sorted(bounds, key=lambda each: abs(each - centre))[:BOUNDS_MAX])
        ends: list[Fraction | None] = [*near] if within is not None else [None, *near, None]
        return list(pairwise(ends))

    def beside_shown(self, stretches: Sequence[Stretch]) -> list[Stretch]:
        """Those that begin or end where the value is now."""
        return [each for each in stretches if self.shown and self.shown[-1] in each]

    def values_in(self, stretch: Stretch) -> list[Fraction]:
        """A few values of a stretch, to the digits of the display."""
        low, high = stretch
        if low is None or high is None:
            end = (high if low is None else low) or Fraction(0)
            away = max(abs(end), 100 * self.digit)
            made = [end + (away if high is None else -away) * part for part in PARTS]
        else:
            made = [low + (high - low) * part for part in PARTS]
        made = [round(each / self.digit) * self.digit for each in made]
        return [each for each in made if (low is None or each > low) and (high is None or each < high)]

    def decided_in(self, stretch: Stretch) -> frozenset[int]:
        """The ways that, if true, would be known to be by a reading in this stretch, at each of its values tried."""
        result = set()
        for at, way in enumerate(self.ways):
            outcomes = [self._is_decided(at, way, value) for value in self.values_in(stretch)]
            held = [each for each in outcomes if each is not None]
            if held and all(held):
                result.add(at)
        return frozenset(result)

    def _is_decided(self, at: int, way: Way, value: Fraction) -> bool | None:
        """Whether the way would be known by a reading of this value; None if it cannot hold it."""
        assert way.scale is not None
        number = way.scale.number(value)
        whole = round(number) if way.form.is_whole else float(number)
        try:
            words = encode(way.form, whole)
        except (ValueError, OverflowError):
            return None
        value = Fraction(whole) * way.scale.line.factor + way.scale.line.offset if way.form.is_whole else value
        seen = Interval(value - self.digit, value + self.digit, is_open=True)
        held = {way.address + offset: word for offset, word in enumerate(words)}
        left = [other for index, other in enumerate(self.ways) if index == at or self._reads(index, way, held, seen)]
        return best_cover(left, self.quantity.range) is not None

    def _reads(self, index: int, truth: Way, held: dict[int, int], seen: Interval) -> bool:
        """Whether one way would read the value too, if the true one's registers held it."""
        way = self.ways[index]
        value = self.now[index]
        if way.table is truth.table and any(way.address + each in held for each in range(way.form.registers)):
            words = [held.get(way.address + offset, word) for offset, word in enumerate(self.words[index])]
            number = number_at(way.form, words)
            if number is None or way.scale is None:
                return False
            value = Fraction(number) * way.scale.line.factor + way.scale.line.offset
        return value is not None and value in seen
