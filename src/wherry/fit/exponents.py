"""Values with their power of ten in a register of its own, as an int16 (SunSpec Device Information Model 1.2, 6.4:
scale factors from -10 to 10; other devices do the like)."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from functools import lru_cache
from typing import TYPE_CHECKING, Final

import numpy as np

from wherry.fit.bounds import number_bounds, within
from wherry.fit.facts import Interval, Quantity
from wherry.fit.forms import Flags, Form
from wherry.fit.registers import Addresses, Registers
from wherry.fit.scales import Ratio
from wherry.values.scaling import Line

if TYPE_CHECKING:
    from wherry.fit.search import Group

EXPONENT_MAX: Final = 10
POWERS: Final = range(-EXPONENT_MAX, EXPONENT_MAX + 1)


@lru_cache(maxsize=64)
def scale_of(word: int) -> Ratio | None:
    """The scale that a register's content means; None if it is no exponent."""
    power = word - 0x10000 if word & 0x8000 else word
    if abs(power) > EXPONENT_MAX:
        return None
    return Ratio(Line(Fraction(10) ** power), f"x 10^{power}", 1.0)


def group(registers: Registers, form: Form, quantity: Quantity, intervals: Sequence[Interval | None]) -> Group | None:
    """Each place with each exponent register that together fit all readings."""
    from wherry.fit.search import Group, allowed

    if registers.size < form.registers:
        return None
    at: Addresses = np.arange(registers.base, registers.stop - form.registers + 1)
    at = at[allowed(quantity, registers.table, at)]
    spans = [span for span in quantity.exponent if span.table is registers.table]
    near = [address for span in spans for address in range(span.start, span.stop)]
    powers: Addresses = np.array([each for each in near if registers.base <= each < registers.stop], dtype=np.int64)
    if not len(at) or not len(powers):
        return None
    # Rows: places; columns: exponent registers. A place is not its own exponent.
    keep: Flags = ~((powers >= at[:, None]) & (powers < at[:, None] + form.registers))
    seen = np.zeros(keep.shape, dtype=np.bool_)
    for reading, interval in enumerate(intervals):
        if interval is None:
            continue
        values, valid, whole = registers.numbers(form, reading, at)
        known = registers.known[reading][powers - registers.base]
        contents = registers.words[reading][powers - registers.base]
        for word in np.unique(contents):
            columns = np.flatnonzero((contents == word) & known)
            scale = scale_of(int(word))
            fits = (
                valid & within(values, number_bounds(form, interval, scale))
                if scale is not None
                else np.zeros_like(whole)
            )
            keep[:, columns] &= (fits | ~whole)[:, None]
        seen |= whole[:, None] & known[None, :]
    rows, columns = np.nonzero(keep & seen)
    return Group(registers.table, form, None, at[rows], powers[columns])
