"""The vectorised search against the slow one: every place, type, order and scale one by one, by the plan's codec and in
exact fractions."""

from __future__ import annotations

import math
import os
from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction
from random import Random

import pytest
from tests.fit.world import display, draw_world, told

from wherry.fit.facts import Interval, Quantity
from wherry.fit.readings import Round
from wherry.fit.scales import spans
from wherry.fit.search import Field, search
from wherry.plan.model import Point, Table
from wherry.values.codec import UnreadableError, decode
from wherry.values.types import NUMBERS, Kind, Order, ValueType

Left = set[tuple[str, int, str, str, str]]

FAR = Fraction(1, 2**20)
"""Floats may be taken in that lie outside by a few steps of the type: never more than this part of the limits."""


def value_at(held: dict[int, int], table: Table, address: int, kind: ValueType, order: Order) -> Fraction | str | None:
    """The number there; None if it is none; "unread" if a register was not read."""
    words = [held.get(address + offset) for offset in range(kind.registers)]
    if None in words:
        return "unread"
    data = b"".join(word.to_bytes(2, "big") for word in words if word is not None)
    try:
        number = decode(Point(table, address, kind, order), data)
    except UnreadableError:
        return None
    assert isinstance(number, int | float)
    return Fraction(number) if math.isfinite(number) else None


def slowly(rounds: Sequence[Round], quantity: Quantity, slack: Fraction) -> Left:
    """All that fits, one by one."""
    intervals = quantity.intervals(len(rounds))
    left: Left = set()
    for table in (Table.INPUT, Table.HOLDING):
        held = [each.tables.get(table, {}) for each in rounds]
        addresses = sorted({address for each in held for address in each})
        for name, kind in NUMBERS.items():
            for order in Order if not quantity.types or name in quantity.types else ():
                for address in addresses:
                    numbers = [value_at(each, table, address, kind, order) for each in held]
                    for scale in quantity.scales:
                        family = {Kind.INT: "int", Kind.UINT: "uint", Kind.FLOAT: "float", Kind.BCD: "bcd"}[kind.kind]
                        if scale.families and family not in [str(each) for each in scale.families]:
                            continue
                        fits = [
                            within(number * scale.line.factor + scale.line.offset, interval, slack, kind)
                            if isinstance(number, Fraction)
                            else number == "unread"
                            for number, interval in zip(numbers, intervals, strict=True)
                            if interval is not None
                        ]
                        told_of = [n for n, i in zip(numbers, intervals, strict=True) if i is not None]
                        if all(fits) and any(number != "unread" for number in told_of):
                            left.add((str(table), address, name, str(order), scale.words))
    return left


def within(value: Fraction, interval: Interval, slack: Fraction, kind: ValueType) -> bool:
    if kind.kind is not Kind.FLOAT or not slack:
        return value in interval
    return (
        interval.low - abs(interval.low) * slack - slack**2
        <= value
        <= interval.high + abs(interval.high) * slack + slack**2
    )


def quickly(rounds: Sequence[Round], quantity: Quantity) -> Left:
    return {
        (str(way.table), way.address, way.form.name, str(order), way.scale.words)
        for group in search(Field(rounds), quantity)
        for way in group.ways()
        for order in way.form.orders_alike
        if way.scale is not None
    }


def drawn(rng: Random) -> tuple[list[Round], Quantity]:
    """A device with gaps in what was read of it, and what is told."""
    world = draw_world(rng)
    for _ in range(rng.choice((1, 2, 3))):
        world.read(world.values())
    quantity = told(
        world, rng, with_range=rng.random() < 0.5, shows=0.8, decimals=rng.randrange(3), is_cut=rng.random() < 0.5,
        is_near=False,
    )  # fmt: skip
    if not quantity.shows:
        quantity = replace(quantity, range=Interval(world.low, world.high), types=(world.truth.form.name,))
    if rng.random() < 0.3:
        low, high = Fraction(rng.randrange(-50, 0)), Fraction(rng.randrange(1, 200))
        quantity = replace(quantity, scales=(*quantity.scales, *spans(low, high)))
    for each in world.rounds:
        words = each.tables[world.truth.table]
        for address in list(words):
            if rng.random() < 0.05 and len(words) > 4:
                del words[address]
        if rng.random() < 0.3:
            other = Table.INPUT if world.truth.table is Table.HOLDING else Table.HOLDING
            each.put(other, 7, [rng.randrange(3000) for _ in range(6)])
    return world.rounds, quantity


@pytest.mark.slow
def test_the_quick_search_leaves_what_the_slow_one_leaves() -> None:
    compared = 0
    for number in range(int(os.environ.get("WHERRY_FIT_ORACLE", "10"))):
        rng = Random(f"oracle {number}")
        rounds, quantity = drawn(rng)
        quick = quickly(rounds, quantity)
        exactly = slowly(rounds, quantity, Fraction(0))
        assert exactly <= quick, sorted(exactly - quick)[:3]
        extra = quick - exactly
        assert all(each[2].startswith("float") for each in extra), sorted(extra)[:3]
        assert extra <= slowly(rounds, quantity, FAR)
        compared += len(exactly)
    print(f"{compared:,} ways the same in both searches")
    assert compared > 500


def test_a_display_shows_what_it_is_said_to() -> None:
    """The simulated display itself: rounded or cut, its text lies within its own interval."""
    from wherry.fit.facts import shown

    rng = Random("display")
    for _ in range(3000):
        value = Fraction(rng.randrange(-(10**7), 10**7), rng.choice((1, 3, 7, 1000, 10**6)))
        text = display(rng, value, decimals := rng.randrange(5), is_cut=rng.random() < 0.5)
        assert value in shown(text).interval, (value, text)
        assert abs(shown(text).number - value) < Fraction(1, 10**decimals)
