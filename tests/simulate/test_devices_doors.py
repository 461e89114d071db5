"""S8 and the engine, in virtual time."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from wherry.checks.check import check
from wherry.plan import loads
from wherry.simulate.devices.catalogue import DEVICES, plan_for
from wherry.simulate.devices.doors import DEAD, GATEWAY_PERIOD_NS, UNITS
from wherry.values.quality import Quality

pytestmark = pytest.mark.slow
S = 1_000_000_000
LIVE_FACTOR_MAX = 1.3


def test_a_device_with_one_connection_is_never_locked_up(on_device: Any, seed: int) -> None:
    async def play(trial: Any) -> None:
        await trial.run(least_s=4 * 3600)
        skid, line, water = trial["skid"], trial.line("skid"), trial.carry("water")
        assert skid.station.connects_in_an_hour_max <= line.controller.limits.connects_per_hour
        assert not skid.station.door.is_locked
        assert skid.counts.connections_open_max == 1
        assert skid.counts.connections >= 3, "it dies now and then"
        assert skid.counts.connections_refused > 0, "and its place is then kept for a while"
        assert any("waiting for a free session" in each for each in trial.said("skid"))
        assert water.delivered > 0.7 * water.scheduled
        # It came back each time: every loss but perhaps the last is followed by Good.
        qualities = [quality for _, _, quality in trial.qualities]
        assert qualities.count(2) > 0.7 * water.scheduled

    on_device("S7", seed, play)


def test_without_a_limit_the_device_locks_up(on_device: Any) -> None:
    """Or the test before would prove nothing."""
    plan = plan_for("S7")
    skid, hall = plan.controllers
    careless = replace(plan, controllers=(replace(skid, limits=replace(skid.limits, connects_per_hour=None)), hall))

    async def play(trial: Any) -> None:
        await trial.run(least_s=4 * 3600, count=1)
        assert trial["skid"].station.door.is_locked
        assert trial.carry("water").quality is Quality.BAD

    on_device("S7", 1, play, plan=careless, only="skid")


def test_units_that_are_not_there_do_not_starve_the_others(on_device: Any, seed: int) -> None:
    async def play(trial: Any) -> None:
        await trial.run(least_s=1500)
        passed_ns = trial.now_ns - trial.engine.started_ns
        for unit in range(1, UNITS + 1):
            carry = trial.carry(f"tank{unit}")
            if unit in DEAD:
                assert carry.delivered == 0
                assert carry.quality is Quality.BAD
                assert any("(0B)" in reason for reason in carry.failures)
            else:
                assert carry.quality is not Quality.BAD
                assert passed_ns / carry.delivered <= LIVE_FACTOR_MAX * GATEWAY_PERIOD_NS, carry.failures
        first = trial.line("tank1")
        assert first.link.connections_lost > 0, "the connection dies now and then"
        assert sum(trial[f"tank{unit}"].counts.exceptions[6] for unit in range(1, UNITS + 1)) > 0
        # What was asked on a lost connection is answered on the next, and is nobody's answer there.
        assert first.link.connects - 1 == first.link.connections_lost

    on_device("S8", seed, play)


def test_a_time_out_before_the_gateways_own_is_found_beforehand() -> None:
    text = DEVICES["S8"].plan_text
    assert [each.name for each in check(loads(text)) if each.level != "note"] == []
    hasty = check(loads(text.replace('timeout = "4 s"', 'timeout = "2 s"')))
    assert {each.name for each in hasty if each.level != "note"} == {"timeout-before-gateway"}
