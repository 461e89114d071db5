"""Some of the devices once over real sockets, on loopback: what virtual time shows holds there too."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from dataclasses import replace
from typing import Any

import pytest

from wherry.clock import NS_PER_MS
from wherry.plan.model import Limits, Plan
from wherry.simulate.controller import SimulatedController
from wherry.simulate.devices.catalogue import plan_for
from wherry.transports.tcp import TcpNetwork
from wherry.values.quality import Quality

pytestmark = pytest.mark.slow

SLACK_NS = 1000 * NS_PER_MS
"""A computer that is busy may let a callback wait."""
PATIENCE_S = 60
"""Only a fault makes it take that long."""


def quick(plan: Plan, *, period_ns: int = 20 * NS_PER_MS, **limits: Any) -> Plan:
    """The same plan, ten times as fast."""
    fast: Limits = replace(
        Limits(), timeout_ns=60 * NS_PER_MS, reconnect_ns=50 * NS_PER_MS, reconnect_ns_max=200 * NS_PER_MS, **limits
    )
    return replace(
        plan,
        controllers=tuple(replace(each, limits=fast) if each.name != "hall" else each for each in plan.controllers),
        transfers=tuple(replace(each, period_ns=period_ns, max_age_ns=1000 * NS_PER_MS) for each in plan.transfers),
    )


Prepare = Callable[[SimulatedController], None]
OverSockets = Callable[..., None]


@pytest.fixture
def over_sockets(new_trial: Any) -> OverSockets:
    """Play on the computer's own event loop, at ports of its choice."""

    def run(
        label: str, play: Callable[[Any], Awaitable[None]], plan: Plan, *, only: str, prepare: Prepare | None = None
    ) -> None:
        async def main() -> None:
            trial = new_trial(plan, label, only=only, network=TcpNetwork(), slack_ns=SLACK_NS)
            if prepare is not None:
                trial.prepare = prepare
            await trial.start()
            try:
                await asyncio.wait_for(play(trial), PATIENCE_S)
            finally:
                await trial.stop()
            trial.is_clean()

        asyncio.run(main())

    return run


def test_late_replies(over_sockets: OverSockets) -> None:
    async def play(trial: Any) -> None:
        counts = trial.line("skid").counters
        await trial.until(lambda: counts.late_replies >= 5 and trial.carry("water").delivered >= 10)
        assert counts.timeouts >= 5

    over_sockets("S1:often", play, quick(plan_for("S1"), in_flight=3), only="skid")


@pytest.mark.parametrize("kind", ["zero", "plus one", "unit"])
def test_ids_that_do_not_come_back(over_sockets: OverSockets, kind: str) -> None:
    async def play(trial: Any) -> None:
        await trial.until(lambda: trial.transactions >= 20)
        assert trial.carry("water").delivered <= 1
        assert trial.carry("water").quality is Quality.BAD
        assert [quality for _, _, quality in trial.qualities if quality] == []

    over_sockets(f"S3:{kind}", play, quick(plan_for("S3"), in_flight=3), only="skid")


def test_pieces_and_pairs(over_sockets: OverSockets) -> None:
    async def play(trial: Any) -> None:
        await trial.until(lambda: trial.carry("water").delivered >= 40)
        assert trial.line("skid").counters.faulty == 0

    over_sockets("S4:pieces", play, quick(plan_for("S4"), period_ns=50 * NS_PER_MS, in_flight=3), only="skid")


def test_broken_replies(over_sockets: OverSockets) -> None:
    async def play(trial: Any) -> None:
        counts = trial.line("oxygen").counters
        await trial.until(lambda: counts.faulty + counts.timeouts >= 3 and trial.carry("oxygen").delivered >= 20)

    over_sockets("S4:broken", play, quick(plan_for("S4")), only="oxygen")


def test_one_connection_that_is_closed_when_idle_and_kept_when_dead(over_sockets: OverSockets) -> None:
    """The device's times, made short: idle after 80 ms, a dead connection kept for 300 ms."""

    def shorten(device: SimulatedController) -> None:
        if device.door is not None:
            device.door.idle_ns, device.door.held_ns = 80 * NS_PER_MS, 300 * NS_PER_MS

    async def play(trial: Any) -> None:
        counts, water = trial["skid"].counts, trial.carry("water")
        await trial.until(lambda: water.delivered >= 3)
        assert counts.connections >= 2, "it was closed while idle, and made again"
        assert trial.line("skid").connections_lost == 0, "which is no loss"
        trial["skid"].station.lose_connections()
        before = water.delivered
        await trial.until(lambda: water.delivered >= before + 2)
        assert counts.connections_refused > 0, "the place was kept for a while"
        assert counts.connections_open_max == 1
        assert not trial["skid"].station.door.is_locked
        assert any("check that no other client holds" in each for each in trial.said("skid"))

    over_sockets("S7", play, quick(plan_for("S7"), period_ns=200 * NS_PER_MS), only="skid", prepare=shorten)


def test_a_write_that_does_not_stay_and_a_second_writer(over_sockets: OverSockets) -> None:
    plan = quick(plan_for("S9"), period_ns=50 * NS_PER_MS)
    (transfer,) = plan.transfers
    values = tuple(replace(each, verify_ns=100 * NS_PER_MS) for each in transfer.values)

    async def play(trial: Any) -> None:
        watches = trial.carry("setpoints").receiving.watches
        await trial.until(lambda: "accepted and ignored" in watches[0].words and watches[4].state == "verified")
        trial["hall"].set(values[4].put, 777)
        await trial.until(lambda: watches[4].state == "overwritten")
        await trial.until(lambda: trial["hall"].counts.writes > 60)
        assert trial["hall"].registers(104, 1) == (777,), "nobody fights"

    over_sockets("S9", play, replace(plan, transfers=(replace(transfer, values=values),)), only="hall")
