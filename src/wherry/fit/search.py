"""The search: every place, type, order and scale that the facts allow. Nothing else is decided here.

A way to keep the quantity is thrown out only if, at some reading where its registers were read, they hold no number of
its type, or one whose value lies outside what is known. Where a register was not read, it proves nothing.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Final

import numpy as np

from wherry.errors import LocalError
from wherry.fit import exponents, lines
from wherry.fit.bounds import Bounds, Limits, hits, value_of, within
from wherry.fit.facts import Interval, Quantity
from wherry.fit.forms import FORMS, USUAL_TYPES, Flags, Form, number_at
from wherry.fit.readings import Round
from wherry.fit.registers import Addresses, Registers
from wherry.fit.scales import Ratio
from wherry.plan.model import Table

CANDIDATES_MAX: Final = 400_000
"""A bound of ours. Where more is left, too little is known for any answer to be of use."""


@dataclass(frozen=True, slots=True)
class Way:
    """One way in which the quantity may be kept. ``scale`` is a line; with ``exponent`` it is ten to the number in that
    register instead, and with ``slopes`` some line whose factor lies within them."""

    table: Table
    address: int
    form: Form
    scale: Ratio | None
    exponent: int | None = None
    slopes: tuple[float, float] | None = None

    def __str__(self) -> str:
        return f"{self.table} {self.address} {self.form}"


class Field:
    """All readings, as registers by table."""

    def __init__(self, readings: Sequence[Round]) -> None:
        if not readings:
            raise LocalError("there is no reading to search in")
        self.readings = readings
        made = [Registers(table, readings) for table in (Table.INPUT, Table.HOLDING)]
        self.tables = {each.table: each for each in made if each.size}

    def words(self, way: Way, reading: int) -> tuple[int, ...] | None:
        """The registers of a way in one reading; None if one was not read."""
        held = self.readings[reading].tables.get(way.table, {})
        run = [held.get(way.address + offset) for offset in range(way.form.registers)]
        return None if None in run else tuple(word for word in run if word is not None)

    def value(self, way: Way, reading: int) -> Fraction | None:
        """What a way reads in one reading, exactly; None if that cannot be told."""
        words = self.words(way, reading)
        number = None if words is None else number_at(way.form, words)
        if number is None or (isinstance(number, float) and not np.isfinite(number)):
            return None
        if way.exponent is not None:
            power = self.readings[reading].tables.get(way.table, {}).get(way.exponent)
            if power is None or (scale := exponents.scale_of(power)) is None:
                return None
            return value_of(way.form, number, scale)
        return None if way.scale is None else value_of(way.form, number, way.scale)


@dataclass(frozen=True, slots=True)
class Group:
    """What is left of one form on one scale in one table: the addresses (and what else belongs to each)."""

    table: Table
    form: Form
    scale: Ratio | None
    addresses: Addresses
    exponents: Addresses | None = None
    slopes: lines.Slopes | None = None

    def ways(self) -> Iterator[Way]:
        for index, address in enumerate(self.addresses.tolist()):
            exponent = None if self.exponents is None else int(self.exponents[index])
            slopes = None if self.slopes is None else (float(self.slopes[0][index]), float(self.slopes[1][index]))
            yield Way(self.table, address, self.form, self.scale, exponent, slopes)

    def kept(self, keep: Flags) -> Group:
        """Only those flagged."""
        extra = None if self.exponents is None else self.exponents[keep]
        slopes = None if self.slopes is None else (self.slopes[0][keep], self.slopes[1][keep])
        return Group(self.table, self.form, self.scale, self.addresses[keep], extra, slopes)


def forms_of(quantity: Quantity) -> list[Form]:
    """The forms that are searched for a quantity."""
    types = quantity.types or USUAL_TYPES
    return [
        form
        for form in FORMS
        if form.name in types and (not quantity.orders or any(order in quantity.orders for order in form.orders_alike))
    ]


def scales_of(quantity: Quantity, form: Form) -> list[Ratio]:
    """The scales that are tried on one form."""
    return [each for each in quantity.scales if each.fits(form.family)]


def allowed(quantity: Quantity, table: Table, addresses: Addresses) -> Flags:
    """Which addresses a quantity is sought at."""
    if not quantity.places:
        return np.ones(len(addresses), dtype=np.bool_)
    result: Flags = np.zeros(len(addresses), dtype=np.bool_)
    for span in quantity.places:
        if span.table is table:
            result |= (addresses >= span.start) & (addresses < span.stop)
    return result


class Known:
    """The facts of one quantity, made ready for the search."""

    def __init__(self, quantity: Quantity, readings: int) -> None:
        self.quantity = quantity
        self.intervals = quantity.intervals(readings)
        known = [reading for reading, interval in enumerate(self.intervals) if interval is not None]
        self.by_width = sorted(known or range(readings), key=lambda reading: _width(self.intervals[reading]))
        """The readings of which something is known, the most telling first."""
        self._limits: dict[tuple[int, int], Limits] = {}

    def bounds(self, reading: int, scale: int, form: Form) -> Bounds | None:
        """The numbers of a form that fit a reading on one of the quantity's scales; None if any does."""
        interval = self.intervals[reading]
        if interval is None:
            return None
        key = (reading, scale)
        if key not in self._limits:
            self._limits[key] = Limits(interval, self.quantity.scales[scale])
        return self._limits[key].of(form)


def search(field: Field, quantity: Quantity) -> list[Group]:
    """All that the facts leave. LocalError if the facts exclude each other, or leave too much to be of use."""
    known = Known(quantity, len(field.readings))
    groups: list[Group] = []
    left = 0
    for registers in field.tables.values():
        if quantity.places and all(span.table is not registers.table for span in quantity.places):
            continue
        for form in forms_of(quantity):
            for group in _of_form(registers, form, known):
                left += len(group.addresses)
                if left > CANDIDATES_MAX:
                    raise LocalError(_too_much(quantity))
                groups.append(group)
    return groups


def _too_much(quantity: Quantity) -> str:
    return (
        f"too little is known of `{quantity.name}`: more than {CANDIDATES_MAX:,} ways to keep it are possible; "
        "give what a display shows (not zero), its type, or where it may be"
    )


def _of_form(registers: Registers, form: Form, known: Known) -> Iterator[Group]:
    quantity = known.quantity
    if quantity.is_any_line:
        yield from _some(lines.group(registers, form, quantity, known.intervals), registers, quantity)
        return
    if quantity.exponent:
        if form.is_whole:
            yield from _some(exponents.group(registers, form, quantity, known.intervals), registers, quantity)
        return
    for index, scale in enumerate(quantity.scales):
        if scale.fits(form.family):
            addresses = matching(registers, form, index, known)
            if len(addresses):
                yield from _some(Group(registers.table, form, scale, addresses), registers, quantity)


def _some(group: Group | None, registers: Registers, quantity: Quantity) -> Iterator[Group]:
    """The group, unless nothing is left in it; of a quantity that moves, what moves."""
    if group is not None and len(group.addresses) and quantity.moves:
        group = group.kept(_moves(registers, group, quantity.moves))
    if group is not None and len(group.addresses):
        yield group


_NONE: Final[Addresses] = np.zeros(0, dtype=np.int64)


def matching(registers: Registers, form: Form, scale: int, known: Known) -> Addresses:
    """The addresses at which one form on one scale fits all readings."""
    # First where the interval is narrowest. An address that was not read there is tried where it was read first.
    found: list[Addresses] = []
    for tried, reading in enumerate(known.by_width):
        numbers = registers.sorted(form, reading)
        bounds = known.bounds(reading, scale, form)
        among = slice(None) if bounds is None else hits(numbers.values, bounds)
        addresses = numbers.addresses[among]
        if len(addresses):
            addresses = addresses[allowed(known.quantity, registers.table, addresses)]
        for earlier in known.by_width[:tried]:
            if len(addresses):
                addresses = addresses[~registers.whole(earlier, addresses, form.registers)]
        for other in known.by_width[tried + 1 :]:
            if not len(addresses):
                break
            addresses = addresses[_fits(registers, form, other, known.bounds(other, scale, form), addresses)]
        if len(addresses):
            found.append(addresses)
        if registers.is_whole(reading):
            break
    return np.sort(np.concatenate(found)) if found else _NONE


def _fits(registers: Registers, form: Form, reading: int, bounds: Bounds | None, addresses: Addresses) -> Flags:
    """Which addresses fit a reading, or were not read in it."""
    values, valid, whole = registers.numbers(form, reading, addresses)
    fits = valid if bounds is None else valid & within(values, bounds)
    return fits | ~whole


def _width(interval: Interval | None) -> float:
    return float("inf") if interval is None else float(interval.width)


def _moves(registers: Registers, group: Group, least: Fraction) -> Flags:
    """Which of a group move as far as the quantity is known to do. What was not read everywhere may have."""
    if group.scale is None:
        return np.ones(len(group.addresses), dtype=np.bool_)
    highest = np.full(len(group.addresses), -np.inf)
    lowest = np.full(len(group.addresses), np.inf)
    unknown = np.zeros(len(group.addresses), dtype=np.bool_)
    for reading in range(registers.readings):
        values, valid, whole = registers.numbers(group.form, reading, group.addresses)
        shown = values.astype(np.float64)
        highest = np.where(valid, np.maximum(highest, shown), highest)
        lowest = np.where(valid, np.minimum(lowest, shown), lowest)
        unknown |= ~whole
    # Rounded down a little: what moves by exactly that much must stay.
    needed = float(least / abs(group.scale.line.factor)) * (1 - 1e-6)
    with np.errstate(over="ignore", invalid="ignore"):
        moved: Flags = highest - lowest >= needed
    return unknown | moved
