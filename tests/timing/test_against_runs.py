"""Budgets against what runs show: a rehearsal in virtual time, and the engine on real sockets."""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import Any

import pytest
from bench.plans import several_periods_plan

from wherry.engine.runner import Engine
from wherry.engine.status import summary
from wherry.plan import load, loads
from wherry.plan.model import Plan
from wherry.rehearse.scenario import rehearse
from wherry.simulate.controller import simulate_plan
from wherry.timing.budget import budget
from wherry.timing.conditions import read_measured
from wherry.timing.replay import replay
from wherry.transports.tcp import TcpNetwork

from .plant import KINDS, PACES, chance_plan, observe

ROOT = Path(__file__).resolve().parents[2]


def demo() -> Plan:
    return load(ROOT / "examples" / "hatchery.toml").plan


def several(values: int) -> Plan:
    return loads(several_periods_plan(values), "several.toml").plan


@pytest.mark.slow
@pytest.mark.parametrize("plan", [demo(), several(50), several(500)], ids=["demo", "50 values", "500 values"])
def test_no_value_gets_older_than_its_bound_in_a_rehearsal(plan: Plan) -> None:
    found = budget(plan)
    assert found.fits
    seen = rehearse(plan, hours=0.01, seed=1, faults="none")
    assert len(seen.transfers) == len(found.transfers)
    nearest = 0.0
    for each in seen.transfers:
        bound_ns = found.transfer(each.name).age_worst_ns
        assert bound_ns is not None
        assert each.age_ns_max is not None
        assert each.age_ns_max <= bound_ns
        assert each.failed == 0
        nearest = max(nearest, each.age_ns_max / bound_ns)
    # It is looked at once a period, which sometimes is just before the next values come.
    assert nearest > 0.85


@pytest.mark.slow
@pytest.mark.parametrize("plan", [demo(), several(50)], ids=["demo", "50 values"])
def test_no_value_is_older_than_its_bound_over_sockets(plan: Plan) -> None:
    """With the response times that the run itself shows: how busy this computer is nobody can declare."""

    async def scenario() -> tuple[Engine, dict[str, Any]]:
        simulated = await simulate_plan(plan, TcpNetwork(), any_port=True, declared_only=True)
        engine = Engine(simulated.plan, TcpNetwork(), armed=[each.name for each in plan.controllers], seed=1)
        is_enough = asyncio.Event()

        def served(*_: object) -> None:
            if all(each.delivered >= 2 for each in engine.carries):
                is_enough.set()

        for controller in simulated.controllers.values():
            controller.on_served = served
        engine.start()
        async with asyncio.timeout(60):
            await is_enough.wait()
        document = summary(engine, engine.now_ns())
        await engine.stop()
        await simulated.stop()
        return engine, document

    engine, document = asyncio.run(scenario())
    found = budget(plan, read_measured(document))
    if not found.fits:
        pytest.skip("this computer was held up for so long that nothing fits any more")
    for carry in engine.carries:
        bound_ns = found.transfer(carry.transfer.name).worst_ns
        assert bound_ns is not None
        assert 0 < carry.age.max_ns <= bound_ns


@pytest.mark.parametrize("kind", [each for each in KINDS if each != "in flight"])
def test_a_plan_is_played_through_as_the_engine_does(kind: str) -> None:
    """Request by request the same instants, when every request takes as long as it may."""
    for seed in range(6):
        made = chance_plan(seed, is_harmonic=seed % 2 == 0, kinds=(kind,))
        assert made is not None
        plan, found = made
        seen = observe(plan, found, seed, PACES["always the longest"], hyperperiods=2)
        played: dict[int, list[int]] = {}
        for each in replay(found.system, 40_000_000_000).served:
            played.setdefault(each.request, []).append(each.over_ns)
        for at, times in seen.over_instants_ns.items():
            assert times == played[at][: len(times)]
