"""S9 to S11 and the engine, in virtual time."""

from __future__ import annotations

import os
from dataclasses import replace
from typing import Any

import pytest

from wherry.checks.check import check
from wherry.plan import loads
from wherry.plan.model import Plan
from wherry.simulate.devices.catalogue import DEVICES, plan_for
from wherry.simulate.devices.writes import CLAMP, FOREIGN, LEASE_NS, LIMIT
from wherry.values.quality import Quality

pytestmark = pytest.mark.slow
S = 1_000_000_000
TRANSACTIONS = int(os.environ.get("WHERRY_DEVICE_TRANSACTIONS", "1200"))


# Writes that do not stay.


def test_each_liar_lies_in_its_own_way(on_device: Any, seed: int) -> None:
    """What a plan without `verify` cannot notice: every write was answered as it should be."""
    text = DEVICES["S9"].plan_text
    assert ', verify = "2 s"' in text
    seen: list[tuple[int, ...]] = []

    async def play(trial: Any) -> None:
        hall, skid = trial["hall"], trial["skid"]
        # The setpoints step from 900..940 to 1100..1140 after 200 s.
        for _ in range(40):
            await trial.wait(10.1)
            seen.append(hall.registers(100, 5))
        await trial.run()
        assert not hall.counts.exceptions
        assert trial.carry("setpoints").quality is Quality.GOOD
        assert skid.counts.writes == 0

    on_device("S9", seed, play, plan=loads(text.replace(', verify = "2 s"', "")).plan, only="hall")
    ignored, clamped, late, reverted, foreign = zip(*seen, strict=True)
    assert set(ignored) == {0}
    assert set(clamped) == {910, CLAMP}
    assert {0, 920, 1120} >= set(late) > {920}
    assert {930, 1130} & set(reverted)
    assert foreign.count(FOREIGN) < len(foreign), "the carrier writes it again in each cycle"


OUTCOMES = (
    "accepted and ignored: it still holds 0",
    "accepted, but it holds 1000 in place of 1110",
    "verified, 6.0 s after the write",
    "reverted to 0, which it held before",
    "overwritten by somebody else: it holds 777 in place of 940",
)


def last_writes(hall: Any) -> dict[int, int]:
    """When each of three registers was written last, of the writes that the device has kept."""
    return {
        address: max(each.at_ns for each in hall.writes if each.address <= address < each.address + each.count)
        for address in (102, 103, 104)
        if any(each.address <= address < each.address + each.count for each in hall.writes)
    }


def test_each_liar_is_found_out_and_nobody_fights(on_device: Any, seed: int) -> None:
    async def play(trial: Any) -> None:
        await trial.wait(300)
        carry, hall = trial.carry("setpoints"), trial["hall"]
        told = trial.said("setpoints")
        for index, words in enumerate(OUTCOMES, 1):
            assert any(f"setpoint {index}" in each and words in each for each in told), (words, told)
        assert [str(each.state) for each in carry.receiving.watches[-2:]] == ["reverted", "overwritten"]
        assert carry.quality is Quality.BAD
        # The foreign writer came after 30 s, and was seen within two readings. The way back comes 60 s after a write,
        # at the instant of another one: where it falls between our reading and that write it is written over unseen,
        # and comes again.
        last_ns = last_writes(hall)
        assert last_ns[103] % (60 * S) <= 2 * S
        assert last_ns[103] < 300 * S
        assert last_ns.get(104, 0) <= 32 * S
        assert last_ns[102] > 290 * S, "the others go on"
        await trial.run()
        # Only the latest writes are kept by the device: of the two that were stopped there is none among them.
        later_ns = last_writes(hall)
        assert later_ns[102] >= last_ns[102]
        assert all(later_ns.get(address, 0) <= last_ns.get(address, 0) for address in (103, 104))
        assert hall.registers(104, 1) == (FOREIGN,)
        assert trial.carry("setpoints").delivered > 0.99 * trial.carry("setpoints").scheduled

    on_device("S9", seed, play)


# Memory that wears out.


ENDURANCE = 300


def without_deadband(plan: Plan) -> Plan:
    """The plan of somebody who writes in every cycle, for a device that wears out sooner."""
    skid, hall = plan.controllers
    (transfer,) = plan.transfers
    (value,) = transfer.values
    value = replace(value, deadband=None, shortest_ns=0, is_on_change=False)
    return replace(
        plan,
        controllers=(skid, replace(hall, endurance=ENDURANCE)),
        transfers=(replace(transfer, values=(value,)),),
    )


def test_noise_is_not_written(on_device: Any, seed: int) -> None:
    async def play(trial: Any) -> None:
        await trial.run(least_s=max(1800, TRANSACTIONS), count=1)
        assert trial["hall"].counts.writes <= 3
        assert trial.carry("setpoint").delivered > 0.99 * max(1800, TRANSACTIONS)

    on_device("S10", seed, play)


def test_without_a_deadband_the_memory_dies_and_the_plan_is_refused(on_device: Any) -> None:
    async def play(trial: Any) -> None:
        await trial.run(count=ENDURANCE + 10)
        hall = trial["hall"]
        dead = hall.registers(100, 2)
        await trial.wait(60)
        assert hall.registers(100, 2) == dead, "it keeps what it has"
        assert not hall.counts.exceptions, "and says nothing of it"

    on_device("S10", 1, play, plan=without_deadband(plan_for("S10")), only="hall")
    text = DEVICES["S10"].plan_text
    careless = check(loads(text.replace(", deadband = 0.5", "")))
    assert [each.name for each in careless if each.level == "error"] == ["worn-out-early"]
    assert [each.name for each in check(loads(text)) if each.level == "error"] == []


# A lease.


def test_a_lease_is_kept_and_ends_after_our_stop(on_device: Any, seed: int) -> None:
    async def play(trial: Any) -> None:
        hall = trial["hall"]
        ends_ns = trial.now_ns + max(900, TRANSACTIONS) * S
        while trial.now_ns < ends_ns:
            await trial.wait(7)
            assert hall.registers(100, 1)[0] in (400, 600)
        # The value only changes every five minutes; it was written for the lease.
        assert hall.counts.writes > 900 * S / LEASE_NS
        await trial.engine.stop()
        await trial.wait(LEASE_NS / S - 11)
        assert hall.registers(100, 1)[0] in (400, 600), "the lease is not over"
        await trial.wait(13)
        assert hall.registers(100, 1)[0] == LIMIT, "as declared: it runs on to its limit"

    on_device("S11", seed, play)
    names = {each.name for each in check(loads(DEVICES["S11"].plan_text))}
    assert "silence-undeclared" in names, "the danger is told by check"


def test_a_timer_that_is_not_active_shows_when_it_is_tried(on_device: Any) -> None:
    async def play(trial: Any) -> None:
        hall = trial["hall"]
        await trial.wait(60)
        await trial.engine.stop()
        await trial.wait(600)
        assert hall.registers(100, 1)[0] in (400, 600), "nothing happened, whatever the manual says"
        hall.kill()
        await trial.wait(2)
        await hall.revive()
        await trial.wait(2 * LEASE_NS / S)
        assert hall.registers(100, 1)[0] == LIMIT, "after it was switched off and on"

    on_device("S11:timer off", 1, play, only="hall")
