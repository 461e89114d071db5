"""The pictures of a budget: what is in them, and the same bytes twice."""

from __future__ import annotations

import re
from functools import cache
from pathlib import Path
from xml.etree import ElementTree

from wherry.budget.picture import LINES_MAX, TRANSFERS_MAX, Scale, pictures, saw_tooth
from wherry.budget.timeline import Delivery, Timeline
from wherry.budget.words import at_most_text
from wherry.plan import load, loads
from wherry.timing.budget import budget

ROOT = Path(__file__).resolve().parents[2]
PNG = b"\x89PNG\r\n\x1a\n"
LABEL = re.compile(r"<!-- (.*?) -->")
MARK = re.compile(r'<g id="((?:read|write|deadline|bound|age)-[^"]+)">')


@cache
def made() -> dict[str, bytes]:
    return pictures(budget(load(ROOT / "examples" / "hatchery.toml").plan))


def labels(svg: bytes) -> list[str]:
    return LABEL.findall(svg.decode("utf-8"))


def test_there_are_two_pictures_in_two_forms() -> None:
    assert list(made()) == ["timeline.svg", "timeline.png", "ages.svg", "ages.png"]
    for name, data in made().items():
        if name.endswith("png"):
            assert data.startswith(PNG)
        else:
            assert ElementTree.fromstring(data).tag.endswith("svg")


def test_requests_deadlines_and_bounds_are_marked_for_each_address() -> None:
    svg = made()["timeline.svg"]
    marks = MARK.findall(svg.decode("utf-8"))
    # skid is read for two transfers; hall is written for two and read for one; oxygen is written for one.
    assert sorted(each for each in marks if each[0] in "rw") == [
        "read-0-0",
        "read-0-1",
        "read-1-1",
        "write-1-0",
        "write-1-2",
        "write-2-0",
    ]
    rows = ["0-0", "0-1", "1-0", "1-1", "1-2", "2-0"]
    assert sorted(each for each in marks if each[0] == "d") == [f"deadline-{row}" for row in rows]
    assert sorted(each for each in marks if each[0] == "b") == [f"bound-{row}" for row in rows]
    for wanted in (
        "Hatchery water exchange: requests",
        "one hyperperiod, 1 s: then everything comes again; every request takes as long as it may",
        "hall (127.0.0.1:15022), 14 % used",
        "time, ms",
    ):
        assert wanted in labels(svg), wanted


def test_ages_have_their_bound_beside_them() -> None:
    svg = made()["ages.svg"]
    assert MARK.findall(svg.decode("utf-8")) == ["age-water", "age-demand", "age-block"]
    water = budget(load(ROOT / "examples" / "hatchery.toml").plan).transfer("water")
    assert water.age_worst_ns is not None
    assert water.age_typical_ns is not None
    bound, usual = at_most_text(water.age_worst_ns), at_most_text(water.age_typical_ns)
    for wanted in ("water: skid -&gt; hall, every 200 ms", f"at most {bound}", f"usually {usual}", "age, ms"):
        assert wanted in labels(svg), wanted


def test_the_same_budget_gives_the_same_bytes() -> None:
    again = pictures(budget(load(ROOT / "examples" / "hatchery.toml").plan))
    assert again == made()


def many(count: int, every: str = "200 ms") -> str:
    parts = ['[controller.hall]\nconnect = "tcp://10.20.1.1"\n']
    for index in range(count):
        parts.append(f'[controller.c{index}]\nconnect = "tcp://10.20.0.{index + 1}"\n')
        parts.append(
            f'[transfer.t{index}]\nfrom = "c{index}"\nto = "hall"\nevery = "{every}"\n'
            f'values = [{{ name = "level $x_{{1}}$", take = "holding 0", put = "holding {index}" }}]\n'
        )
    return "".join(parts)


def test_of_many_some_are_shown_and_that_is_said() -> None:
    drawn = pictures(budget(loads(many(20), "plan.toml").plan))
    requests, ages = labels(drawn["timeline.svg"]), labels(drawn["ages.svg"])
    assert any(f"the {LINES_MAX} of 21 addresses that are used most" in each for each in requests)
    assert sum("% used" in each for each in requests) == LINES_MAX
    assert "15 others" in requests
    assert any(f"the {TRANSFERS_MAX} of 20 transfers" in each for each in ages)


def test_what_has_no_bound_is_drawn_without_one() -> None:
    drawn = pictures(budget(loads(many(1, "2 ms"), "plan.toml").plan))
    assert "no bound: it cannot keep up" in labels(drawn["ages.svg"])
    assert "bound-" not in drawn["timeline.svg"].decode("utf-8")
    assert any("found the cycle before unfinished" in each for each in labels(drawn["timeline.svg"]))


def test_the_saw_tooth_rises_with_time_and_falls_at_each_delivery() -> None:
    deliveries = (Delivery(0, 30), Delivery(100, 130), Delivery(200, 230))
    course = Timeline(100, 300, False, (), (deliveries,), 0)
    at, ages = saw_tooth(course, 0, Scale(100, "ns", 1, 200))
    assert list(zip(at, ages, strict=True)) == [(0, 100), (30, 130), (30, 30), (130, 130), (130, 30), (200, 100)]
