"""S5 and S6 and the engine, in virtual time."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from wherry.plan.model import Plan
from wherry.simulate.devices.catalogue import plan_for
from wherry.simulate.devices.tables import HOLES, LIMITS, QUANTITY_MAX
from wherry.values.quality import Quality

pytestmark = pytest.mark.slow


def test_no_request_touches_a_hole(on_device: Any, seed: int) -> None:
    async def play(trial: Any) -> None:
        await trial.run()
        for name in trial.placed:
            counts = trial[name].counts
            assert not counts.exceptions
            assert counts.reads == counts.request_count > 0
            assert trial.carry(name).quality is Quality.GOOD
            assert trial.carry(name).failed == 0

    on_device("S5", seed, play)


def greedy(plan: Plan) -> Plan:
    """The plan of somebody who believes that the holes may be read over."""
    spans = [replace(plan.controllers[0].simulation.holes[0], start=0, count=20)]
    return replace(
        plan,
        controllers=tuple(
            replace(each, readable=tuple(spans)) if each.name != "hall" else each for each in plan.controllers
        ),
    )


@pytest.mark.parametrize("kind", HOLES)
def test_the_holes_are_really_there(on_device: Any, kind: str) -> None:
    """A plan that allows to read over them meets each behaviour; only the silent shift goes unnoticed."""

    async def play(trial: Any) -> None:
        await trial.run(count=60)
        refused = trial["skid"].counts.exceptions
        assert bool(refused) is (kind in ("any", "unsplittable"))
        carry = trial.carry("skid")
        assert carry.quality is (Quality.BAD if refused else Quality.GOOD)
        if kind == "shift":
            wrong = {each.split(": ")[1].split(" was")[0] for each in trial.wrong}
            assert wrong == {"skid 6", "skid 10", "skid 14", "skid 18"}
            trial.is_judged = False

    on_device(f"S5:{kind}", 1, play, plan=greedy(plan_for("S5")), only="skid")


def test_no_more_is_asked_for_than_the_device_stands(on_device: Any, seed: int) -> None:
    async def play(trial: Any) -> None:
        await trial.run()
        for name in trial.placed:
            assert not trial[name].counts.exceptions
            assert trial[name].counts.unanswered == 0
            assert trial.carry(name).failed == 0

    on_device("S6", seed, play)


def unlimited(plan: Plan) -> Plan:
    """The plan of somebody who does not know the limit."""
    return replace(
        plan,
        controllers=tuple(replace(each, limits=replace(each.limits, read_registers=125)) for each in plan.controllers),
    )


REASONS = {
    "exception 2": "illegal data address (02)",
    "exception 3": "illegal data value (03)",
    "exception 4": "server device failure (04)",
    "silence": "no reply in time",
    "truncated": "did not fit the request",
}


@pytest.mark.parametrize("kind", LIMITS)
def test_a_limit_that_the_plan_does_not_know_of_is_told_and_nothing_is_made_of_it(on_device: Any, kind: str) -> None:
    async def play(trial: Any) -> None:
        await trial.run(count=100)
        carry = trial.carry("skid")
        assert carry.delivered == 0
        assert carry.quality is Quality.BAD
        assert any(REASONS[kind] in reason for reason in carry.failures)
        assert kind == "silence" or REASONS[kind] in carry.quality_reason
        assert not any(quality for _, name, quality in trial.qualities if name == "skid")
        assert trial.carry("intake").quality is Quality.GOOD

    plan = unlimited(plan_for("S6"))
    assert QUANTITY_MAX == 16
    on_device(f"S6:{kind}", 1, play, plan=plan, only="skid")
