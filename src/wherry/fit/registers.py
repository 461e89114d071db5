"""The registers of several readings, laid out for searching: every form of number at every address, sorted once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from wherry.fit.forms import Flags, Form, Values, Words, decode, windows
from wherry.fit.readings import Round
from wherry.limits import ITEMS_PER_TABLE
from wherry.plan.model import Table

Addresses = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Sorted:
    """The numbers of one form in one reading, in rising order, each with the address it begins at."""

    values: Values
    addresses: Addresses


class Registers:
    """One table of registers over all readings.

    ``words``: shape (readings, addresses), from ``base`` on; ``known``: which of them were read.
    """

    def __init__(self, table: Table, readings: Sequence[Round]) -> None:
        held = [reading.tables.get(table, {}) for reading in readings]
        self.table = table
        self.base = min((min(each) for each in held if each), default=0)
        stop = max((max(each) + 1 for each in held if each), default=self.base)
        assert stop <= ITEMS_PER_TABLE, stop
        self.words: Words = np.zeros((len(held), stop - self.base), dtype=np.uint16)
        self.known: Flags = np.zeros(self.words.shape, dtype=np.bool_)
        for row, each in enumerate(held):
            at = np.fromiter(each.keys(), dtype=np.int64, count=len(each)) - self.base
            self.words[row, at] = np.fromiter(each.values(), dtype=np.uint16, count=len(each))
            self.known[row, at] = True
        self._is_whole = [bool(row.all()) for row in self.known]
        self._sorted: dict[tuple[Form, int], Sorted] = {}

    @property
    def readings(self) -> int:
        return len(self.words)

    @property
    def size(self) -> int:
        """How many addresses there are from the first read to the last."""
        return int(self.words.shape[1])

    @property
    def stop(self) -> int:
        return self.base + self.size

    def is_whole(self, reading: int) -> bool:
        """Whether every address from the first to the last was read."""
        return self._is_whole[reading]

    def whole(self, reading: int, addresses: Addresses, registers: int) -> Flags:
        """Which runs of ``registers`` words from these addresses were read as a whole. Beyond the end: not."""
        at = addresses - self.base
        inside = (at >= 0) & (at + registers <= self.size)
        result: Flags = np.zeros(len(at), dtype=np.bool_)
        rows = at[inside][:, None] + np.arange(registers)
        result[inside] = np.logical_and.reduce(self.known[reading][rows], axis=1)
        return result

    def numbers(self, form: Form, reading: int, addresses: Addresses) -> tuple[Values, Flags, Flags]:
        """The numbers at these addresses; which are numbers of the form; which were read. All must lie inside."""
        rows = (addresses - self.base)[:, None] + np.arange(form.registers)
        values, valid = decode(form, self.words[reading][rows])
        known: Flags = np.logical_and.reduce(self.known[reading][rows], axis=1)
        return values, valid & known, known

    def sorted(self, form: Form, reading: int) -> Sorted:
        """All numbers of one form in one reading. Worked out once."""
        key = (form, reading)
        if key not in self._sorted:
            self._sorted[key] = self._sort(form, reading)
        return self._sorted[key]

    def _sort(self, form: Form, reading: int) -> Sorted:
        if self.size < form.registers:
            return Sorted(np.zeros(0), np.zeros(0, dtype=np.int64))
        values, valid = decode(form, windows(self.words[reading], form.registers))
        valid &= np.logical_and.reduce(windows(self.known[reading], form.registers), axis=1)
        at = np.flatnonzero(valid)
        values = values[at]
        order = np.argsort(values)
        return Sorted(values[order], at[order] + self.base)
