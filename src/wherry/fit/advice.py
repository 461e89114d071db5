"""What to look at next: the observation that decides most, found by trying.

For each way that is left, taken as the true one, the registers are imagined as they would be if the quantity showed
some other value, and the search is made again among the ways left. Values are taken from the stretches between which
the ways begin to differ: zero, the ends of each type, and what was shown already.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise
from typing import Final

from wherry.fit.cover import best_cover, range_of_cover
from wherry.fit.facts import Interval, Quantity
from wherry.fit.forms import MODULO_BASE, Family, Form, encode, number_at
from wherry.fit.search import Field, Way
from wherry.fit.verdict import Ranked, Verdict

WAYS_MAX: Final = 40
"""The likeliest ways that are told apart (a choice of ours)."""
BOUNDS_MAX: Final = 20
STRETCHES_MAX: Final = 3
NEARBY: Final = 200
"""So many times what was shown is as far as a value is asked for, where no range is known."""
DECIMALS_MAX: Final = 9
FINER_MAX: Final = 4
"""How many digits more a display may be asked for."""
TELLING: Final = 1000
"""A value of so many last digits is hardly met by accident twice."""
PARTS: Final = (Fraction(31, 100), Fraction(57, 100), Fraction(83, 100))
"""Where in a stretch its values are tried."""

Stretch = tuple[Fraction | None, Fraction | None]
"""Values above the first and below the second; None where there is no end. Both the same: exactly that value."""


@dataclass(frozen=True, slots=True)
class Advice:
    """What would decide: all of it together, as far as it can be done.

    ``is_any_other``: read again when any other value is shown, with at least ``decimals`` decimals; and when the value
    lies in one of the ``stretches``. ``wants_range``: no range was declared, and one would help; ``range``: the widest
    within which ``best`` is right, whichever is the truth. ``decided``: the share of the ways, by how likely they are,
    that the readings decide if they are true.
    """

    is_any_other: bool
    decimals: int
    stretches: tuple[Stretch, ...]
    decided: float
    wants_range: bool
    range: tuple[Fraction, Fraction] | None
    best: Way | None


def advise(field: Field, verdict: Verdict) -> Advice | None:
    """What would decide; None if it is decided, or nothing is left to decide between."""
    if verdict.is_decided or not verdict.ranked:
        return None
    quantity = verdict.quantity
    ranked = [each for each in verdict.ranked if each.way.scale is not None][:WAYS_MAX]
    if not ranked:
        return Advice(True, _decimals(_digit(quantity)), (), 0.0, False, None, None)
    tried = _Trial(field, quantity, ranked)
    decided, digit = _any_other(tried, verdict)
    within_reach = [each for each in tried.stretches if quantity.range is not None or _is_near(each, tried.shown)]
    results = {stretch: tried.decided_in(stretch, digit) - decided for stretch in within_reach}
    chosen, more = _choose(results, ranked)
    share = sum(each.share for at, each in enumerate(ranked) if at in decided | more)
    best, within = _narrow(verdict)
    total = sum(each.share for each in ranked)
    wants_range = quantity.range is None and not verdict.is_accident
    is_any_other = bool(decided) or verdict.is_accident or not tried.shown or not wants_range
    return Advice(is_any_other, _decimals(digit), tuple(chosen), share / total, wants_range, within, best)


def _digit(quantity: Quantity) -> Fraction:
    """The finest last digit that was shown."""
    return min((seen.digit for seen in quantity.shows.values()), default=Fraction(1, 100))


def _decimals(digit: Fraction) -> int:
    decimals = 0
    while digit < 1 and decimals < DECIMALS_MAX:
        digit *= 10
        decimals += 1
    return decimals


def _any_other(tried: _Trial, verdict: Verdict) -> tuple[frozenset[int], Fraction]:
    """What another value near the last one decides, and the last digit that it takes: the coarsest that does as well
    as any finer one."""
    best: frozenset[int] = frozenset()
    digit = chosen = tried.digit
    for _ in range(FINER_MAX + 1):
        found = [tried.decided_in(stretch, digit) for stretch in tried.beside_shown()]
        decided = frozenset.intersection(*found) if found else frozenset()
        if len(decided) > len(best):
            best, chosen = decided, digit
        digit /= 10
    if verdict.is_accident and tried.shown and tried.shown[-1]:
        # Only accidents are against it, and they are told by the number of digits.
        finest = _step(verdict.best)
        while chosen * TELLING > abs(tried.shown[-1]) and chosen > finest:
            chosen /= 10
    return best, chosen


def _step(best: Way | None) -> Fraction:
    """The finest step of a value that a way can show."""
    if best is None or best.scale is None or not best.form.is_whole:
        return Fraction(0)
    return abs(best.scale.line.factor)


def _is_near(stretch: Stretch, shown: Sequence[Fraction]) -> bool:
    """Whether a stretch begins where the value may well come."""
    most = NEARBY * max([abs(each) for each in shown], default=Fraction(1))
    return any(end is not None and abs(end) <= most for end in stretch)


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
    if verdict.count > min(WAYS_MAX, len(verdict.ranked)) or verdict.quantity.range is not None:
        return None, None
    ways = [each.way for each in verdict.ranked]
    shows = [seen.number for seen in verdict.quantity.shows.values()]
    best: tuple[Way | None, tuple[Fraction, Fraction] | None] = None, None
    for way in ways:
        within = range_of_cover(way, ways, shows)
        if within is not None and (best[1] is None or within[1] - within[0] > best[1][1] - best[1][0]):
            best = way, within
    return best


def _ends(form: Form) -> Iterator[int]:
    """The ends of the range of a form, and of what its lowest bytes and words hold."""
    yield from (int(end) for end in form.limits)
    for words in range(1, form.registers):
        if form.family is Family.MODULO:
            yield MODULO_BASE**words - 1
        elif form.family is not Family.BCD:
            yield (1 << 16 * words) - 1
            yield (1 << 16 * words - 1) - 1
    if form.family is Family.BCD:
        yield from (100**parts - 1 for parts in range(1, 2 * form.registers))


class _Trial:
    """The ways that are left, and what each would read if another were true."""

    def __init__(self, field: Field, quantity: Quantity, ranked: Sequence[Ranked]) -> None:
        self.quantity = quantity
        self.ways = [each.way for each in ranked]
        last = len(field.readings) - 1
        self.words = [field.words(way, last) or (0,) * way.form.registers for way in self.ways]
        self.now = [field.value(way, last) for way in self.ways]
        self.digit = _digit(quantity)
        self.shown = [seen.number for _, seen in sorted(quantity.shows.items())]
        self.stretches = self._stretches()

    def _stretches(self) -> list[Stretch]:
        """From one bound to the next, within the declared range."""
        bounds = set(self.shown) | {Fraction(0)}
        for way in self.ways:
            if way.form.is_whole and way.scale is not None:
                line = way.scale.line
                bounds |= {end * line.factor + line.offset for end in _ends(way.form)}
        within = self.quantity.range
        if within is not None:
            bounds = {each for each in bounds if within.low < each < within.high} | {within.low, within.high}
        centre = self.shown[-1] if self.shown else Fraction(0)
        near = sorted(sorted(bounds, key=lambda each: abs(each - centre))[:BOUNDS_MAX])
        ends: list[Fraction | None] = [*near] if within is not None else [None, *near, None]
        exactly = [(each, each) for each in (within.low, within.high)] if within is not None else []
        return [*pairwise(ends), *exactly]

    def beside_shown(self) -> list[Stretch]:
        """Those that begin or end where the value is now."""
        return [each for each in self.stretches if self.shown and self.shown[-1] in each and each[0] != each[1]]

    def values_in(self, stretch: Stretch, digit: Fraction) -> list[Fraction]:
        """A few values of a stretch, to the digits of the display."""
        low, high = stretch
        if low is not None and low == high:
            return [low]
        if low is None or high is None:
            end = (high if low is None else low) or Fraction(0)
            away = max(abs(end), 100 * digit)
            made = [end + (away if high is None else -away) * part for part in PARTS]
        else:
            made = [low + (high - low) * part for part in PARTS]
        made = [round(each / digit) * digit for each in made]
        return [each for each in made if (low is None or each > low) and (high is None or each < high)]

    def decided_in(self, stretch: Stretch, digit: Fraction) -> frozenset[int]:
        """The ways that, if true, would be known to be by a reading in this stretch, at each of its values tried."""
        result = set()
        values = self.values_in(stretch, digit)
        for at, way in enumerate(self.ways):
            outcomes = [self._is_decided(at, way, value, digit) for value in values]
            held = [each for each in outcomes if each is not None]
            if held and all(held):
                result.add(at)
        return frozenset(result)

    def _is_decided(self, at: int, way: Way, value: Fraction, digit: Fraction) -> bool | None:
        """Whether the way would be known by a reading of this value; None if it cannot hold it."""
        assert way.scale is not None
        number = way.scale.number(value)
        whole = round(number) if way.form.is_whole else float(number)
        try:
            words = encode(way.form, whole)
        except (ValueError, OverflowError):
            return None
        value = Fraction(whole) * way.scale.line.factor + way.scale.line.offset if way.form.is_whole else value
        seen = Interval(value - digit, value + digit, is_open=True)
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
