"""S1 to S4 and the engine, in virtual time."""

from __future__ import annotations

import os
from dataclasses import replace
from random import Random
from typing import Any

import pytest

from wherry.engine.carry import CarryState
from wherry.plan.model import Plan
from wherry.protocol.tolerance import Tolerance
from wherry.simulate.devices.catalogue import plan_for
from wherry.values.quality import Quality

pytestmark = pytest.mark.slow

TRANSACTIONS = int(os.environ.get("WHERRY_DEVICE_TRANSACTIONS", "1200"))


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


REASONS = {
    "zero": 'replies come with transaction id 0: `tolerate = ["transaction id 0"]` would take them',
    "swapped": "replies come with the two bytes of the transaction id swapped",
    "plus one": "replies come with a transaction id that is one too high",
    "only zero": "3 requests in a row were not answered in time",
    "unit": "the reply did not fit the request: unit 255 answered a request to unit 1",
}


@pytest.mark.parametrize("in_flight", [1, 3])
@pytest.mark.parametrize("kind", REASONS)
def test_replies_without_their_id_are_refused_and_the_reason_is_told(on_device: Any, kind: str, in_flight: int) -> None:
    async def play(trial: Any) -> None:
        await trial.run(count=300)
        carry = trial.carry("water")
        assert carry.delivered <= 2
        assert carry.quality is Quality.BAD
        assert [each for _, _, each in trial.qualities if each] == []
        told = [*trial.said("skid"), *carry.failures]
        assert any(REASONS[kind] in each for each in told), told

    on_device(f"S3:{kind}", 1, play, plan=pipelined(plan_for("S3"), in_flight), only="skid")


TOLERANCES = {
    "zero": Tolerance.ZERO,
    "swapped": Tolerance.SWAPPED,
    "plus one": Tolerance.PLUS_ONE,
    "only zero": Tolerance.ONLY_ZERO,
    "unit": Tolerance.UNIT,
}


@pytest.mark.parametrize("kind", TOLERANCES)
def test_with_the_tolerance_named_it_works_and_is_never_good(on_device: Any, kind: str, seed: int) -> None:
    plan = pipelined(plan_for("S3"), 3)
    first, *others = plan.controllers
    tolerant = replace(plan, controllers=(replace(first, tolerate=(TOLERANCES[kind],)), *others))

    async def play(trial: Any) -> None:
        await trial.run(count=TRANSACTIONS // 5)
        carry = trial.carry("water")
        assert carry.delivered == carry.scheduled - carry.skipped - (carry.state is not CarryState.IDLE)
        assert {each for _, _, each in trial.qualities} == {1}
        assert carry.quality is Quality.UNCERTAIN
        assert "from a device whose replies break the rules" in carry.quality_reason
        assert trial["skid"].counts.in_flight_max == (3 if kind == "unit" else 1)
        assert trial.line("skid").connections_lost == 0

    on_device(f"S3:{kind}", seed, play, plan=tolerant, only="skid")


def test_a_late_reply_of_a_tolerated_device_ends_with_its_connection(on_device: Any, seed: int) -> None:
    plan = plan_for("S3")
    first, *others = plan.controllers
    tolerant = replace(plan, controllers=(replace(first, tolerate=(Tolerance.ZERO,)), *others))

    async def play(trial: Any) -> None:
        rng = Random(seed)
        usual = trial["skid"].fault

        def sometimes_late(number: int, unit: int, pdu: bytes) -> Any:
            fault = usual(number, unit, pdu)
            return replace(fault, delay_ns=rng.randrange(300, 900) * 1_000_000) if rng.random() < 0.05 else fault

        trial["skid"].fault = sometimes_late
        await trial.run(count=TRANSACTIONS // 2)
        assert trial.line("skid").counters.timeouts > 5
        assert trial.line("skid").connections_lost >= trial.line("skid").counters.timeouts - 1
        assert trial.carry("water").delivered > 0.5 * trial.carry("water").scheduled

    on_device("S3:zero", seed, play, plan=tolerant, only="skid")


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
