"""What a change of the plan un-proves: nothing too little, nothing too much, and why."""

from __future__ import annotations

from dataclasses import fields, replace
from typing import Any

import pytest

from wherry.plan import loads
from wherry.plan.model import Controller, Limits, Plan, Transfer, Value
from wherry.prove import retest
from wherry.prove.retest import NOTHING, Part, Retest, retests

TEXT = """
title = "Hatchery"
[controller.skid]
connect = "tcp://127.0.0.1:15021"
[controller.hall]
connect = "tcp://127.0.0.1:15022"
storage = "volatile"
[controller.feeder]
connect = "tcp://127.0.0.1:15023"
storage = "volatile"
[transfer.water]
from = "skid"
to = "hall"
every = "200 ms"
max_age = "1 s"
on_loss = "substitute"
status = "holding 90"
values = [
  { name = "oxygen", take = "holding 0 float32", put = "holding 100 float32", range = [0, 20], substitute = 0 },
  { name = "level", take = "holding 2 int16", put = "holding 102 int16", substitute = 0 },
]
[transfer.feed]
from = "hall"
to = "feeder"
every = "1 s"
on_loss = "hold"
values = [{ name = "portion", take = "holding 20", put = "holding 30" }]
"""


def plan(*changes: tuple[str, str]) -> Plan:
    """The plan, with some of its text replaced."""
    text = TEXT
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new, 1)
    return loads(text).plan


def lines(found: tuple[Retest, ...]) -> list[tuple[str, str]]:
    return [(each.part.value, "/".join(each.subject)) for each in found]


OLD = plan()


def test_nothing_changed() -> None:
    assert retests(OLD, plan()) == ()


def test_words_for_people_change_nothing() -> None:
    assert retests(OLD, plan(('title = "Hatchery"', '# moved down\n\ntitle = "The hatchery"'))) == ()


def test_another_place_of_one_value() -> None:
    found = retests(OLD, plan(("holding 2 int16", "holding 3 int16")))
    assert lines(found) == [("point", "water/level"), ("timing", "water")]
    assert found[0].reasons == ("`take` of `level` was changed",)
    assert found[1].reasons == ("other requests are made of skid",)


def test_another_order_leaves_the_timing_alone() -> None:
    found = retests(OLD, plan(("holding 0 float32", "holding 0 float32 CDAB")))
    assert lines(found) == [("point", "water/oxygen")]


def test_another_period() -> None:
    found = retests(OLD, plan(('every = "1 s"', 'every = "2 s"')))
    assert lines(found) == [("timing", "water"), ("timing", "feed"), ("loss and return", "feed")]
    assert found[0].reasons == ("other requests are made of hall",), "the hall serves both"


def test_another_substitute() -> None:
    found = retests(OLD, plan(("range = [0, 20], substitute = 0", "range = [0, 20], substitute = 5")))
    assert lines(found) == [("loss and return", "water")]


def test_another_device() -> None:
    found = retests(OLD, plan(("127.0.0.1:15023", "127.0.0.9:15023")))
    assert lines(found) == [
        ("identity", "feeder"),
        ("point", "feed/portion"),
        ("timing", "feed"),
        ("loss and return", "feed"),
    ]
    assert {each.reasons for each in found} == {("`connect` of feeder was changed",)}


def test_a_new_value() -> None:
    new = plan(("values = [{ name", 'values = [{ name = "lamp", take = "holding 21", put = "holding 40" }, { name'))
    assert lines(retests(OLD, new)) == [
        ("timing", "water"),
        ("point", "feed/lamp"),
        ("range ends", "feed/lamp"),
        ("timing", "feed"),
        ("loss and return", "feed"),
        ("start without a bump", "feed"),
        ("foreign writes", "feed/lamp"),
    ]


def test_a_value_that_is_gone() -> None:
    row = '  { name = "level", take = "holding 2 int16", put = "holding 102 int16", substitute = 0 },\n'
    found = retests(OLD, plan((row, "")))
    assert lines(found) == [
        ("no longer written", "hall/holding 102 int16 of hall"),
        ("timing", "water"),
        ("timing", "feed"),
    ]
    assert found[0].reasons == ("`level` is not put there any more, and the last value stays",)


def test_a_renamed_value_is_a_new_one() -> None:
    found = retests(OLD, plan(('name = "level"', 'name = "tank level"')))
    assert ("point", "water/tank level") in lines(found)
    assert not any("no longer" in test for test, _ in lines(found)), "its place is still written"


def test_a_new_transfer_leaves_the_values_of_others_alone() -> None:
    more = '[transfer.back]\nfrom = "feeder"\nto = "skid"\nevery = "1 s"\non_loss = "hold"\nvalues = [{ name = "fed", '
    new = loads(TEXT + more + 'take = "holding 1", put = "holding 50" }]\n').plan
    found = lines(retests(OLD, new))
    assert [subject for test, subject in found if test == "point"] == ["back/fed"]
    assert ("timing", "water") in found
    assert ("timing", "feed") in found


def test_another_way() -> None:
    found = lines(retests(OLD, plan(('from = "hall"\nto = "feeder"', 'from = "skid"\nto = "feeder"'))))
    assert ("point", "feed/portion") in found
    assert not any(subject.startswith("water/") for _, subject in found)


def test_more_changes_give_one_line_with_all_reasons() -> None:
    found = retests(OLD, plan(("holding 0 float32", "holding 0 int32"), ('holding 100 float32"', 'holding 100 int32"')))
    (point,) = (each for each in found if each.part is Part.POINT)
    assert point.reasons == ("`take` of `oxygen` was changed", "`put` of `oxygen` was changed")


TABLES: list[tuple[type, Any]] = [
    (Value, retest._VALUE),
    (Transfer, retest._TRANSFER),
    (Controller, retest._CONTROLLER),
    (Limits, retest._LIMITS),
]


@pytest.mark.parametrize(("kind", "table"), TABLES, ids=[kind.__name__ for kind, _ in TABLES])
def test_every_field_of_the_model_is_thought_of(kind: type, table: dict[str, Any]) -> None:
    assert {each.name for each in fields(kind)} == set(table)


@pytest.mark.parametrize("field", [name for name, tests in retest._VALUE.items() if tests is not NOTHING])
def test_each_field_of_a_value_un_proves_what_its_table_says(field: str) -> None:
    transfer = OLD.transfers[1]
    (value,) = transfer.values
    others: dict[str, Any] = {
        "take": replace(value.take, address=1),
        "put": replace(value.put, address=1),
        "group": "a",
        "is_on_change": True,
        "verify_ns": 1,
        "verify_at": value.put,
    }
    changes: dict[str, Any] = {field: others.get(field, object())}
    changed = replace(value, **changes)
    new = replace(OLD, transfers=(OLD.transfers[0], replace(transfer, values=(changed,))))
    told = {each.part for each in retests(OLD, new)}
    assert set(retest._VALUE[field]) <= told
