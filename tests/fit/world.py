"""A simulated device whose registers hold one known quantity among many others, and what somebody would tell of it.

The registers are written by the plan's own codec (`wherry.values`), not by the search's.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from fractions import Fraction
from random import Random

from wherry.fit.facts import Interval, Quantity, shown
from wherry.fit.forms import FORMS, MODULO_BASE, Family, Form
from wherry.fit.readings import Round
from wherry.fit.scales import USUAL, Ratio
from wherry.fit.search import Way, scales_of
from wherry.plan.model import Point, Span, Table
from wherry.values.codec import writer
from wherry.values.types import NUMBERS

RANGES = ((0, 20), (0, 5), (-50, 150), (0, 1000), (-20, 60), (0, 100), (0, 1), (-1000, 1000), (0, 70000), (0, 14))


def words_of(form: Form, number: int | float) -> list[int]:
    """The registers that hold a number, as the plan's codec writes them."""
    if form.family is Family.MODULO:
        digits = [int(number) // MODULO_BASE**power % MODULO_BASE for power in reversed(range(form.registers))]
        data = b"".join(each.to_bytes(2, "big") for each in digits)
        swapped = b"".join(data[at : at + 2][::-1] for at in range(0, len(data), 2))
        by_order = {"ABCD": data, "BADC": swapped, "DCBA": data[::-1], "CDAB": swapped[::-1]}
        data = by_order[form.order]
    else:
        data = writer(Point(Table.HOLDING, 0, NUMBERS[form.name], form.order))(number)
    return [int.from_bytes(data[at : at + 2], "big") for at in range(0, len(data), 2)]


@dataclass
class World:
    """The device: ``truth`` is how the quantity is kept, ``low`` and ``high`` where its value lies, always."""

    rng: Random
    truth: Way
    low: Fraction
    high: Fraction
    base: int
    size: int
    background: list[Callable[[], int]]
    holds: list[Fraction] = field(default_factory=list)
    """The value in the registers, by reading."""
    rounds: list[Round] = field(default_factory=list)

    def read(self, value: Fraction) -> None:
        """One reading at which the quantity has about this value."""
        self.truth_number = number = number_of(self.truth, value)
        assert self.truth.scale is not None
        line = self.truth.scale.line
        self.holds.append(Fraction(number) * line.factor + line.offset)
        words = [each() for each in self.background]
        at = self.truth.address - self.base
        words[at : at + self.truth.form.registers] = words_of(self.truth.form, number)
        made = Round(len(self.rounds))
        made.put(self.truth.table, self.base, words)
        self.rounds.append(made)

    def values(self) -> Fraction:
        """Some value of its range that its registers can hold."""
        part = Fraction(self.rng.random())
        return self.low + (self.high - self.low) * part

    def can_hold(self, low: Fraction | None, high: Fraction | None) -> Fraction | None:
        """A value above the one and below the other that the quantity can have; None if it cannot."""
        least = self.low if low is None else max(self.low, low)
        most = self.high if high is None else min(self.high, high)
        if low is not None and low == high:
            return low if self.low <= low <= self.high else None
        for _ in range(20):
            if least >= most:
                return None
            value = least + (most - least) * Fraction(self.rng.random())
            assert self.truth.scale is not None
            line = self.truth.scale.line
            kept = Fraction(number_of(self.truth, value)) * line.factor + line.offset
            if (low is None or kept > low) and (high is None or kept < high):
                return value
        return None


def number_of(way: Way, value: Fraction) -> int | float:
    """The number in the registers for a value; a whole one is rounded, a float32 is the nearest."""
    assert way.scale is not None
    number = way.scale.number(value)
    if way.form.is_whole:
        return round(number)
    import struct

    return float(struct.unpack(">f", struct.pack(">f", float(number)))[0]) if way.form.bits == 32 else float(number)


def background_word(rng: Random) -> Callable[[], int]:
    """A register of another quantity: at rest, counting, moving, or any."""
    kind = rng.randrange(6)
    held = [rng.choice((0, 0, 0, 1, 100, rng.randrange(5000), rng.randrange(65536), 0xFFFF, 0x8000))]
    if kind <= 2:
        return lambda: held[0]
    if kind == 3:
        return lambda: rng.randrange(65536)
    step = rng.randrange(1, 50)

    def move() -> int:
        held[0] = (held[0] + (step if kind == 4 else rng.randrange(-step, step + 1))) % 65536
        return held[0]

    return move


def draw_world(rng: Random, forms: list[Form] | None = None) -> World:
    """Any device and any way to keep a quantity in it, of those that are searched."""
    form = rng.choice(forms or [each for each in FORMS if each.is_in_plan])
    scale = rng.choice([each for each in scales_of(Quantity("any"), form) if form.is_whole or each.line.factor == 1])
    if not form.is_whole and rng.random() < 0.1:
        scale = rng.choice(USUAL[1:8])
    low, high = range_held(rng, form, scale)
    table = rng.choice((Table.INPUT, Table.HOLDING))
    base, size = rng.randrange(0, 60000), rng.randrange(8, 48)
    address = base + rng.randrange(0, size - form.registers + 1)
    truth = Way(table, address, form, scale)
    return World(rng, truth, low, high, base, size, [background_word(rng) for _ in range(size)])


def range_held(rng: Random, form: Form, scale: Ratio) -> tuple[Fraction, Fraction]:
    """A range that the form can hold on this scale."""
    low, high = (Fraction(each) for each in rng.choice(RANGES))
    if form.is_whole:
        ends = sorted(Fraction(int(each)) * scale.line.factor for each in form.limits)
        low, high = max(low, ends[0]), min(high, ends[1])
        # A range of at least a few steps of the register.
        high = min(max(high, low + 20 * abs(scale.line.factor)), ends[1])
        # What the register holds is inside too: the ends are whole steps.
        step = abs(scale.line.factor)
        low, high = math.ceil(low / step) * step, math.floor(high / step) * step
    return low, high


def display(rng: Random, value: Fraction, decimals: int, *, is_cut: bool) -> str:
    """The value as a display shows it, rounded or cut to some decimals."""
    unit = Fraction(1, 10**decimals)
    steps = math.trunc(value / unit) if is_cut else round(value / unit)
    if not is_cut and rng.random() < 0.5:  # half away from zero, as many displays round
        steps = math.floor(abs(value) / unit + Fraction(1, 2)) * (1 if value >= 0 else -1)
    return f"{'-' if steps < 0 else ''}{abs(steps) // 10**decimals}" + (
        f".{abs(steps) % 10**decimals:0{decimals}d}" if decimals else ""
    )


def told(
    world: World, rng: Random, *, with_range: bool, shows: float, decimals: int, is_cut: bool, is_near: bool
) -> Quantity:
    """What somebody tells of the quantity; all of it true."""
    seen = {
        at: shown(display(rng, value, decimals, is_cut=is_cut))
        for at, value in enumerate(world.holds)
        if rng.random() < shows
    }
    result = Quantity("quantity", seen, is_present=rng.random() < 0.5)
    if with_range:
        result = replace(result, range=Interval(world.low, world.high))
    if is_near:
        away = rng.randrange(1, 4)
        guess = world.truth.address + rng.randrange(-away, away + 1)
        start = max(0, guess - away)
        span = Span(world.truth.table, start, guess + away + 1 - start)
        result = replace(result, guess=(world.truth.table, guess), places=(span,))
    return result
