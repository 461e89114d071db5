"""Values that real devices published, found again from what a display shows of them.

The dumps are those of registermaps/dumps in the shared reference data: two energy meters (float32) and a solar
inverter on two days (SunSpec), read out by nielsbasjes/modbus-devices @ 8a1f0c325b2f and nielsbasjes/modbus-schema
@ 68d672d8c08e (Apache-2.0), and one emulated device. WHERRY_FIT_DUMPS is how many values of each are sought (by
default 15; 0: all).
"""

from __future__ import annotations

import json
import os
from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest

from wherry.errors import LocalError
from wherry.fit.facts import Interval, Quantity, Shared, shown
from wherry.fit.others import KnownText, find_text
from wherry.fit.readings import Round
from wherry.fit.search import Field, Way, search
from wherry.fit.verdict import Verdict, fit
from wherry.plan.model import Table

DUMPS = Path(__file__).resolve().parents[3] / "shared" / "reference" / "registermaps" / "dumps"
MOST = int(os.environ.get("WHERRY_FIT_DUMPS", "15"))
POOLED = 8

pytestmark = pytest.mark.skipif(not DUMPS.is_dir(), reason=f"the dumps are not at {DUMPS}")


@dataclass(frozen=True)
class Published:
    """One value as its source publishes it, and where and how it is kept."""

    text: str
    table: Table
    address: int
    type: str
    factor: Fraction
    words: str


METERS = ("SDM630", "SDM230")
INVERTERS = ("SunSpec2023", "SunSpec2025", "SunSpecEmulatedDer")
PLAIN = {
    "int16": "int16", "uint16": "uint16", "int32": "int32", "uint32": "uint32", "int64": "int64", "uint64": "uint64",
    "acc32": "uint32", "acc64": "uint64", "float32": "float32", "acc16": "uint16",
    "sunssf": "int16", "count": "uint16", "pad": "int16",
}  # fmt: skip


def load(name: str) -> dict[str, Any]:
    data: dict[str, Any] = json.loads((DUMPS / f"{name}.json").read_text(encoding="utf-8"))
    return data


def registers(data: dict[str, Any]) -> Round:
    blocks = data.get("blocks") or [
        {"space": "hr", "first_address": data["first_address"], "registers_hex": data["registers_hex"]}
    ]
    made = Round(0)
    for block in blocks:
        table = {"ir": Table.INPUT, "hr": Table.HOLDING}[block["space"]]
        for offset, word in enumerate(block["registers_hex"].split()):
            if "-" not in word:
                made.put(table, block["first_address"] + offset, [int(word, 16)])
    return made


def published(data: dict[str, Any]) -> list[Published]:
    """The numbers of a dump as its source prints them; names of states and texts are left out."""
    if "points" in data:
        return [
            Published(
                str(each["expected_from_source"]),
                {"ir": Table.INPUT, "hr": Table.HOLDING}[each["space"]],
                each["address"],
                "float32",
                Fraction(1),
                each["registers"].replace(" ", ""),
            )
            for each in data["points"]
        ]
    found = []
    for model, points in data["decoded"].items():
        expected = data["expected_from_source"].get(f"Model {model}", {})
        for name, point in points.items():
            text = expected.get(name)
            if point["type"] not in PLAIN or text is None or not point["implemented"]:
                continue
            try:
                seen = shown(text)
            except LocalError:  # the name of a state, or a text
                continue
            factor = Fraction(10) ** point.get("sf", 0) if "sf" in point else None
            factor = factor if factor is not None else guessed(point)
            if factor is None or abs(Fraction(point["raw"]) * factor - seen.number) >= seen.digit:
                continue
            words = point["registers"].replace(" ", "")
            found.append(Published(text, Table.HOLDING, point["address"], PLAIN[point["type"]], factor, words))
    return found


def guessed(point: dict[str, Any]) -> Fraction | None:
    """The power of ten between the raw number and the value."""
    if not point["raw"]:
        return Fraction(1) if not point["value"] else None
    ratio = Fraction(str(point["value"])) / Fraction(point["raw"])
    return next((Fraction(10) ** power for power in range(-10, 11) if Fraction(10) ** power == ratio), None)


def of(each: Published, way: Way) -> bool:
    """Whether a way is the published one."""
    is_there = (way.table, way.address, way.form.name) == (each.table, each.address, each.type)
    return (
        is_there and "ABCD" in way.form.orders_alike and way.scale is not None and way.scale.line.factor == each.factor
    )


def reads(each: Published, field: Field, way: Way | None) -> bool:
    """Whether a way gives the published number from registers of the published place."""
    if way is None or way.table is not each.table:
        return False
    last = each.address + len(each.words) // 4 - 1
    is_inside = each.address <= way.address and way.address + way.form.registers - 1 <= last
    value = field.value(way, 0)
    return is_inside and value is not None and value in shown(each.text).interval


def some(points: Sequence[Published]) -> list[Published]:
    if not MOST or len(points) <= MOST:
        return list(points)
    return [points[index * len(points) // MOST] for index in range(MOST)]


def quantity_of(number: int, each: Published, *, has_range: bool = False) -> Quantity:
    """What is told of one value: what is shown; and that it is never more than twice that, nor of the other sign."""
    seen = shown(each.text)
    ends = sorted((Fraction(0), 2 * seen.number))
    return Quantity(f"{number}", {0: seen}, is_present=True, range=Interval(ends[0], ends[1]) if has_range else None)


def is_sought(each: Published) -> bool:
    """Whether its scale is among those that are tried."""
    return each.factor in [Fraction(10) ** power for power in range(-4, 5)]


@dataclass
class Count:
    sought: int = 0
    found: int = 0
    decided: int = 0
    place_decided: int = 0
    first: int = 0

    def take(self, each: Published, verdict: Verdict, field: Field) -> None:
        self.sought += 1
        left = [ranked.way for ranked in verdict.ranked]
        is_found = any(of(each, way) for way in left)
        if not is_found and verdict.count > len(left):
            groups = [group for group in search(field, verdict.quantity) if group.form.name == each.type]
            is_found = any(of(each, way) for group in groups for way in group.ways())
        assert is_found, (each, left[:3])
        self.found += 1
        self.first += reads(each, field, verdict.ranked[0].way)
        if verdict.is_decided:
            assert reads(each, field, verdict.best), (each, verdict.best)
            self.decided += 1
        elif len({(way.table, way.address) for way in left}) == 1 and verdict.count <= len(left):
            assert (left[0].table, left[0].address) == (each.table, each.address)
            self.place_decided += 1


def told(name: str, kind: str, count: Count) -> None:
    share = 100 * count.decided / count.sought
    print(
        f"{name}, {kind}: {count.sought} sought, {count.found} found, {count.decided} decided ({share:.0f} %), of "
        f"{count.place_decided} more the place alone, {count.first} first in rank, 0 wrong"
    )


@pytest.mark.slow
@pytest.mark.timeout(900)
@pytest.mark.parametrize("name", METERS + INVERTERS)
def test_each_published_value_is_found_alone(name: str) -> None:
    data = load(name)
    field = Field([registers(data)])
    points = [each for each in published(data) if is_sought(each)]
    assert len(points) > 25
    tellings = [point for point in points if telling(point) >= 100]
    for kind, chosen, has_range in (
        ("all values, alone", points, False),
        ("three digits or more, alone", tellings, False),
        ("three digits or more, alone, with a range", tellings, True),
    ):
        count = Count()
        for number, each in enumerate(some(chosen)):
            count.take(each, fit(field, [quantity_of(number, each, has_range=has_range)])[0], field)
        told(name, kind, count)
        assert count.found == count.sought


def telling(each: Published) -> int:
    """How many last digits a shown value counts, zeros at the end left out: 21.700 counts 217."""
    return int(each.text.replace(".", "").replace("-", "").strip("0") or "0")


@pytest.mark.slow
@pytest.mark.timeout(900)
@pytest.mark.parametrize("name", METERS + INVERTERS)
def test_several_values_together_decide_more(name: str) -> None:
    """Eight values at a time, of a device of which it is known that all are kept in one order (of the meters: in one
    type, too)."""
    data = load(name)
    field = Field([registers(data)])
    points = some([each for each in published(data) if is_sought(each) and telling(each) >= 100])
    shared = (Shared.ORDER, *((Shared.TYPE, Shared.SCALE) if name in METERS else ()))
    for has_range in (False, True):
        count = Count()
        for first in range(0, len(points), POOLED):
            group = points[first : first + POOLED]
            quantities = [quantity_of(number, each, has_range=has_range) for number, each in enumerate(group)]
            for each, verdict in zip(group, fit(field, quantities, shared), strict=True):
                count.take(each, verdict, field)
        told(name, f"three digits or more, {POOLED} together{', with a range' if has_range else ''}", count)


@pytest.mark.slow
def test_two_days_of_one_device_decide_what_one_day_does_not() -> None:
    """The same inverter was read on two days: two observations of each value."""
    days = [load(name) for name in INVERTERS[:2]]
    field = Field([registers(day) for day in days])
    lists = [{(each.table, each.address): each for each in published(day) if is_sought(each)} for day in days]
    moved = [
        (first, second)
        for place, first in lists[0].items()
        if (second := lists[1].get(place)) is not None and first.text != second.text and first.factor == second.factor
    ]
    assert len(moved) > 5
    alone, both = 0, 0
    for number, (first, second) in enumerate(moved):
        one = fit(Field(field.readings[:1]), [quantity_of(number, first)])[0]
        known = replace(quantity_of(number, first), shows={0: shown(first.text), 1: shown(second.text)})
        top = Fraction(32767) * first.factor
        known = replace(known, range=Interval(min(-top, Fraction(0)), top))
        if max(abs(shown(each.text).number) for each in (first, second)) > top:
            continue
        two = fit(field, [known])[0]
        assert any(of(first, way) for group in search(field, known) for way in group.ways())
        if two.is_decided:
            assert reads(first, field, two.best)
        alone += one.is_decided
        both += two.is_decided
    print(f"{len(moved)} values that moved: {alone} decided by one day, {both} by two days and a range")
    assert both > alone


@pytest.mark.slow
@pytest.mark.parametrize("name", INVERTERS)
def test_each_published_text_is_found(name: str) -> None:
    data = load(name)
    rounds = [registers(data)]
    sought, decided = 0, 0
    for model, points in data["decoded"].items():
        for key, point in points.items():
            text = data["expected_from_source"].get(f"Model {model}", {}).get(key)
            if point["type"] != "string" or not text or not point["implemented"]:
                continue
            found = find_text(rounds, KnownText(key, text))
            sought += 1
            assert point["address"] in [each.address for each in found.points], (key, text)
            if found.is_decided:
                assert [(each.address, each.order) for each in found.points] == [(point["address"], "ABCD")]
                assert found.points[0].type.registers >= len(text) / 2
            decided += found.is_decided
    print(f"{name}: {sought} texts sought and found, {decided} decided")
    assert sought >= 4
