"""The example of careful writing has the keys that it is about, no findings, and rehearsals that break nothing."""

from __future__ import annotations

import datetime
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from wherry.checks.check import check
from wherry.plan import load
from wherry.rehearse.report import document
from wherry.rehearse.scenario import rehearse

EXAMPLE = Path(__file__).parents[2] / "examples" / "hatchery_careful.toml"
KEYS = {
    "step", "on_step", "verify", "deadband", "shortest", "refresh", "guard", "double_read", "alive", "command", "lease",
    "when_silent", "identity", "storage", "endurance", "life",
}  # fmt: skip


def keys_in(node: Any) -> Iterator[str]:
    """Every key of a document, however deep."""
    if isinstance(node, dict):
        yield from node
    for each in node.values() if isinstance(node, dict) else node if isinstance(node, list) else ():
        yield from keys_in(each)


def test_it_has_the_keys_that_it_is_about() -> None:
    assert set(keys_in(tomllib.loads(EXAMPLE.read_text(encoding="utf-8")))) >= KEYS


def test_nothing_is_found_in_it_not_even_a_note() -> None:
    assert [(each.name, each.message) for each in check(load(EXAMPLE))] == []


@pytest.mark.slow
@pytest.mark.parametrize(("faults", "hours"), [("none", 0.1), ("usual", 0.4), ("harsh", 0.3)])
def test_its_rehearsal_breaks_no_bound(faults: str, hours: float) -> None:
    made = rehearse(load(EXAMPLE).plan, hours=hours, seed=3, faults=faults)
    answer = document(made, hours_asked=hours, day=datetime.date(2026, 11, 25))
    assert answer["broken"] == []
    assert answer["transfers"]["feeding"]["verify"]["feed rate"]["verified"] > 0
    portions = answer["commands"]["portion"]
    assert portions["executed"] > 5
    assert portions["executed"] <= portions["carried_out"] <= portions["executed"] + portions["unknown"]
    if faults == "none":
        transfers = answer["transfers"]
        # At the start the feed rate is moved there in steps; that is told, and nothing else.
        steps = transfers.pop("feeding")["not_good_reasons"]
        assert [each["reason"] for each in steps] == ["feed rate: moved by `step` towards the source's value"]
        assert all(each["good_share"] > 0.99 for each in transfers.values()), transfers
