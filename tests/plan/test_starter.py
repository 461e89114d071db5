"""The starter plan is sound as it stands."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from wherry.plan import loads
from wherry.plan.starter import Answers, starter, toml_key, toml_string


def test_the_starter_plan_has_no_findings_and_comments() -> None:
    text = starter()
    loaded = loads(text)
    assert loaded.findings == ()
    assert [each.name for each in loaded.plan.controllers] == ["skid", "hall"]
    assert len(loaded.plan.transfers[0].values) == 2
    assert text.count("#") > 10
    assert max(map(len, text.split("\n"))) <= 120


def test_what_is_commented_out_can_be_taken_in() -> None:
    text = starter()
    for key in ("limits", "when_silent", "max_age", "alive", "status", "copy"):
        assert f"\n# {key}" in text
        text = text.replace(f"\n# {key}", f"\n{key}")
    assert loads(text).findings == ()


@pytest.mark.parametrize("name", ["skid", "skid-1_b", "tänk 1", 'q"uote', "it's", "a.b", "\\", "[x]", "#"])
def test_any_printable_name_may_be_a_controllers(name: str) -> None:
    loaded = loads(starter(Answers(title=name, source=name, source_connect="tcp://[::1]:1502", every="1 min")))
    assert loaded.findings == ()
    assert (loaded.plan.title, loaded.plan.controllers[0].name) == (name, name)
    assert loaded.plan.controllers[0].port == 1502
    assert loaded.plan.transfers[0].period_ns == 60 * 10**9
    assert tomllib.loads(f"{toml_key(name)} = {toml_string(name)}") == {name: name}


def test_a_list_of_values_is_referred_to(tmp_path: Path) -> None:
    (tmp_path / "tänks.csv").write_text("name,take,put\na,holding 0,holding 1\n", encoding="utf-8")
    loaded = loads(starter(Answers(values_file="tänks.csv")), beside=tmp_path)
    assert loaded.findings == ()
    assert [each.name for each in loaded.plan.transfers[0].values] == ["a"]
