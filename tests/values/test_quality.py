"""Qualities and reasons: the numbers are those of OPC UA, and a cleared register reads as Bad."""

from __future__ import annotations

import csv
import json
from pathlib import Path
from typing import Any

import pytest

from wherry.values.quality import Quality, Reason

FACTS: dict[str, Any] = json.loads((Path(__file__).parents[1] / "vectors" / "status_codes.json").read_text())
PUBLISHED = Path(__file__).parents[2].parent / "shared" / "reference" / "opcua_statuscodes.csv"


def test_a_reason_is_published_under_its_own_name_unless_it_says_otherwise() -> None:
    assert Reason.BAD_OUT_OF_RANGE.published == Reason.BAD_JUMPED.published == "BadOutOfRange"


def test_a_cleared_status_register_reads_as_bad() -> None:
    assert Quality(0) is Quality.BAD
    assert Quality.BAD < Quality.UNCERTAIN < Quality.GOOD


@pytest.mark.parametrize("reason", Reason, ids=lambda reason: reason.name)
def test_number_of_each_reason(reason: Reason) -> None:
    assert f"{reason.code:08X}" == FACTS["codes"][reason.published]


@pytest.mark.parametrize("reason", Reason, ids=lambda reason: reason.name)
def test_quality_is_in_the_top_bits(reason: Reason) -> None:
    severity = FACTS["severity"][f"{reason.code >> 30:02b}"]
    assert reason.quality.name.title() == severity
    assert reason.name.title().startswith(severity)


def test_each_reason_has_words_of_its_own() -> None:
    assert len({reason.words for reason in Reason}) == len(Reason)
    assert all(reason.words.islower() for reason in Reason)


def test_numbers_are_as_published() -> None:
    if not PUBLISHED.exists():
        pytest.skip(f"the published list of status codes is not here: it is kept outside the repository, {PUBLISHED}")
    with PUBLISHED.open(newline="", encoding="utf-8") as file:
        published = {row[0]: int(row[1], 16) for row in csv.reader(file)}
    for name, number in FACTS["codes"].items():
        assert published[name] == int(number, 16), name
    for reason in Reason:
        assert published[reason.published] == reason.code
