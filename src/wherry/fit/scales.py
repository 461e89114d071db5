"""From the number in the registers to the value: the straight lines that are tried.

Powers of ten, halves and quarters, and the spans in which analogue inputs count 4 to 20 mA: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction
from typing import Final

from wherry.fit.forms import Family
from wherry.values.scaling import Line

POWER_MAX: Final = 4
"""Powers of ten are tried from 10^-4 to 10^4. A choice of ours: finer steps than 0.0001 are seldom kept as whole
numbers, and units differ by a thousand."""


DECIMAL_POWER_MIN: Final = -3
_BINARY: Final = frozenset({Family.INT, Family.UINT, Family.FLOAT})
_WHOLE: Final = frozenset({Family.INT, Family.UINT})


@dataclass(frozen=True, slots=True)
class Ratio:
    """One scale: ``value = number * factor + offset``, exactly; ``words`` for people, ``weight`` before any evidence.

    ``families``: what it is tried on; empty: everything.
    """

    line: Line
    words: str
    weight: float
    families: frozenset[Family] = frozenset()

    def fits(self, family: Family) -> bool:
        """Whether it is tried on numbers of this family."""
        return not self.families or family in self.families

    def number(self, value: Fraction) -> Fraction:
        """The number that stands for a value."""
        return (value - self.line.offset) / self.line.factor


def _powers() -> Iterable[Ratio]:
    weights = {0: 0.4, -1: 0.22, -2: 0.16, -3: 0.08, -4: 0.01, 1: 0.02, 2: 0.01, 3: 0.03, 4: 0.002}
    for power in range(-POWER_MAX, POWER_MAX + 1):
        words = "1" if power == 0 else f"x {10**power}" if power > 0 else f"/ {10**-power}"
        # Decimal digits are not kept for the sake of tens or hundreds of something, nor finer than anything shown.
        families = frozenset() if DECIMAL_POWER_MIN <= power <= 0 else _BINARY
        yield Ratio(Line(Fraction(10) ** power), words, weights[power], families)


USUAL: Final[tuple[Ratio, ...]] = (
    *_powers(),
    Ratio(Line(Fraction(1, 2)), "/ 2", 0.02, _WHOLE),
    Ratio(Line(Fraction(1, 4)), "/ 4", 0.01, _WHOLE),
)
"""What is tried unless the user says otherwise. The weights are a stated prior (common practice, no source)."""

CURRENT_SPANS: Final[tuple[tuple[int, int], ...]] = (
    (4, 20), (40, 200), (400, 2000), (4000, 20000), (0, 1000), (0, 10000), (0, 4095), (819, 4095), (0, 27648),
    (0, 32767), (6400, 32000), (0, 65535), (13107, 65535), (0, 100), (0, 16383),
)  # fmt: skip
"""What an analogue input may count at 4 and at 20 mA: mA with none to three decimals, parts of the span, 12, 15 and 16
bit converters, with the four milliamperes below zero or counted in (common practice, no source)."""


def spans(low: Fraction, high: Fraction) -> tuple[Ratio, ...]:
    """The lines on which 4 to 20 mA stand for ``low`` to ``high``."""
    made = []
    for first, last in CURRENT_SPANS:
        factor = (high - low) / (last - first)
        line = Line(factor, low - factor * first)
        made.append(Ratio(line, f"{first}..{last} is 4..20 mA", 0.3 / len(CURRENT_SPANS)))
    return tuple(made)


def of_line(factor: Fraction, offset: Fraction = Fraction(0)) -> Ratio:
    """A scale that the user gives."""
    return Ratio(Line(factor, offset), words_of(Line(factor, offset)), 1.0)


def words_of(line: Line) -> str:
    """A line for people: ``x 0.1 - 40``."""
    factor, offset = line.factor, line.offset
    known = next((each.words for each in USUAL if each.line.factor == factor), f"x {decimal(factor)}")
    if not offset:
        return known
    return f"{known} {'+' if offset > 0 else '-'} {decimal(abs(offset))}"


def decimal(number: Fraction) -> str:
    """A number for people: whole as it is, else with up to nine significant digits."""
    return str(number.numerator) if number.denominator == 1 else f"{float(number):.9g}"
