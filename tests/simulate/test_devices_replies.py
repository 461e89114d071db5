"""S1 to S4 and the engine, in virtual time."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from wherry.plan.model import Plan
from wherry.simulate.devices.catalogue import plan_for
from wherry.values.quality import Quality

pytestmark = pytest.mark.slow


def test_late_replies_are_dropped_and_counted_and_the_connection_stays(on_device: Any, seed: int) -> None:
    async def play(trial: Any) -> None:
        await trial.run()
        counts = trial.line("skid").counters
        share = counts.late_replies / counts.requests
        assert 0.003 < share < 0.03
        assert counts.timeouts - 3 <= counts.late_replies <= counts.timeouts
        assert counts.foreign_replies == 0
        # Three time-outs in a row, one chance in a million, are the only reason to begin anew.
        assert trial.line("skid").connections_lost <= 1
        assert trial.carry("water").delivered > 0.9 * trial.carry("water").scheduled

    on_device("S1", seed, play)


def test_without_ids_no_late_reply_is_taken_for_another(on_device: Any, seed: int) -> None:
    async def play(trial: Any) -> None:
        await trial.run()
        line = trial.line("skid")
        assert line.counters.timeouts > 2
        assert line.connections_lost >= line.counters.timeouts - 1
        assert trial.carry("water").delivered > 0.8 * trial.carry("water").scheduled

    on_device("S2", seed, play)


def pipelined(plan: Plan, in_flight: int) -> Plan:
    """The plan with more requests in flight at the first controller."""
    first, *others = plan.controllers
    return replace(plan, controllers=(replace(first, limits=replace(first.limits, in_flight=in_flight)), *others))


@pytest.mark.parametrize("in_flight", [1, 3])
@pytest.mark.parametrize("kind", ["zero", "swapped", "plus one", "only zero", "unit"])
def test_replies_without_their_id_are_refused(on_device: Any, kind: str, in_flight: int) -> None:
    async def play(trial: Any) -> None:
        await trial.run(count=600)
        carry = trial.carry("water")
        assert carry.delivered <= 2
        assert carry.quality is Quality.BAD
        assert [each for _, _, each in trial.qualities if each] == []

    on_device(f"S3:{kind}", 1, play, plan=pipelined(plan_for("S3"), in_flight), only="skid")


def test_pieces_are_read_and_broken_replies_dropped_whole(on_device: Any, seed: int) -> None:
    async def play(trial: Any) -> None:
        await trial.run(least_s=200)
        skid, oxygen = trial.line("skid").counters, trial.line("oxygen").counters
        assert skid.timeouts == skid.faulty == skid.exceptions == 0
        assert trial.line("skid").connections_lost == 0
        assert oxygen.faulty > 0
        assert oxygen.timeouts > 0
        # What came back broken cost its own exchange, and at most one more.
        broken = oxygen.faulty + oxygen.timeouts + oxygen.lost
        assert broken < 0.06 * oxygen.requests
        assert trial.carry("water").failed == 0
        assert trial.carry("oxygen").delivered > 0.9 * trial.carry("oxygen").scheduled

    on_device("S4", seed, play)
