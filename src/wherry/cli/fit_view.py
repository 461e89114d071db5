"""What ``wherry fit`` prints, and the JSON that it gives to programs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any, Final

from wherry.cli import output
from wherry.fit.advice import Advice, Stretch
from wherry.fit.others import Found
from wherry.fit.pattern import TEXT_NAME, Seen, conclusions, literal, missing
from wherry.fit.points import place_text, plan_line, scale_of, take_of
from wherry.fit.search import Field, Way
from wherry.fit.verdict import Ranked, Verdict, one_in, order_text, scale_text
from wherry.plan.model import Point, Table, reference_number
from wherry.plan.wording import listed
from wherry.values.types import Order

READINGS_SHOWN: Final = 4
JSON_WAYS_MAX: Final = 50

WAYS: Final[Sequence[tuple[str, output.Justify]]] = (
    ("place", "left"), ("number", "right"), ("type", "left"), ("order", "left"), ("scale", "left"), ("reads", "left"),
    ("words", "left"), ("share", "right"),
)  # fmt: skip
SEEN: Final[Sequence[tuple[str, output.Justify]]] = (
    ("constant", "left"), ("type", "left"), ("value", "right"), ("found at", "left"), ("number", "right"),
    ("order", "left"),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Answer:
    """One quantity with its verdict and what would decide."""

    verdict: Verdict
    advice: Advice | None


def number_text(value: Fraction | None, digits: int = 6) -> str:
    """A number for people: exact where it is short."""
    if value is None:
        return "-"
    if value.denominator == 1 and abs(value) < 10**9:
        return str(value.numerator)
    return f"{float(value):.{digits}g}"


def print_answer(field: Field, answer: Answer, top: int) -> None:
    """All about one quantity: what is decided, the ranked ways, what would decide."""
    verdict = answer.verdict
    name = verdict.quantity.name
    if verdict.best is None:
        output.sentence(f"{name}: {verdict.why}. {nothing_hint()}")
        return
    if verdict.is_decided:
        output.sentence(f"{name}: {way_text(verdict.best)}: decided ({verdict.why})")
    else:
        decided = [f"{fact.name} {fact.holds}" for fact in verdict.facts if fact.status == "decided"]
        known = f"; decided: {listed(decided, last='and')}" if decided else ""
        output.sentence(f"{name}: undecided ({verdict.why}{known})")
    output.sentence(f"  known: {known_text(verdict)}")
    rows = [way_row(field, each) for each in verdict.ranked[:top]]
    output.table(WAYS, rows, shrink=(6, 5, 4), drop=(6,))
    if verdict.count > len(rows):
        output.data(f"and {output.plural(verdict.count - len(rows), 'way')} more")
    for line in [*mirrored(field, verdict), *remarks(answer)]:
        output.sentence(f"  {line}")


def known_text(verdict: Verdict) -> str:
    """What was told of the values, to be held against what the ways read."""
    quantity = verdict.quantity
    unit = f" {quantity.unit}" if quantity.unit else ""
    said = []
    if quantity.shows:
        shows = [f"{each.text} (reading {at + 1})" for at, each in sorted(quantity.shows.items())[:READINGS_SHOWN]]
        said.append(f"shows {', '.join(shows)}{' ...' if len(quantity.shows) > READINGS_SHOWN else ''}{unit}")
    if quantity.range is not None:
        low, high = number_text(quantity.range.low, 10), number_text(quantity.range.high, 10)
        said.append(f"within {low}..{high}{unit}")
    return "; ".join(said)


def mirrored(field: Field, verdict: Verdict) -> list[str]:
    """Whether what is left lies in both register tables alike: devices often serve one area under both functions."""
    places = {(each.way.table, each.way.address, str(each.way.form)): each.way for each in verdict.ranked}
    for (table, address, form), way in places.items():
        twin = places.get((Table.HOLDING, address, form))
        if table is not Table.INPUT or twin is None:
            continue
        if all(field.words(way, at) == field.words(twin, at) for at in range(len(field.readings))):
            return [
                f"input {address} and holding {address} hold the same in every reading: the device seems to serve one "
                f"area under both functions; choose one, such as with `{verdict.quantity.name} among holding 0..65535`"
            ]
    return []


def remarks(answer: Answer) -> list[str]:
    """How far it may be believed, and what would decide."""
    verdict = answer.verdict
    said = []
    if verdict.chance.total is not None:
        how = "at most " if verdict.chance.total < 1e-3 else ""
        said.append(
            f"by accident: {how}{one_in(verdict.chance.total)}; in none of these ways: {verdict.none_share:.1%}"
        )
    if answer.advice is not None:
        said.append(advice_text(verdict, answer.advice))
    return said


def nothing_hint() -> str:
    """What to look at when nothing fits."""
    return (
        "Look at the table and the addresses that were read. If the display shows finer steps than the register holds, "
        "or moved between the look and the reading, give a tolerance: shows 3.72 +- 0.05. Try --types all, or a "
        "sentence with `scaled any line`"
    )


def advice_text(verdict: Verdict, advice: Advice) -> str:
    """What would decide, as a sentence."""
    unit = f" {verdict.quantity.unit}" if verdict.quantity.unit else ""
    digits = f" with {output.plural(advice.decimals, 'decimal')}" if advice.decimals else ""
    looks = [f"it shows another value{digits}"] if advice.is_any_other else []
    if advice.stretches:
        looks.append(f"it is {listed([stretch_text(each) + unit for each in advice.stretches])}")
    said = f"to decide: read again when {listed(looks, last='and when')}" if looks else "to decide:"
    if advice.wants_range:
        said += f"{'; and' if looks else ''} say what range it is always within"
        if advice.range is not None and advice.best is not None:
            low, high = (number_text(each, 10) for each in advice.range)
            said += f": if that is inside {low}..{high}{unit}, {way_text(advice.best)} is right whichever is true"
    return said


def stretch_text(stretch: Stretch) -> str:
    """Where a value is to be."""
    low, high = stretch
    if low is None or high is None:
        return f"above {number_text(low, 10)}" if low is not None else f"below {number_text(high, 10)}"
    if low == high:
        return f"exactly {number_text(low, 10)}"
    return f"between {number_text(low, 10)} and {number_text(high, 10)}"


def way_text(way: Way) -> str:
    """A way in one line, with both notations."""
    place = f"{place_text(way.table, way.address)} ({reference_number(way.table, way.address)})"
    order = (
        f" {order_text(way.form.orders_alike)}" if way.form.bits > 16 or Order.ABCD not in way.form.orders_alike else ""
    )
    scale = scale_text(way)
    return f"{place} {way.form.name}{order}" + ("" if scale == "1" else f", {scale}")


def way_row(field: Field, ranked: Ranked) -> list[str]:
    """One line of the table of ways."""
    way = ranked.way
    some = range(min(len(ranked.values), READINGS_SHOWN))
    more = " ..." if len(ranked.values) > READINGS_SHOWN else ""
    words = [field.words(way, at) for at in some]
    return [
        f"{way.table} {way.address}",
        reference_number(way.table, way.address),
        way.form.name,
        order_text(way.form.orders_alike),
        scale_text(way),
        ", ".join(number_text(ranked.values[at]) for at in some) + more,
        ", ".join("-" if each is None else " ".join(f"{word:04X}" for word in each) for each in words) + more,
        f"{ranked.share:.1%}",
    ]


def print_found(found: Found, top: int) -> None:
    """A text or a switch."""
    output.sentence(f"{found.name}: {'decided' if found.is_decided else 'undecided'} ({found.why})")
    for point in found.points[:top]:
        output.data(f"  {point_text(point)} ({reference_number(point.table, point.address)})")
    if len(found.points) > top:
        output.data(f"and {output.plural(len(found.points) - top, 'place')} more")
    if not found.is_decided and len(found.points) > 1:
        output.sentence("  to decide: read again when it is in its other state, several times, as it changes")


def point_text(point: Point) -> str:
    """A text or a switch as a plan writes it."""
    place = place_text(point.table, point.address, point.bit)
    if point.bit is not None or point.table.is_bits:
        return place
    return f"{place} {point.type}" + ("" if point.order is Order.ABCD else f" {point.order}")


def print_plan_lines(answers: Sequence[Answer], others: Sequence[Found]) -> None:
    """Lines for the plan, with what is known of each."""
    lines = [line for answer in answers if (line := plan_line(answer.verdict)) is not None]
    for found in others:
        if found.points:
            status = "decided" if found.is_decided else f"undecided: {found.why}"
            lines.append(f'{{ name = "{found.name}", take = "{point_text(found.points[0])}", put = "" }},  # {status}')
    if lines:
        output.data("\nfor the plan (say where each is put):\nvalues = [")
        for line in lines:
            output.data(f"  {line}")
        output.data("]")


# Patterns.


def print_seen(seen: Sequence[Seen], texts: Sequence[tuple[Table, int, Order]]) -> None:
    """What was found of the test pattern, and what follows."""
    rows = [
        [
            each.constant.name,
            each.constant.type,
            literal(each.constant),
            f"{each.table} {each.address}",
            reference_number(each.table, each.address),
            order_text(each.orders),
        ]
        for each in seen
    ]
    rows += [
        [TEXT_NAME, "string(8)", "", f"{table} {address}", reference_number(table, address), order]
        for table, address, order in texts
    ]
    if rows:
        output.table(SEEN, rows)
    for line in conclusions(seen):
        output.sentence(line)
    if gone := missing(seen):
        output.sentence(f"not found: {listed([each.name for each in gone], last='and')}")


# JSON.


def way_data(ranked: Ranked, field: Field) -> dict[str, Any]:
    """One way, for programs."""
    way = ranked.way
    words = [field.words(way, at) for at in range(len(ranked.values))]
    return {
        "table": str(way.table),
        "address": way.address,
        "number": reference_number(way.table, way.address),
        "type": way.form.name,
        "orders": [str(each) for each in way.form.orders_alike],
        "scale": scale_text(way),
        "take": take_of(way),
        "take_scale": scale_of(way),
        "exponent_address": way.exponent,
        "factor_between": None if way.slopes is None else [_finite(each) for each in way.slopes],
        "values": [None if each is None else float(each) for each in ranked.values],
        "words": [None if each is None else [f"{word:04X}" for word in each] for each in words],
        "share": ranked.share,
    }


def _finite(number: float) -> float | None:
    return number if abs(number) != float("inf") else None


def answer_data(field: Field, answer: Answer) -> dict[str, Any]:
    """One quantity, for programs."""
    verdict, advice = answer.verdict, answer.advice
    best = verdict.best
    return {
        "name": verdict.quantity.name,
        "unit": verdict.quantity.unit,
        "decided": verdict.is_decided,
        "why": verdict.why,
        "ways": verdict.count,
        "accidents_expected": verdict.chance.total,
        "none_share": verdict.none_share,
        "take": None if best is None else take_of(best),
        "take_scale": None if best is None else scale_of(best),
        "facts": [
            {
                "fact": fact.name,
                "holds": fact.holds,
                "status": str(fact.status),
                "others": [{"holds": text, "share": share} for text, share in fact.others],
            }
            for fact in verdict.facts
        ],
        "ranked": [way_data(each, field) for each in verdict.ranked[:JSON_WAYS_MAX]],
        "advice": None if advice is None else advice_data(verdict, advice),
        "plan_line": plan_line(verdict),
    }


def advice_data(verdict: Verdict, advice: Advice) -> dict[str, Any]:
    """What would decide, for programs."""
    ends = [[None if end is None else float(end) for end in stretch] for stretch in advice.stretches]
    return {
        "text": advice_text(verdict, advice),
        "any_other_value": advice.is_any_other,
        "decimals": advice.decimals,
        "between": ends,
        "wants_range": advice.wants_range,
        "range": None if advice.range is None else [float(each) for each in advice.range],
    }


def found_data(found: Found) -> dict[str, Any]:
    """A text or a switch, for programs."""
    return {
        "name": found.name,
        "decided": found.is_decided,
        "why": found.why,
        "accidents_expected": found.accidents,
        "takes": [point_text(point) for point in found.points[:JSON_WAYS_MAX]],
        "ways": len(found.points),
    }


def seen_data(seen: Sequence[Seen], texts: Sequence[tuple[Table, int, Order]]) -> dict[str, Any]:
    """The test pattern, for programs."""
    return {
        "found": [
            {
                "name": each.constant.name,
                "type": each.constant.type,
                "table": str(each.table),
                "address": each.address,
                "number": reference_number(each.table, each.address),
                "orders": [str(order) for order in each.orders],
            }
            for each in seen
        ],
        "texts": [{"table": str(table), "address": address, "order": str(order)} for table, address, order in texts],
        "missing": [each.name for each in missing(seen)],
        "conclusions": conclusions(seen),
    }
