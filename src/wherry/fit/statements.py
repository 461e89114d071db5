"""What somebody knows, as sentences: ``tank level shows 3.72 m``.

Each sentence is a name, a verb and what follows it; the sentences of one name are about one quantity. The verbs and
what may follow them are in ``VERBS``; docs/fit.md tells what each means.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Final

from wherry.errors import LocalError
from wherry.fit.facts import Interval, Quantity, Shown, number_text, shown
from wherry.fit.forms import TYPE_NAMES
from wherry.fit.others import KnownSwitch, KnownText
from wherry.fit.scales import of_line, spans
from wherry.limits import ITEMS_PER_TABLE
from wherry.plan.model import Point, Span, Table
from wherry.plan.places import parse_point, parse_span
from wherry.plan.wording import listed, nearest, printable
from wherry.values.types import Order

VERBS: Final = {
    "shows": "NUMBER [UNIT] [+- NUMBER] [in READING]",
    "is": "on | off [in READING], or NUMBER [UNIT] [in READING]",
    "reads": "TEXT",
    "within": "LOW..HIGH",
    "moves": "NUMBER",
    "at": "PLACE [TYPE] [ORDER]",
    "near": "PLACE [+- COUNT]",
    "among": "SPAN",
    "as": "TYPE[,TYPE ...] [ORDER]",
    "scaled": "NUMBER [+ NUMBER] | any line | by SPAN",
    "spans": "LOW..HIGH",
}
NEAR_DEFAULT: Final = 1
"""How far a document's address is taken to be off: counted from one instead of zero (common practice, no source)."""
BYTE_MAX: Final = 255
EXPONENTS_MAX: Final = 500
"""A bound of ours: so many registers are tried as the exponent."""

_NUMBER = r"[+-]?[0-9]+(?:\.[0-9]*)?(?:[eE][+-]?[0-9]{1,2})?"
_SHOWS = re.compile(rf"(\S+)(?:\s+(?!in\b|\+-)(\S+))?(?:\s+\+-\s*({_NUMBER}))?(?:\s+in\s+([0-9]{{1,4}}))?")
_RANGE = re.compile(rf"({_NUMBER})\s*\.\.\s*({_NUMBER})(?:\s+\S+)?")
_LINE = re.compile(rf"({_NUMBER})(?:\s*([+-])\s*([0-9.]+))?")

Known = Quantity | KnownText | KnownSwitch


@dataclass(frozen=True, slots=True)
class Statement:
    """One sentence, taken apart."""

    name: str
    verb: str
    rest: str


def statement(text: str) -> Statement:
    """One sentence. LocalError with what to write if it has no verb."""
    words = text.split()
    # The first verb that has a name before it: a name may hold any other word.
    for at in range(1, len(words)):
        if words[at] in VERBS and at + 1 < len(words):
            return Statement(" ".join(words[:at]), words[at], " ".join(words[at + 1 :]))
    near = next((found for word in words[1:] if (found := nearest(word, VERBS)) and len(word) > 2), "")
    hint = f"; did you mean `{near}`?" if near and near not in words else ""
    raise LocalError(
        f"`{printable(text)[:60]}` says nothing that is understood: write a name, then one of {listed(VERBS)}, then "
        f"what is known, such as `tank level shows 3.72 m`{hint}"
    )


def known_of(texts: Iterable[str], readings: int, *, is_present: bool, all_types: bool) -> list[Known]:
    """What all sentences together say, one entry for each name, in the order in which they come. ``readings`` is how
    many there are: what is told without ``in`` is told of the first, then of the next, one by one. LocalError with the
    sentence for what cannot be understood."""
    said: dict[str, list[Statement]] = {}
    for text in texts:
        one = statement(text)
        said.setdefault(one.name, []).append(one)
    return [_known(name, each, readings, is_present=is_present, all_types=all_types) for name, each in said.items()]


def _known(name: str, said: Sequence[Statement], readings: int, *, is_present: bool, all_types: bool) -> Known:
    result = Quantity(name, is_present=is_present, types=TYPE_NAMES if all_types else ())
    text: str | None = None
    states: dict[int, bool] = {}
    for each in said:
        if each.verb == "reads":
            text = _text(each)
        elif each.verb == "is" and each.rest.split()[0] in ("on", "off"):
            state, at = _state(each, len(states), readings)
            states[at] = state
        else:
            result = _taken(result, each, readings)
    kinds = [text is not None, bool(states), bool(result.shows)]
    if sum(kinds) > 1:
        raise LocalError(f"`{name}` is told to be a number, a text or a switch at the same time: keep to one")
    if text is not None:
        return KnownText(name, text, result.places)
    if states:
        return KnownSwitch(name, states, result.places, is_present)
    if not result.shows and result.range is None:
        raise LocalError(f"nothing is known of the value of `{name}`: say what it `shows`, or what it is `within`")
    return result


def _text(each: Statement) -> str:
    text = each.rest.strip('"')
    wrong = next((sign for sign in text if ord(sign) > BYTE_MAX), "")
    if wrong or not text:
        raise LocalError(
            f"`{each.name}` reads a text of at least one character, each of one byte{wrong and f': not {wrong!r}'}"
        )
    return text


def _wrong(each: Statement) -> LocalError:
    return LocalError(
        f"`{printable(f'{each.name} {each.verb} {each.rest}')[:80]}` is not understood: after `{each.verb}` write "
        f"{VERBS[each.verb]}"
    )


def _state(each: Statement, told: int, readings: int) -> tuple[bool, int]:
    match = re.fullmatch(r"(on|off)(?:\s+in\s+([0-9]{1,4}))?", each.rest)
    if match is None:
        raise _wrong(each)
    return match[1] == "on", _reading(each, match[2], told, readings)


def _reading(each: Statement, text: str | None, told: int, readings: int) -> int:
    at = told if text is None else int(text) - 1
    if not 0 <= at < readings:
        there = f"there {'is 1 reading' if readings == 1 else f'are {readings} readings'}"
        raise LocalError(f"`{each.name} {each.verb} {each.rest}` is about reading {at + 1}, and {there}")
    return at


def _taken(known: Quantity, each: Statement, readings: int) -> Quantity:
    """A quantity and one more sentence about it."""
    match each.verb:
        case "shows" | "is":
            at, seen, unit = _seen(each, len(known.shows), readings)
            return replace(known, shows={**known.shows, at: seen}, unit=unit or known.unit)
        case "within":
            low, high = _ends(each)
            return replace(known, range=Interval(low, high))
        case "spans":
            low, high = _ends(each)
            return replace(known, span=(low, high), scales=(*known.scales, *spans(low, high)))
        case "moves":
            return replace(known, moves=abs(number_text(each.rest)))
        case "at":
            return _at(known, each.rest)
        case "near":
            return _near(known, each)
        case "among":
            return _among(known, each.rest)
        case "as":
            return _as(known, each)
        case _:
            return _scaled(known, each)


def _seen(each: Statement, told: int, readings: int) -> tuple[int, Shown, str]:
    match = _SHOWS.fullmatch(each.rest)
    if match is None:
        raise _wrong(each)
    number, unit, tolerance, reading = match.groups()
    exactly = "0" if each.verb == "is" and tolerance is None else tolerance
    return _reading(each, reading, told, readings), shown(number, exactly), unit or ""


def _ends(each: Statement) -> tuple[Fraction, Fraction]:
    match = _RANGE.fullmatch(each.rest)
    if match is None:
        raise _wrong(each)
    low, high = number_text(match[1]), number_text(match[2])
    if low >= high:
        raise LocalError(f"`{each.name} {each.verb} {each.rest}`: the first number must be less than the second")
    return low, high


def _at(known: Quantity, text: str) -> Quantity:
    """The place is certain; with a type and an order, they are as well."""
    point = parse_point(text)
    declared = known.declared | {"table", "address"}
    known = replace(known, places=(Span(point.table, point.address, 1),), guess=(point.table, point.address))
    words = text.split()
    if any(word in TYPE_NAMES for word in words):
        known, declared = replace(known, types=(point.type.name,)), declared | {"type"}
    if any(word in list(Order) for word in words):
        known, declared = replace(known, orders=(point.order,)), declared | {"order"}
    return replace(known, declared=frozenset(declared))


def _near(known: Quantity, each: Statement) -> Quantity:
    text, sign, away = each.rest.partition("+-")
    if sign and not re.fullmatch(r"\s*[0-9]{1,5}\s*", away):
        raise _wrong(each)
    point: Point = parse_point(text.strip())
    off = int(away) if sign else NEAR_DEFAULT
    start, stop = max(0, point.address - off), min(ITEMS_PER_TABLE, point.address + off + 1)
    # A document may well have the table wrong: both are looked at, the one that it names is the likelier.
    tables = (point.table,) if point.table.is_bits else (Table.INPUT, Table.HOLDING)
    places = tuple(Span(table, start, stop - start) for table in tables)
    return replace(known, places=places, guess=(point.table, point.address))


def _among(known: Quantity, text: str) -> Quantity:
    """The first register of the value is one of these, for certain. Said again: or one of those."""
    places = (*known.places, parse_span(text))
    declared = known.declared - {"table"} | ({"table"} if len({span.table for span in places}) == 1 else set())
    return replace(known, places=places, declared=frozenset(declared))


def _as(known: Quantity, each: Statement) -> Quantity:
    words = each.rest.replace(",", " ").split()
    orders = tuple(Order(word) for word in words if word in list(Order))
    types = tuple(word for word in words if word not in list(Order))
    for word in types:
        if word not in TYPE_NAMES:
            near = nearest(word, TYPE_NAMES)
            hint = f"; did you mean `{near}`?" if near else ""
            raise LocalError(
                f"there is no type `{printable(word)[:20]}` to look for; they are {listed(TYPE_NAMES)}{hint}"
            )
    declared = set(known.declared)
    declared |= {"type"} if len(types) == 1 else set()
    declared |= {"order"} if len(orders) == 1 else set()
    return replace(known, types=types or known.types, orders=orders or known.orders, declared=frozenset(declared))


def _scaled(known: Quantity, each: Statement) -> Quantity:
    if each.rest == "any line":
        return replace(known, is_any_line=True)
    if each.rest.startswith("by "):
        span = parse_span(each.rest.removeprefix("by "))
        if span.table.is_bits or span.count > EXPONENTS_MAX:
            raise LocalError(f"an exponent is sought in at most {EXPONENTS_MAX} registers, not in `{span}`")
        return replace(known, exponent=(*known.exponent, span))
    match = _LINE.fullmatch(each.rest)
    if match is None or not number_text(match[1]):
        raise _wrong(each)
    offset = number_text(match[3]) if match[3] else Fraction(0)
    scale = of_line(number_text(match[1]), -offset if match[2] == "-" else offset)
    # Several sentences: several scales to choose from.
    others = known.scales if "scale" in known.declared else ()
    return replace(known, scales=(*others, scale), declared=known.declared | {"scale"})
