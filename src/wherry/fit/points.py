"""What was found, as lines of a plan."""

from __future__ import annotations

import json
from fractions import Fraction

from wherry.errors import PlanError
from wherry.fit.search import Way
from wherry.fit.verdict import Verdict
from wherry.plan.model import Table
from wherry.plan.places import parse_point
from wherry.values.types import Order


def place_text(table: Table, address: int, bit: int | None = None) -> str:
    """Table and address as a plan takes them: with the word ``address`` where the number alone has two readings."""
    dot = "" if bit is None else f".{bit}"
    try:
        parse_point(f"{table} {address}{dot}")
    except PlanError:
        return f"{table} address {address}{dot}"
    return f"{table} {address}{dot}"


def take_of(way: Way) -> str | None:
    """The place of a way as a plan writes it; None if a plan cannot name its type."""
    if not way.form.is_in_plan:
        return None
    order = "" if Order.ABCD in way.form.orders_alike else f" {way.form.order}"
    return f"{place_text(way.table, way.address)} {way.form.name}{order}"


def scale_of(way: Way) -> list[int | float] | None:
    """``take_scale`` of a plan, from the number to the value; None where the number is the value."""
    if way.scale is None or way.scale.line.is_identity:
        return None
    line = way.scale.line
    ends = (Fraction(0), Fraction(line.factor.denominator))
    return [_number(each) for each in (*ends, *(line.at(end) for end in ends))]


def _number(number: Fraction) -> int | float:
    return number.numerator if number.denominator == 1 else float(number)


def plan_line(verdict: Verdict) -> str | None:
    """One value of a plan, with the status of each fact behind it; None if a plan cannot say it."""
    way, quantity = verdict.best, verdict.quantity
    take = None if way is None else take_of(way)
    if way is None or take is None:
        return None
    fields: dict[str, object] = {"name": quantity.name, "take": take, "put": "", "take_scale": scale_of(way)}
    fields["unit"] = quantity.unit
    if quantity.range is not None:
        fields["range"] = [_number(quantity.range.low), _number(quantity.range.high)]
    pairs = [f"{key} = {json.dumps(each, ensure_ascii=False)}" for key, each in fields.items() if each or key == "put"]
    by_status: dict[str, list[str]] = {}
    for fact in verdict.facts:
        by_status.setdefault(str(fact.status), []).append(fact.name)
    status = "; ".join(f"{status}: {', '.join(names)}" for status, names in by_status.items())
    extra = ""
    if way.exponent is not None:
        extra = f"; times 10 to the number in {place_text(way.table, way.exponent)}: a plan carries both"
    elif way.slopes is not None:
        extra = f"; the scale is a line with a factor from {way.slopes[0]:.6g} to {way.slopes[1]:.6g}"
    return f"{{ {', '.join(pairs)} }},  # {status}{extra}"
