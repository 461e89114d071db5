"""How likely is such a match by chance in these registers? Tried, not assumed.

The same search is made for values that nobody shows: the known ones times a factor between a quarter and four, on the
same readings. What matches them matches by chance. To see small chances with few tries, each value may lie eight times
as far off as the real one, which counts an eighth.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from wherry.fit.facts import Quantity
from wherry.fit.forms import Flags, Form, windows
from wherry.fit.registers import Registers
from wherry.fit.scales import Ratio
from wherry.fit.search import Field, Group, allowed, forms_of, scales_of
from wherry.plan.model import Table

DECOYS: Final = 256
WIDENED: Final = 8
SPREAD: Final = 4.0
FOLLOWED_MAX: Final = 20_000
"""Matches of one form that are followed through the other readings; of more, every n-th (a choice of ours)."""

LEFT_OUT_MAX: Final = 100

ACCIDENT_MAX: Final = 1e-3
"""What is left alone is taken for the truth only if so few would be left by chance (a choice of ours)."""

LEAST: Final = 1 / (DECOYS * WIDENED)
"""One more than was seen, out of all tries: never less than what can be told."""

Floats = npt.NDArray[np.float64]
Key = tuple[Table, Form, int]
"""A table, a form, and which of its scales."""


@dataclass(frozen=True)
class Chance:
    """How many matches are to be expected by accident: over all that was searched, and of each form and scale.

    Where nothing was shown, or only zero, there is nothing to try, and ``total`` is None.
    """

    total: float | None
    parts: dict[Key, float]

    def of(self, table: Table, form: Form, scale: int) -> float:
        """What is to be expected of one form on one scale; never less than half of what can be seen at all."""
        return self.parts.get((table, form, scale), 0.0) + 0.5 / (DECOYS * WIDENED)

    def only(self, keep: Callable[[Table, Form, int], bool]) -> Chance:
        """The same for a part of what was searched."""
        parts = {key: hits for key, hits in self.parts.items() if keep(*key)}
        return Chance(None if self.total is None else sum(parts.values()) + LEAST, parts)


@dataclass(frozen=True)
class _Decoys:
    """Shape (readings, decoys): the middle and the half width of where each decoy's value lies."""

    readings: tuple[int, ...]
    middle: Floats
    half: Floats


def _decoys(quantity: Quantity, readings: int) -> _Decoys | None:
    seen = tuple(reading for reading in sorted(quantity.shows) if reading < readings)
    shown = [quantity.shows[reading] for reading in seen]
    if not shown or all(each.number == 0 for each in shown):
        return None
    middles = np.array([float(each.number) for each in shown])
    halves = np.array([float(each.interval.width) / 2 for each in shown])
    digits = np.array([float(each.digit) for each in shown])
    factors = SPREAD ** np.linspace(-1, 1, DECOYS)
    made = middles[:, None] * factors
    made = np.round(made / digits[:, None]) * digits[:, None]
    # A decoy that may be the value itself proves nothing.
    away = np.logical_or.reduce(np.abs(made - middles[:, None]) > 2 * WIDENED * halves[:, None], axis=0)
    return _Decoys(seen, made[:, away], np.repeat(halves[:, None] * WIDENED, int(away.sum()), axis=1))


def chance(field: Field, quantity: Quantity, groups: Sequence[Group]) -> Chance:
    """Matches to be expected by accident, as many ways as the quantity is searched in. Where few ways are left, their
    registers are left out: the quantity itself, taken on another scale, is no accident."""
    decoys = _decoys(quantity, len(field.readings))
    if decoys is None or not decoys.middle.size or quantity.is_any_line or quantity.exponent:
        return Chance(None, {})
    parts: dict[Key, float] = {}
    left = sum(len(group.addresses) for group in groups)
    for registers in field.tables.values():
        free = _free(registers, groups if left <= LEFT_OUT_MAX else ())
        for form in forms_of(quantity):
            for index, hits in enumerate(_of_form(registers, form, scales_of(quantity, form), quantity, decoys, free)):
                if hits:
                    parts[registers.table, form, index] = hits
    return Chance(sum(parts.values()) + LEAST, parts)


def _free(registers: Registers, groups: Sequence[Group]) -> Flags:
    """Which registers belong to no way that is left."""
    result: Flags = np.ones(registers.size, dtype=np.bool_)
    for group in groups:
        if group.table is registers.table:
            at = group.addresses - registers.base
            for offset in range(group.form.registers):
                result[at + offset] = False
    return result


def _of_form(
    registers: Registers, form: Form, scales: list[Ratio], quantity: Quantity, decoys: _Decoys, free: Flags
) -> list[float]:
    """The matches to be expected of one form, by scale."""
    numbers = registers.sorted(form, decoys.readings[0])
    if not len(numbers.values) or not scales:
        return [0.0] * len(scales)
    values, addresses = numbers.values.astype(np.float64), numbers.addresses
    keep = allowed(quantity, registers.table, addresses)
    if not free.all():
        keep = keep & np.logical_and.reduce(windows(free, form.registers), axis=1)[addresses - registers.base]
    values, addresses = values[keep], addresses[keep]
    factors = np.array([float(each.line.factor) for each in scales])[:, None]
    offsets = np.array([float(each.line.offset) for each in scales])[:, None]
    low, high = _bounds(decoys, 0, factors, offsets)
    first = np.searchsorted(values, low, side="right")
    last = np.searchsorted(values, high, side="left")
    counts = np.maximum(last - first, 0)
    tries = decoys.middle.shape[1] * WIDENED
    if len(decoys.readings) == 1 or not counts.any():
        return [float(each) / tries for each in counts.sum(axis=1)]
    return [float(each) / tries for each in _followed(registers, form, scales, decoys, addresses, first, counts)]


def _bounds(decoys: _Decoys, row: int, factors: Floats, offsets: Floats) -> tuple[Floats, Floats]:
    """The numbers between which a decoy's value lies, shape (scales, decoys)."""
    one = (decoys.middle[row] - decoys.half[row] - offsets) / factors
    other = (decoys.middle[row] + decoys.half[row] - offsets) / factors
    return np.minimum(one, other), np.maximum(one, other)


def _followed(
    registers: Registers,
    form: Form,
    scales: list[Ratio],
    decoys: _Decoys,
    addresses: npt.NDArray[np.int64],
    first: npt.NDArray[np.int64],
    counts: npt.NDArray[np.int64],
) -> Floats:
    """How many of the matches at the first reading also match at all others, by scale."""
    total = int(counts.sum())
    row, column = np.nonzero(counts)
    repeat = counts[row, column]
    stride = -(-total // FOLLOWED_MAX)
    begins = np.repeat(np.cumsum(repeat) - repeat, repeat)
    rows, columns = np.repeat(row, repeat), np.repeat(column, repeat)
    at = np.repeat(first[row, column], repeat) + (np.arange(total) - begins)
    rows, columns, at = rows[::stride], columns[::stride], at[::stride]
    places = addresses[at]
    factors = np.array([float(each.line.factor) for each in scales])[rows]
    offsets = np.array([float(each.line.offset) for each in scales])[rows]
    keep = np.ones(len(places), dtype=np.bool_)
    for index, reading in enumerate(decoys.readings[1:], start=1):
        numbers, valid, whole = registers.numbers(form, reading, places)
        with np.errstate(over="ignore"):
            value = numbers.astype(np.float64) * factors + offsets
        near = np.abs(value - decoys.middle[index, columns]) < decoys.half[index, columns]
        keep &= (valid & near) | ~whole
    return np.bincount(rows[keep], minlength=len(scales)).astype(np.float64) * stride
