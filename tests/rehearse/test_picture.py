"""The picture of a rehearsal: what is in it, and the same bytes twice."""

from __future__ import annotations

import re
from typing import Any
from xml.etree import ElementTree

import pytest

from wherry.rehearse.picture import TRANSFERS_MAX, Scale, fault_rows, foot_state, joined, pictures, row_label

PNG = b"\x89PNG\r\n\x1a\n"
LABEL = re.compile(r"<!-- (.*?) -->")
MARK = re.compile(r'<g id="(fault-\d+)">')
SPAN = re.compile(r'<g id="(fault-\d+-[^"]+)">')


def fault(number: int, at_s: float, controller: str, kind: str = "source killed") -> dict[str, Any]:
    return {
        "number": number, "kind": kind, "controller": controller, "text": f"{kind} at {controller}", "at_s": at_s,
        "until_s": at_s + 60, "mended_s": at_s + 62,
        "followed": [{"at_s": at_s + 1, "subject": "water", "message": "water is Bad"}],
    }  # fmt: skip


def transfer(source: str, destination: str, *, good_share: float | None = 0.9) -> dict[str, Any]:
    return {
        "from": source, "to": destination, "max_age_ms": 1000.0, "good_share": good_share,
        "uncertain_share": None if good_share is None else 0.04, "bad_share": None if good_share is None else 0.06,
        "silent_share": None if good_share is None else 0.0,
        "series": {
            "at_s": [0.0, 3600.0, 7200.0, 10_800.0],
            "age_ms": [None, 210.0, 60_000.0, 220.0],
            "is_silent": [False, False, False, True],
            "quality": [0, 2, 0, 1] if good_share is not None else [None] * 4,
            "until_s": 14_400.0,
        },
    }  # fmt: skip


def report(**changed: Any) -> dict[str, Any]:
    return {
        "title": "Hatchery water exchange",
        "plan": "hatchery.toml",
        "hours": 4.0,
        "is_interrupted": False,
        "seed": 1,
        "faults_asked": "usual",
        "transfers": {"water": transfer("skid", "hall"), "demand": transfer("hall", "oxygen", good_share=None)},
        "faults": [fault(1, 1000, "skid"), fault(2, 8000, "oxygen"), fault(3, 9000, "hall", "half-open")],
    } | changed


@pytest.fixture(scope="module")
def made() -> dict[str, bytes]:
    return pictures(report())


def test_there_is_a_png_and_an_svg_that_can_be_read(made: dict[str, bytes]) -> None:
    assert made["png"].startswith(PNG)
    assert ElementTree.fromstring(made["svg"]).tag.endswith("svg")


def test_axes_and_panels_are_labelled(made: dict[str, bytes]) -> None:
    labels = LABEL.findall(made["svg"].decode("utf-8"))
    assert labels.count("age") == 2
    assert labels.count("simulated time, h") == 1
    for wanted in (
        "Hatchery water exchange: age of the values in the receivers, rehearsed",
        "water: skid -&gt; hall",
        "demand: hall -&gt; oxygen",
        "max_age 1 s",
        "skid: source killed",
        "hall: half-open",
        "no status registers",
    ):
        assert wanted in labels, (wanted, labels)


def test_every_fault_is_marked_once_and_shaded_where_it_has_a_part(made: dict[str, bytes]) -> None:
    text = made["svg"].decode("utf-8")
    assert MARK.findall(text) == ["fault-3", "fault-2", "fault-1"]  # by row
    assert sorted(SPAN.findall(text)) == ["fault-1-water", "fault-2-demand", "fault-3-demand", "fault-3-water"]


def test_the_same_report_gives_the_same_bytes(made: dict[str, bytes]) -> None:
    again = pictures(report())
    assert again["svg"] == made["svg"]
    assert again["png"] == made["png"]
    assert pictures(report(seed=2))["svg"] != made["svg"]


def test_without_faults_there_are_no_marks() -> None:
    text = pictures(report(faults=[]))["svg"].decode("utf-8")
    assert "fault-" not in text
    assert "a fault of its source or receiver" not in text


def test_a_plan_of_commands_alone_has_its_faults_drawn() -> None:
    text = pictures(report(transfers={}))["svg"].decode("utf-8")
    assert len(MARK.findall(text)) == 3
    assert LABEL.findall(text).count("simulated time, h") == 1
    assert pictures(report(transfers={}, faults=[]))["png"].startswith(PNG)


@pytest.mark.slow
def test_of_many_transfers_the_worst_are_shown() -> None:
    many = {f"t{index}": transfer("skid", "hall", good_share=0.5 + index / 100) for index in range(20)}
    labels = LABEL.findall(pictures(report(transfers=many))["svg"].decode("utf-8"))
    assert [f"t{index}: skid -&gt; hall" in labels for index in range(20)] == [
        index < TRANSFERS_MAX for index in range(20)
    ]


def test_names_may_hold_anything() -> None:
    odd = {"$x_{1}$ & <水>": transfer("skid", "hall")}
    text = pictures(report(transfers=odd, title="a $ b"))["svg"].decode("utf-8")
    assert "a $ b: age of the values in the receivers, rehearsed" in LABEL.findall(text)


def test_rows_of_faults_stay_few() -> None:
    kinds = ["loss", "half-open", "slow device"]
    few = [fault(number, number, f"c{number % 3}", kinds[number % 3]) for number in range(9)]
    assert [name for name, _ in fault_rows(few)] == ["c0: loss", "c1: half-open", "c2: slow device"]
    alike = [fault(number, number, f"tank hall number {number}") for number in range(3)]
    assert [row_label(name) for name, _ in fault_rows(alike)] == [
        f"tank ha...mber {number}: source killed" for number in range(3)
    ]
    more = [fault(number, number, f"c{number}", kinds[number % 3]) for number in range(30)]
    assert [(name, len(row)) for name, row in fault_rows(more)] == [
        ("half-open", 10),
        ("loss", 10),
        ("slow device", 10),
    ]
    kinds = [f"kind {number:02d}" for number in range(30)]
    most = [fault(number, number, "c", kinds[number]) for number in range(30)]
    assert [(name, len(row)) for name, row in fault_rows(most)][-2:] == [("kind 15", 1), ("other kinds", 14)]


def test_marks_are_wide_enough_to_be_seen_and_stay_inside() -> None:
    scale = Scale.of(86_400)
    assert (scale.unit, scale.end) == ("h", 24)
    start, width = scale.span(86_399.9, 86_400)
    assert width >= 0.001 * 24
    assert start + width <= 24
    assert Scale.of(90).unit == "s"
    assert Scale.of(600).unit == "min"


def test_the_strip_shows_the_worst_that_a_receiver_can_know() -> None:
    assert [foot_state(*each) for each in ((2, False), (2, True), (1, False), (1, True), (0, True), (None, False))] == [
        "", "silent", "Uncertain", "silent", "Bad", "",
    ]  # fmt: skip


def test_spans_that_touch_are_joined() -> None:
    assert joined([(0.0, 1.0), (1.0, 1.0), (3.0, 1.0)]) == [(0.0, 2.0), (3.0, 1.0)]
