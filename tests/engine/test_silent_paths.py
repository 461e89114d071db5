"""A path that drops everything without a word, with TCP up: noticed in time, and over two periods after it returns."""

from __future__ import annotations

import asyncio
import random
from typing import Any

import pytest

from wherry.plan.model import Framing, Limits
from wherry.simulate.virtual_loop import run_virtual
from wherry.transports.behaviour import uniform_ns

MS = 1_000_000
S = 1000 * MS
HOSTS = {"skid": "10.20.0.11", "hall": "10.20.0.12"}


def drop(plant: Any, name: str, *, is_on: bool, accepts: bool) -> None:
    """Everything vanishes on the way; ``accepts``: a tunnel still accepts connections."""
    route = plant.network.route(HOSTS[name], 502)
    route.to_server.half_open = route.to_client.half_open = is_on
    route.hangs = is_on and not accepts


def downs(plant: Any, name: str) -> list[int]:
    return [event.at_ns for event in plant.events if event.kind == "line down" and event.subject == name]


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("accepts", [False, True], ids=["nothing connects", "a tunnel connects"])
@pytest.mark.parametrize("name", ["skid", "hall"])
@pytest.mark.parametrize("framing", [Framing.MBAP, Framing.RTU])
def test_a_silent_drop_is_noticed_in_time_and_over_two_periods_after_it(
    kit: Any, name: str, accepts: bool, seed: int, framing: Framing
) -> None:
    """Two periods are as long as a time-out, the first wait and a period together.

    Without transaction ids each time-out ends a connection: where a tunnel accepts the next, waits grow to 5 s.
    """
    back_s = 2.0 if framing is Framing.MBAP or not accepts else 7.0

    async def scenario() -> None:
        rng = random.Random(seed)
        limits = Limits(timeout_ns=300 * MS, reconnect_ns=200 * MS)
        plant = await kit.plant(
            period_ns=S, max_age_ns=3 * S, limits=limits, receiver_limits=limits, seed=seed, framing=framing
        )
        for _ in range(3):
            await asyncio.sleep(rng.uniform(5, 6))
            assert plant.receiver.registers(91, 1) == [2]
            dropped_ns = plant.engine.now_ns()
            before = len(downs(plant, name))
            drop(plant, name, is_on=True, accepts=accepts)
            await asyncio.sleep(4.1)
            assert len(downs(plant, name)) > before
            assert downs(plant, name)[before] - dropped_ns <= (S + 5 * 300 * MS) + 100 * MS
            # Whoever can be reached knows.
            if name == "skid":
                assert plant.receiver.registers(91, 1) == [0]
            else:
                assert plant.carry.quality.name == "BAD"
            await asyncio.sleep(rng.uniform(600, 601))
            drop(plant, name, is_on=False, accepts=accepts)
            delivered = plant.carry.delivered
            await asyncio.sleep(back_s)
            assert plant.carry.delivered > delivered
            assert plant.receiver.registers(91, 1) == [2]
        await plant.engine.stop()
        assert plant.counts_are_exact()

    run_virtual(scenario)


@pytest.mark.parametrize("period_s", [0.2, 30, 600])
def test_a_silent_line_is_given_up_after_three_requests_or_five_time_outs(kit: Any, period_s: float) -> None:
    async def scenario() -> None:
        period_ns = round(period_s * S)
        plant = await kit.plant(period_ns=period_ns, max_age_ns=5 * period_ns, status=None)
        await asyncio.sleep(2 * period_s + 0.05)
        drop(plant, "skid", is_on=True, accepts=False)
        asked_ns = plant.engine.now_ns() + period_ns - 50 * MS
        await asyncio.sleep(period_s + 6)
        (down_ns,) = downs(plant, "skid")
        assert down_ns - asked_ns <= 5 * S
        await plant.engine.stop()

    run_virtual(scenario)


def test_jitter_of_six_hundred_milliseconds_is_no_drop(kit: Any) -> None:
    async def scenario() -> None:
        plant = await kit.plant(period_ns=2 * S, max_age_ns=6 * S)
        for host in HOSTS.values():
            route = plant.network.route(host, 502)
            route.to_client.latency_ns = uniform_ns(0, 600 * MS)
        await asyncio.sleep(1999)
        await plant.engine.stop()
        assert plant.carry.delivered == plant.carry.scheduled == 1000
        assert [event for event in plant.events if event.kind == "line down"] == []

    run_virtual(scenario)


def test_a_seldom_lost_reply_on_a_slow_line_costs_no_connection(kit: Any) -> None:
    """One request in a minute: an answer that comes late shows that the connection lives."""

    def answer(device: Any, seen: Any, adu: bytes | None) -> tuple[int, bytes | None] | None:
        return (1500 * MS, adu) if seen.index % 3 == 2 else None

    async def scenario() -> None:
        plant = await kit.plant(source=kit.device(answer=answer), period_ns=60 * S, max_age_ns=300 * S, status=None)
        await asyncio.sleep(3600)
        await plant.engine.stop()
        line = plant.engine.lines["skid"]
        assert line.counters.late_replies == line.counters.timeouts == 20
        assert line.connects == 1

    run_virtual(scenario)
