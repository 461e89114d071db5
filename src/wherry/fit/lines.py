"""Any straight line: from two readings on, a factor and an offset that nobody declared.

A line through upright bars. With x the numbers and [low, high] where the values lie, a line of slope a goes through all
bars if and only if for every two of them ``low_j - high_i <= a * (x_j - x_i) <= high_j - low_i``. So what is left of
the slopes is one interval, and it is empty exactly if no line fits.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations
from typing import TYPE_CHECKING, Final

import numpy as np
import numpy.typing as npt

from wherry.fit.facts import Interval, Quantity
from wherry.fit.forms import Flags, Form
from wherry.fit.registers import Addresses, Registers

if TYPE_CHECKING:
    from wherry.fit.search import Group

SLACK: Final = 1e-9
"""How much of themselves the limits are widened by, against the rounding of double precision (a choice of ours)."""

Floats = npt.NDArray[np.float64]
Slopes = tuple[Floats, Floats]


def group(registers: Registers, form: Form, quantity: Quantity, intervals: Sequence[Interval | None]) -> Group | None:
    """The addresses at which some line fits what was shown, with the slopes left. None with fewer than two readings."""
    from wherry.fit.search import Group, allowed

    seen = [reading for reading in range(len(intervals)) if reading in quantity.shows]
    if len(seen) < 2 or registers.size < form.registers:
        return None
    at: Addresses = np.arange(registers.base, registers.stop - form.registers + 1)
    at = at[allowed(quantity, registers.table, at)]
    if not len(at):
        return None
    numbers: list[Floats] = []
    known: list[Flags] = []
    for reading in seen:
        values, valid, whole = registers.numbers(form, reading, at)
        numbers.append(np.where(valid, values.astype(np.float64), np.nan))
        known.append(whole)
    low, high = slopes(numbers, [each for reading in seen if (each := intervals[reading]) is not None], known)
    keep = (low <= high) & (np.add.reduce(known, axis=0) >= 2)
    return Group(registers.table, form, None, at[keep], None, (low[keep], high[keep]))


def slopes(numbers: Sequence[Floats], intervals: Sequence[Interval], known: Sequence[Flags]) -> Slopes:
    """Least and greatest slope of the lines through the bars, for many candidates at once; empty where least is
    greater. Not-a-number is on no line; what is not known is no bar."""
    low = np.full(len(numbers[0]), -np.inf)
    high = np.full(len(numbers[0]), np.inf)
    for first, second in combinations(range(len(numbers)), 2):
        with np.errstate(over="ignore"):
            run = numbers[second] - numbers[first]
        least = float(intervals[second].low - intervals[first].high)
        most = float(intervals[second].high - intervals[first].low)
        slack = SLACK * max(abs(least), abs(most))
        least, most = least - slack, most + slack
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            one, other = least / run, most / run
        rises, falls = run > 0, run < 0
        tighter_low = np.where(rises, np.maximum(low, one), np.where(falls, np.maximum(low, other), low))
        tighter_high = np.where(rises, np.minimum(high, other), np.where(falls, np.minimum(high, one), high))
        fits = ~np.isnan(run) & ((run != 0) | (least <= 0 <= most))
        both = known[first] & known[second]
        low = np.where(both, tighter_low, low)
        high = np.where(both, np.where(fits, tighter_high, -np.inf), high)
    return low, high
