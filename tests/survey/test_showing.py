"""What people and programs see of a survey: the picture, the profile, the document, the saved words."""

from __future__ import annotations

import json

import pytest
from tests.survey.truths import S, Truth, surveyed

from wherry.clock import NS_PER_MS
from wherry.plan.durations import parse_duration
from wherry.plan.model import Span, Table
from wherry.plan.profile import How
from wherry.survey.found import Found, Settings
from wherry.survey.picture import COLUMNS, ROWS_MAX, Cell, drawn, key_of, rows_of
from wherry.survey.profile_of import profile_of, rounded_text, time_text
from wherry.survey.report import document, snapshot_of

TRUTH = Truth("shift", (1, 1, 2, -3, 1, 1, -2, 1, 1), 16, counting=(0,), moving=(7,), idle_ns=2 * S)
SETTINGS = Settings(units=(1,), tables=(Table.HOLDING, Table.INPUT), ranges=((0, TRUTH.size),), idle_ns=3 * S)


@pytest.fixture(scope="module")
def found() -> Found:
    return surveyed(TRUTH, SETTINGS).found


def test_the_picture_in_letters(found: Found) -> None:
    (row,) = rows_of(found.looked[0])
    assert "".join(row.cells) == "+===!!!~=!!=="
    assert [cell for cell, _ in key_of([row])] == [Cell.STILL, Cell.MOVES, Cell.COUNTS, Cell.UNSAFE]


def test_a_long_picture_is_drawn_together() -> None:
    truth = Truth("any", (1,) * 3000)
    settings = Settings(units=(1,), tables=(Table.HOLDING,), ranges=((0, 4000),), idle_ns=0, watch_ns=0)
    (looked,) = surveyed(truth, settings).found.looked
    rows = rows_of(looked)
    assert len(rows) <= ROWS_MAX
    assert rows[0].step == 4
    assert all(len(row.cells) <= COLUMNS for row in rows)
    assert rows[0].cells[0] is Cell.STILL
    assert rows[-1].cells[0] in (Cell.ABSENT, Cell.MIXED, Cell.UNKNOWN)
    # In a hole of a thousand only some addresses are tried, and that is told.
    assert looked.unlooked
    assert len(looked.items.known) < 700


@pytest.mark.slow
@pytest.mark.parametrize(("kind", "head"), [("png", b"\x89PNG"), ("svg", b"<?xml")])
def test_the_picture_on_paper(found: Found, kind: str, head: bytes) -> None:
    pytest.importorskip("matplotlib")
    picture = drawn(found, "Trout Works RS-7", kind)
    assert picture.startswith(head)
    assert picture == drawn(found, "Trout Works RS-7", kind)


def test_the_profile_says_how_each_fact_was_found(found: Found) -> None:
    profile = profile_of(found, at="tcp://10.20.0.11", surveyed="2026-11-25T12:00:00Z")
    assert profile.title == "Trout Works RS-7 2.11"
    assert profile.device["vendor"].how is How.DECLARED
    assert (profile.limits["read"].value, profile.limits["read"].how) == (13, How.OBSERVED)
    assert profile.limits["idle"].value == "2 s"
    assert profile.limits["gap"].value == "0 s"
    holding = profile.tables[Table.HOLDING]
    assert holding.holes is not None
    assert (holding.holes.value, holding.holes.how) == ("shift", How.PROVED)
    assert holding.unsafe == holding.absent == (Span(Table.HOLDING, 4, 3), Span(Table.HOLDING, 9, 2))
    assert holding.counts == (Span(Table.HOLDING, 0, 1),)
    assert holding.moves == (Span(Table.HOLDING, 7, 1),)
    assert profile.tables[Table.INPUT].refusal == "refused: illegal function (01)"
    low, high = profile.response["fixed"].low, profile.response["fixed"].high
    assert parse_duration(low) <= 5 * NS_PER_MS <= parse_duration(high)


def test_the_document_is_plain_data(found: Found) -> None:
    told = json.loads(json.dumps(document(found, "tcp://10.20.0.11", []), allow_nan=False))
    assert told["unit"] == 1
    assert told["tables"][0]["unsafe"] == [[4, 6], [9, 10]]
    assert told["response"]["fixed_ms"] == pytest.approx(5)
    assert told["changes"] == []
    assert told["limits"]["idle_s"] == 2


def test_saved_words_stand_in_their_own_places(found: Found) -> None:
    snapshot = snapshot_of(found, {"unit": "1"})
    words = snapshot.latest(Table.HOLDING)
    assert sorted(words) == sorted(TRUTH.existing())
    assert len(snapshot.samples(Table.HOLDING, 0)) >= 8
    ups = [word for _, word in snapshot.samples(Table.HOLDING, 0)]
    assert ups == sorted(ups)
    assert snapshot.samples(Table.HOLDING, 5) == []


@pytest.mark.parametrize(
    ("duration_ns", "text"),
    [(0, "0 s"), (7, "7 ns"), (1234, "1.23 us"), (6_351_999, "6.35 ms"), (999_999, "1 ms"), (12_345_678_901, "12.3 s")],
)
def test_measured_times_are_short(duration_ns: int, text: str) -> None:
    assert rounded_text(duration_ns) == text
    assert time_text(parse_duration(text)) == text
