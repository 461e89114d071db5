"""The places of a plan that a fingerprint pass looks at, and what the source can be given there. Pure.

A place is one named value on one side. On the source's side somebody gives the value by its name, in the source's own
program, and the registers are read as the plan says. On the receiver's side the registers are written as the plan says,
and somebody reads the value off by its name, in the receiver's own program.
"""

from __future__ import annotations

import math
import random
from collections.abc import Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Final, NamedTuple

from wherry.engine.building import conversion_of
from wherry.plan.model import Plan, Point, Table, Transfer, Value
from wherry.values import codec
from wherry.values.conversion import Conversion
from wherry.values.quality import Quality
from wherry.values.scaling import IDENTITY, Line, exact, line_of
from wherry.values.types import UINT16, Kind
from wherry.values.units import line_to_put

TRIES: Final = 400
"""How many values are drawn for a place before it is given up. A bound of ours."""

DIGITS: Final = 4
"""A test value that is typed in by hand has so many significant digits."""

FLOATS_TO: Final = 1e6
"""A number with decimals that nothing else limits is drawn up to here."""

WHOLE_TO: Final = 10**12
"""A whole number that is scaled is drawn up to here."""

_LETTERS: Final = "ABCDEFGHJKLMNPRSTUVWXYZ23456789"
"""Letters and digits that are not taken for one another."""


class Content(NamedTuple):
    """What a place holds in one step. ``data`` as it travels, ``number`` as the registers' number, ``shown`` in
    engineering units."""

    data: bytes
    number: codec.Value
    shown: codec.Value


@dataclass(frozen=True, slots=True)
class Place:
    """One named value on one side. ``line`` leads from the registers' number to the value in ``unit``."""

    index: int
    names: tuple[tuple[str, str], ...]
    """Transfer and name of each value that has its place here; none for a register beside the places of the plan."""
    controller: str
    point: Point
    line: Line = IDENTITY
    unit: str = ""
    values: tuple[Value, ...] = field(default=(), compare=False, repr=False)
    conversions: tuple[Conversion, ...] = field(default=(), compare=False, repr=False)
    window_bits: int = field(init=False, compare=False, repr=False)
    """How many bits are read for it: whole registers, or bits in a table of bits."""
    is_bool: bool = field(init=False, compare=False, repr=False)

    def __post_init__(self) -> None:
        bits = self.point.count * (1 if self.point.table.is_bits else 16)
        object.__setattr__(self, "window_bits", bits)
        object.__setattr__(self, "is_bool", self.point.type.kind is Kind.BOOL)

    @property
    def name(self) -> str:
        """What people call it."""
        return self.names[0][1] if self.names else f"{self.point.table} {self.point.address}"

    @property
    def is_beside(self) -> bool:
        """Whether it is a register that the plan does not use, next to one that it does."""
        return not self.names

    def shown(self, number: codec.Value) -> codec.Value:
        """The registers' number in engineering units."""
        if not self.point.type.is_number or self.line.is_identity:
            return number
        assert isinstance(number, int | float), number
        if not math.isfinite(number):
            return number
        value = self.line.at(number)
        return int(value) if value.denominator == 1 and isinstance(number, int) else float(value)


def source_places(plan: Plan, *, beside: bool = False) -> tuple[Place, ...]:
    """What is taken, each place once for each name. Two names for one place are two places here: whether they are one
    thing, or one of them is wrong, is told by giving them different values.

    ``beside``: also the unused registers next to places of one register, which tell a place that is one too high or too
    low from one where nothing is.
    """
    found: dict[tuple[str, Point, str], list[tuple[Transfer, Value]]] = {}
    for transfer in plan.transfers:
        for value in transfer.values:
            if not value.is_alive:
                found.setdefault((transfer.source, value.take, value.name), []).append((transfer, value))
    places = [
        Place(
            index,
            tuple((transfer.name, value.name) for transfer, value in users),
            controller,
            point,
            line_of(users[0][1].take_scale),
            users[0][1].unit,
            tuple(value for _, value in users),
            tuple(conversion_of(value) for _, value in users),
        )
        for index, ((controller, point, _), users) in enumerate(found.items())
    ]
    return (*places, *_beside(plan, places)) if beside else tuple(places)


def _beside(plan: Plan, places: Sequence[Place]) -> list[Place]:
    used: set[tuple[str, Table, int]] = set()
    for transfer in plan.putting:
        for name in (transfer.source, transfer.destination):
            spans = [value.take.span if name == transfer.source else value.put.span for value in transfer.values]
            spans += [transfer.alive.span] if transfer.alive is not None and name == transfer.source else []
            spans += [transfer.status] if transfer.status is not None and name == transfer.destination else []
            used.update((name, span.table, address) for span in spans for address in range(span.start, span.stop))
    found: dict[tuple[str, Table, int], Point] = {}
    for place in places:
        at = place.point
        if at.count == 1 and not at.table.is_bits:
            for address in (at.address - 1, at.address + 1):
                key = (place.controller, at.table, address)
                if 0 <= address <= 65535 and key not in used:
                    found[key] = Point(at.table, address, UINT16)
    return [Place(len(places) + index, (), key[0], point) for index, (key, point) in enumerate(found.items())]


def receiver_places(plan: Plan) -> tuple[Place, ...]:
    """What is put, in the order of the plan."""
    found: list[Place] = []
    for transfer in plan.transfers:
        for value in transfer.values:
            if not value.is_alive:
                back = inverse(line_of(value.scale)) or IDENTITY
                name, unit = (transfer.name, value.name), value.put_unit or value.unit
                found.append(Place(len(found), (name,), transfer.destination, value.put, back, unit, (value,)))
    return tuple(found)


def inverse(line: Line) -> Line | None:
    """The way back; None where all numbers become one."""
    return line.inverse if line.factor else None


# What a source can be given.


def draw(place: Place, step: int, rng: random.Random) -> Content | None:
    """A content that every value of the place carries as Good; None when none was found.

    Steps have sizes of their own: the first leaves room for a scale of a thousand, the second is far from zero, the
    third fits 16 bits; and so on in turn, with both signs in turn. A fault that one size hides is told by another.
    """
    for attempt in range(TRIES):
        size = step % 3 if attempt < TRIES // 2 else -1
        content = content_of(place, _number(place, size, rng, is_negative=bool((step ^ place.index) & 1)))
        if content is not None and is_carried(place, content):
            return content
    return None


def content_of(place: Place, number: codec.Value) -> Content | None:
    """The number as the place holds it (a float32 holds the nearest one); None if it cannot."""
    try:
        data = codec.encode(place.point, number)
        held = codec.decode(place.point, data)
    except (codec.DoesNotFitError, codec.UnreadableError):
        return None
    return Content(data, held, place.shown(held))


def is_carried(place: Place, content: Content) -> bool:
    """Whether every value takes it as Good: within its range, no code for "no value", and held by its receiver."""
    return all(each.convert(content.data).quality is Quality.GOOD for each in place.conversions)


def _number(place: Place, size: int, rng: random.Random, *, is_negative: bool) -> codec.Value:
    point = place.point
    kind = point.type.kind
    if kind is Kind.BOOL:
        return bool(rng.getrandbits(1))
    if kind is Kind.RAW:
        items = point.type.length
        bits = rng.getrandbits(items if point.table.is_bits else 16 * items)
        return bits.to_bytes((items + 7) // 8, "little") if point.table.is_bits else bits.to_bytes(2 * items, "big")
    if kind is Kind.STRING:
        return "".join(rng.choice(_LETTERS) for _ in range(point.type.length))
    low, high = _permitted(place)
    if size >= 0:
        low, high = _sized(place, size, low, high, is_negative=is_negative)
    wanted = low + (high - low) * Fraction(rng.random())
    if kind is not Kind.FLOAT:
        return round(wanted)
    shown = exact(float(f"{float(place.line.at(wanted)):.{DIGITS - 1}e}"))  # as somebody would type it
    back = inverse(place.line)
    return _float(back.at(shown) if back is not None else wanted)


def _sized(place: Place, size: int, low: Fraction, high: Fraction, *, is_negative: bool) -> tuple[Fraction, Fraction]:
    """The part of what is permitted that a step takes: of one sign where it can, and not near zero."""
    far = max(abs(Fraction(end)) for end in codec.type_range(place.point.type))
    far = (far / 1000, far, Fraction(9999))[size]
    if low < 0 < high:
        low, high = (low, Fraction(0)) if is_negative else (Fraction(0), high)
    if max(low, -far) < min(high, far):
        low, high = max(low, -far), min(high, far)
    middle = (low + high) / 2
    return (low, middle) if abs(low) > abs(high) else (middle, high)


def _permitted(place: Place) -> tuple[Fraction, Fraction]:
    """The least and the greatest number to draw between, in the registers' own numbers."""
    low, high = (Fraction(end) for end in codec.type_range(place.point.type))
    if not place.line.is_identity:  # a float shows it to the last digit
        low, high = max(low, Fraction(-WHOLE_TO)), min(high, Fraction(WHOLE_TO))
    for value in place.values:
        take = line_of(value.take_scale)
        ends: list[tuple[Line, tuple[float, float]]] = []
        if value.range is not None:
            ends.append((take, value.range))
        if value.put.type.is_number:
            way = take.then(line_to_put(value.unit, value.put_unit, value.scale))
            far = (-FLOATS_TO, FLOATS_TO) if value.put.type.kind is Kind.FLOAT else codec.type_range(value.put.type)
            if value.put.type.kind is not Kind.FLOAT or place.point.type.kind is Kind.FLOAT:
                ends.append((way, far))
        for line, between in ends:
            back = inverse(line)
            if back is not None:
                first, last = sorted(back.at(exact(end)) for end in between)
                if max(low, first) <= min(high, last):
                    low, high = max(low, first), min(high, last)
    return low, high


def _float(number: Fraction) -> float:
    try:
        return float(number)
    except OverflowError:
        return math.copysign(codec.FLOAT64_MAX, number)
