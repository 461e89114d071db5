"""What is decided, what is not, and how likely each possibility is.

*Decided* means: one way reads the quantity right, whichever of the ways that the facts leave is the true one; and in
registers like these hardly any way would be left by accident. Everything else is *undecided* and only ranked.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from enum import StrEnum
from fractions import Fraction
from typing import Final

import numpy as np

from wherry.fit.chance import ACCIDENT_MAX, Chance, chance
from wherry.fit.cover import best_cover
from wherry.fit.facts import Quantity, Shared
from wherry.fit.pool import Possible, in_common, kept, options, weigh_together
from wherry.fit.rank import NONE_WEIGHT, Floats, group_weights
from wherry.fit.search import Field, Group, Way, scales_of, search
from wherry.values.types import Order

COVER_MAX: Final = 300
"""Of more ways than these, none is right for all."""
RANKED_MAX: Final = 200
LINE_READINGS_MIN: Final = 3
"""With fewer, some line fits every place (two points are on one line)."""


class Status(StrEnum):
    """How far one fact is known."""

    DECLARED = "declared"
    DECIDED = "decided"
    NO_DIFFERENCE = "no difference"
    """Several are left, and within the declared range they read the same."""
    MEASURED = "measured"
    UNDECIDED = "undecided"


@dataclass(frozen=True, slots=True)
class Fact:
    """One fact of a point: what is taken for it, how far it is known, and what else is left with its share."""

    name: str
    holds: str
    status: Status
    others: tuple[tuple[str, float], ...] = ()


@dataclass(frozen=True, slots=True)
class Ranked:
    """One way with its share of what is likely, and the values it reads; None where it reads none."""

    way: Way
    share: float
    values: tuple[Fraction | None, ...]


@dataclass(frozen=True, slots=True)
class Verdict:
    """All that can be said of one quantity. ``best`` is the decided way, or the most likely one."""

    quantity: Quantity
    count: int
    """How many ways are left."""
    is_decided: bool
    why: str
    """Half a sentence: why it is, or is not, decided."""
    best: Way | None
    ranked: tuple[Ranked, ...]
    facts: tuple[Fact, ...]
    chance: Chance
    none_share: float
    """How likely it is that the quantity is kept in none of the ways that were searched."""
    is_accident: bool = False
    """Whether one way is right, but for the accidents that are to be expected in so many registers."""


def fit(field: Field, quantities: Sequence[Quantity], shared: Collection[Shared] = ()) -> list[Verdict]:
    """Find how each quantity is kept. ``shared``: what is declared to be the same for all of them. LocalError if the
    facts exclude each other, or leave too much to be of use."""
    found = [search(field, quantity) for quantity in quantities]
    before = [_count(groups) for groups in found]
    common = in_common(quantities, found, shared)
    if common is not None:
        found = [
            list(kept(quantity, groups, shared, common)) for quantity, groups in zip(quantities, found, strict=True)
        ]
    chances = [
        _chance(field, quantity, groups, shared, common) for quantity, groups in zip(quantities, found, strict=True)
    ]
    weights = [
        [group_weights(field, quantity, group, each) for group in groups]
        for quantity, groups, each in zip(quantities, found, chances, strict=True)
    ]
    weights = weigh_together(quantities, found, weights)
    return [
        _verdict(field, quantity, groups, mine, each, alone, shared)
        for quantity, groups, mine, each, alone in zip(quantities, found, weights, chances, before, strict=True)
    ]


def _chance(
    field: Field,
    quantity: Quantity,
    groups: Sequence[Group],
    shared: Collection[Shared],
    common: Possible | None,
) -> Chance:
    """The accidents to be expected, of those forms only that go with the other quantities."""
    alone = chance(field, quantity, groups)
    if common is None or alone.total is None:
        return alone
    return alone.only(
        lambda table, form, scale: bool(options(table, form, scales_of(quantity, form)[scale], shared) & common.keys())
    )


def _count(groups: Sequence[Group]) -> int:
    return sum(len(group.addresses) for group in groups)


def _verdict(
    field: Field,
    quantity: Quantity,
    groups: Sequence[Group],
    weights: Sequence[Floats],
    accident: Chance,
    alone: int,
    shared: Collection[Shared],
) -> Verdict:
    count = _count(groups)
    if not count:
        why = _nothing(alone, shared)
        return Verdict(quantity, 0, False, why, None, (), (), accident, 1.0)
    total = sum(float(each.sum()) for each in weights)
    none = NONE_WEIGHT / (NONE_WEIGHT + total)
    top = _top(groups, weights)
    decided = None
    if count <= COVER_MAX:
        decided = best_cover([way for way, _ in top], quantity.range)
    is_sure = quantity.is_present or "address" in quantity.declared
    is_chance = (accident.total is None or accident.total > ACCIDENT_MAX) and not is_sure
    why, is_decided = _why(quantity, decided, accident, count, is_chance=is_chance)
    best = decided if decided is not None else top[0][0]
    ranked = tuple(
        Ranked(way, weight / (total + NONE_WEIGHT), tuple(field.value(way, at) for at in range(len(field.readings))))
        for way, weight in top[:RANKED_MAX]
    )
    facts = _facts(quantity, groups, weights, best, is_decided=is_decided, is_trusted=not is_chance)
    return Verdict(
        quantity, count, is_decided, why, best, ranked, facts, accident, none, decided is not None and is_chance
    )


def _nothing(alone: int, shared: Collection[Shared]) -> str:
    if alone:
        what = " and ".join(sorted(shared))
        return f"{alone:,} fit alone, none of them with the same {what} as the others"
    return "nothing in these registers fits"


def _top(groups: Sequence[Group], weights: Sequence[Floats]) -> list[tuple[Way, float]]:
    """The heaviest ways, heaviest first; of equal ones the lowest address."""
    most = max(RANKED_MAX, COVER_MAX)
    ways: list[tuple[Way, float]] = []
    for group, mine in zip(groups, weights, strict=True):
        keep = np.zeros(len(mine), dtype=np.bool_)
        keep[np.argsort(-mine, kind="stable")[:most]] = True
        some = group.kept(keep)
        ways += zip(some.ways(), mine[keep].tolist(), strict=True)
    ways.sort(key=lambda each: (-each[1], each[0].table, each[0].address, str(each[0].form)))
    return ways[:most]


def _why(quantity: Quantity, decided: Way | None, accident: Chance, count: int, *, is_chance: bool) -> tuple[str, bool]:
    if decided is None:
        return f"{count:,} ways fit", False
    if quantity.is_any_line and len(quantity.shows) < LINE_READINGS_MIN:
        return f"it was shown {len(quantity.shows)} times: some line fits any two", False
    if is_chance and accident.total is None:
        return "one way fits, and whether by accident cannot be told: say --present if it is there for certain", False
    if is_chance and accident.total is not None:
        return f"one way fits, but so would {one_in(accident.total)} by accident", False
    if count == 1:
        return "one way fits", True
    return f"{count:,} ways fit, and within the range this one reads right whichever is true", True


def one_in(expected: float) -> str:
    """A number of accidents for people."""
    if expected >= 1:
        return f"{expected:,.0f}"
    searches = 1 / expected
    return f"one in {searches:,.0f} such searches" if searches >= 10 else f"one in {searches:.2g} such searches"


# Facts, one by one.


def _facts(
    quantity: Quantity,
    groups: Sequence[Group],
    weights: Sequence[Floats],
    best: Way,
    *,
    is_decided: bool,
    is_trusted: bool,
) -> tuple[Fact, ...]:
    spread: dict[str, dict[str, float]] = {name: {} for name in ("table", "address", "type", "order", "scale")}
    common_orders = set(Order)
    total = sum(float(each.sum()) for each in weights) or 1.0
    for group, mine in zip(groups, weights, strict=True):
        weight = float(mine.sum())
        common_orders &= set(group.form.orders_alike)
        for name, text in (
            ("table", str(group.table)),
            ("type", group.form.name),
            ("order", order_text(group.form.orders_alike)),
            ("scale", "" if group.scale is None else group.scale.words),
        ):
            spread[name][text] = spread[name].get(text, 0.0) + weight
        for address, each in zip(group.addresses.tolist(), mine.tolist(), strict=True):
            spread["address"][str(address)] = spread["address"].get(str(address), 0.0) + each
    if common_orders:
        spread["order"] = {order_text(sorted(common_orders)): total}
    holds = {
        "table": str(best.table),
        "address": str(best.address),
        "type": best.form.name,
        "order": order_text(sorted(common_orders) or best.form.orders_alike),
        "scale": scale_text(best),
    }
    return tuple(
        _fact(name, holds[name], spread[name], total, quantity, is_decided=is_decided, is_trusted=is_trusted)
        for name in spread
    )


def _fact(
    name: str,
    holds: str,
    spread: dict[str, float],
    total: float,
    quantity: Quantity,
    *,
    is_decided: bool,
    is_trusted: bool,
) -> Fact:
    others = sorted(((text, weight / total) for text, weight in spread.items() if text != holds), key=lambda o: -o[1])
    if name in quantity.declared:
        return Fact(name, holds, Status.DECLARED)
    if name == "scale" and (quantity.is_any_line or quantity.exponent):
        return Fact(name, holds, Status.MEASURED if is_decided else Status.UNDECIDED)
    if is_decided:
        return Fact(name, holds, Status.NO_DIFFERENCE if len(spread) > 1 else Status.DECIDED, tuple(others[:5]))
    return Fact(name, holds, Status.DECIDED if is_trusted and not others else Status.UNDECIDED, tuple(others[:5]))


def order_text(orders: Sequence[Order]) -> str:
    """An order for people; all that are the same for a form, where there are several."""
    return " or ".join(orders)


def scale_text(way: Way) -> str:
    """A scale for people."""
    if way.exponent is not None:
        return f"x 10^({way.table} {way.exponent})"
    if way.slopes is not None:
        return f"a line with a factor from {way.slopes[0]:.6g} to {way.slopes[1]:.6g}"
    return "1" if way.scale is None else way.scale.words
