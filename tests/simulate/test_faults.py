"""Faults: drawn the same for the same seed, over in time, each does what its name says, and nothing is left behind."""

from __future__ import annotations

import asyncio
import os
import subprocess
import sys
from collections.abc import Callable
from dataclasses import asdict
from random import Random
from typing import Any

import pytest

from wherry.engine.runner import Engine
from wherry.plan import loads
from wherry.plan.model import Plan
from wherry.simulate.controller import Simulated, simulate_plan
from wherry.simulate.fault_kinds import HARSH, candidates
from wherry.simulate.faults import (
    MENUS,
    FaultKind,
    FaultParameters,
    FaultPlan,
    PlannedFault,
    apply,
    draw,
    liveness_ns,
)
from wherry.simulate.virtual_loop import run_virtual
from wherry.transports.memory import MemoryNetwork
from wherry.values.quality import Quality

S = 1_000_000_000
HOUR = 3600 * S

PLAN = """
title = "Hatchery water exchange"
[controller.skid]
connect = "tcp://10.20.0.11"
limits  = { timeout = "500 ms", in_flight = 2 }
[controller.hall]
connect = "tcp://10.20.0.12"
[controller.feeder]
connect = "rtu+tcp://10.20.0.13:4001"
unit    = 3
[transfer.water]
from   = "skid"
to     = "hall"
every  = "200 ms"
alive  = "holding 9"
status = "holding 90"
values = [
  { name = "tank 1 oxygen", take = "holding 0 float32", put = "holding 100 float32", range = [0, 20] },
  { name = "pump 1 running", take = "coil 3", put = "coil 5" },
]
[transfer.feed]
from   = "feeder"
to     = "skid"
every  = "500 ms"
status = "holding 190"
copy   = { take = "holding 0..9", put = "holding 200..209" }
"""


@pytest.fixture(scope="module")
def plan() -> Plan:
    loaded = loads(PLAN)
    assert not loaded.findings
    return loaded.plan


# Drawing.


def test_the_same_seed_draws_the_same_faults_and_another_seed_others(plan: Plan) -> None:
    drawn = [draw(Random(seed), plan, 4 * HOUR, "harsh") for seed in (1, 1, 2)]
    assert drawn[0] == drawn[1] != drawn[2]
    assert len(drawn[0]) > 100


@pytest.mark.slow
def test_the_same_faults_are_drawn_whatever_the_hash_seed(tmp_path: Any) -> None:
    program = tmp_path / "draw.py"
    program.write_text(
        "from random import Random\nfrom wherry.plan import loads\nfrom wherry.simulate.faults import draw\n"
        f"plan = loads({PLAN!r}).plan\n"
        "print([draw(Random(7), plan, 10**13, menu) for menu in ('usual', 'harsh')])\n"
    )
    said = [
        subprocess.run(
            [sys.executable, str(program)],
            env={**os.environ, "PYTHONHASHSEED": seed},
            capture_output=True,
            text=True,
            check=True,
        ).stdout
        for seed in ("1", "2")
    ]
    assert said[0] == said[1]
    assert said[0].count("PlannedFault(") > 100


@pytest.mark.parametrize("menu", ["usual", "harsh"])
@pytest.mark.parametrize("duration_ns", [60 * S, HOUR, 30 * HOUR])
def test_every_fault_is_over_before_the_phase_without_faults(plan: Plan, menu: str, duration_ns: int) -> None:
    safety_ns = duration_ns - liveness_ns(plan, duration_ns)
    assert duration_ns / 2 <= safety_ns < duration_ns
    ends: dict[tuple[FaultKind, str], int] = {}
    drawn = draw(Random(3), plan, duration_ns, menu)
    for fault in drawn:
        assert 0 <= fault.start_ns < fault.end_ns <= safety_ns
        assert ends.get((fault.kind, fault.controller), -1) < fault.start_ns, "two of a kind at once"
        ends[fault.kind, fault.controller] = fault.end_ns
        assert fault.controller in {each.name for each in candidates(plan, fault.kind)}
    assert list(drawn) == sorted(drawn, key=lambda each: each.start_ns)


def test_no_faults_are_drawn_from_the_empty_menu(plan: Plan) -> None:
    assert draw(Random(1), plan, 24 * HOUR, "none") == ()


def test_every_kind_comes_up_and_every_kind_is_switched_off_for_some_seed(plan: Plan) -> None:
    kinds = [{each.kind for each in draw(Random(seed), plan, HOUR // 2, HARSH)} for seed in range(40)]
    assert set().union(*kinds) == set(FaultKind)
    for kind in FaultKind:
        assert any(kind not in each for each in kinds), f"{kind} is never switched off"


def test_what_nobody_could_notice_is_not_drawn(plan: Plan) -> None:
    for kind in (FaultKind.REPETITION, FaultKind.INSERTION):
        assert "feeder" not in {each.name for each in candidates(plan, kind)}
    assert [each.name for each in candidates(plan, FaultKind.SOURCE_KILLED)] == ["skid", "feeder"]
    assert [each.name for each in candidates(plan, FaultKind.RECEIVER_KILLED)] == ["skid", "hall"]


# What they do.


class Run:
    """An engine on simulated controllers, with faults."""

    def __init__(self, plan: Plan, network: MemoryNetwork, simulated: Simulated) -> None:
        self.simulated = simulated
        self.network = network
        self.told: list[tuple[int, str, bool]] = []
        self.engine = Engine(plan, network, armed=[each.name for each in plan.controllers], seed=1)

    def tell(self, fault: PlannedFault, begins: bool) -> None:
        self.told.append((self.engine.now_ns(), fault.text, begins))

    @property
    def qualities(self) -> list[Quality]:
        return [each.quality for each in self.engine.carries]


def play(plan: Plan, faults: FaultPlan, at: Callable[[Run], None], *, at_s: float, until_s: float) -> Run:
    """Run with these faults, look at ``at_s``, end at ``until_s``."""

    async def main() -> Run:
        network = MemoryNetwork(Random(5))
        simulated = await simulate_plan(plan, network, declared_only=True)
        run = Run(plan, network, simulated)
        run.engine.start()
        apply(faults, simulated, network, run.tell)
        await asyncio.sleep(at_s)
        at(run)
        await asyncio.sleep(until_s - at_s)
        run_ends = run.qualities
        await run.engine.stop()
        await simulated.stop()
        assert run_ends == [Quality.GOOD, Quality.GOOD], [each.quality_reason for each in run.engine.carries]
        assert sum(line.guard.refused for line in run.engine.lines.values()) == 0
        return run

    return run_virtual(main)


def counters(run: Run, name: str) -> Any:
    return run.engine.lines[name].counters


SEEN: dict[FaultKind, tuple[str, Callable[[Run], bool]]] = {
    FaultKind.CORRUPTION: ("skid", lambda run: counters(run, "skid").faulty + counters(run, "skid").framing_errors > 3),
    FaultKind.REPETITION: ("skid", lambda run: counters(run, "skid").foreign_replies > 10),
    FaultKind.SEQUENCE: ("skid", lambda run: run.engine.lines["skid"].response.max_ns > 20_000_000),
    FaultKind.LOSS: ("skid", lambda run: counters(run, "skid").timeouts > 3),
    FaultKind.DELAY: ("skid", lambda run: counters(run, "skid").late_replies > 3),
    FaultKind.INSERTION: ("skid", lambda run: counters(run, "skid").foreign_replies > 10),
    FaultKind.MASQUERADE: ("skid", lambda run: counters(run, "skid").faulty > 10),
    FaultKind.ADDRESSING: ("skid", lambda run: counters(run, "skid").faulty > 10),
    FaultKind.SOURCE_KILLED: ("skid", lambda run: not run.engine.lines["skid"].is_up),
    FaultKind.RECEIVER_KILLED: ("hall", lambda run: not run.engine.lines["hall"].is_up),
    FaultKind.FROZEN: ("skid", lambda run: run.qualities[0] is Quality.BAD and counters(run, "skid").timeouts == 0),
    FaultKind.SLOW: ("skid", lambda run: run.engine.lines["skid"].response.max_ns > 30_000_000),
    FaultKind.HALF_OPEN: ("hall", lambda run: counters(run, "hall").timeouts >= 3),
    FaultKind.RESET: ("hall", lambda run: run.engine.lines["hall"].connections_lost > 1),
    FaultKind.REFUSED: ("hall", lambda run: "refused" in run.engine.lines["hall"].reason),
    FaultKind.CLOGGED: ("skid", lambda run: counters(run, "skid").timeouts > 0),
    FaultKind.PIECES: ("skid", lambda run: run.network.route("10.20.0.11", 502).to_client.joins),
}
SHARES = {FaultKind.CORRUPTION: 0.5, FaultKind.LOSS: 0.5}
DELAYS_NS = {
    FaultKind.SEQUENCE: S // 10,
    FaultKind.DELAY: 6 * S // 10,
    FaultKind.SLOW: S // 20,
    FaultKind.RESET: 2 * S,
}


@pytest.mark.parametrize("kind", FaultKind)
def test_each_kind_is_felt_and_is_over_when_it_is_over(plan: Plan, kind: FaultKind) -> None:
    name, is_felt = SEEN[kind]
    parameters = FaultParameters(SHARES.get(kind, 1.0), DELAYS_NS.get(kind, 0))
    fault = PlannedFault(3 * S, 13 * S, kind, name, parameters)
    felt: list[bool] = []

    def at(run: Run) -> None:
        felt.append(is_felt(run))

    run = play(plan, (fault,), at, at_s=12.9, until_s=40)
    assert felt == [True]
    assert run.told == [(3 * S, fault.text, True), (13 * S, fault.text, False)]
    for controller in plan.controllers:
        route = run.network.route(controller.host, controller.port)
        assert not route.refuses
        assert not route.hangs
        for behaviour in (route.to_server, route.to_client):
            assert behaviour.is_plain
            assert not behaviour.half_open
            assert not behaviour.joins
        assert run.simulated.controllers[controller.name].fault is None
        assert not run.simulated.controllers[controller.name].is_killed


@pytest.mark.parametrize("kind", [FaultKind.CORRUPTION, FaultKind.LOSS, FaultKind.PIECES, FaultKind.HALF_OPEN])
def test_a_line_without_transaction_ids_comes_through_too(plan: Plan, kind: FaultKind) -> None:
    fault = PlannedFault(3 * S, 13 * S, kind, "feeder", FaultParameters(0.5))

    def at(run: Run) -> None:
        seen = counters(run, "feeder")
        hurt = seen.timeouts + seen.faulty + seen.framing_errors
        assert (hurt == 0) is (kind is FaultKind.PIECES)

    play(plan, (fault,), at, at_s=12.9, until_s=40)


def test_faults_may_overlap(plan: Plan) -> None:
    faults = (
        PlannedFault(2 * S, 9 * S, FaultKind.SOURCE_KILLED, "skid"),
        PlannedFault(4 * S, 12 * S, FaultKind.RECEIVER_KILLED, "skid"),
        PlannedFault(5 * S, 14 * S, FaultKind.CLOGGED, "skid"),
        PlannedFault(6 * S, 16 * S, FaultKind.HALF_OPEN, "skid"),
        PlannedFault(6 * S, 16 * S, FaultKind.LOSS, "skid", FaultParameters(0.5)),
    )

    def at(run: Run) -> None:
        assert run.simulated.controllers["skid"].is_killed, "it comes back only when neither fault holds any more"
        assert run.network.route("10.20.0.11", 502).hangs

    run = play(plan, faults, at, at_s=11, until_s=60)
    assert len(run.told) == 2 * len(faults)


def test_what_a_controller_does_by_itself_stays(plan: Plan) -> None:
    """A fault hook that was there before is asked first, and is there again afterwards."""

    async def main() -> None:
        network = MemoryNetwork()
        simulated = await simulate_plan(plan, network, declared_only=True)
        asked: list[int] = []

        def own(number: int, _unit: int, _pdu: bytes) -> None:
            asked.append(number)

        simulated.controllers["skid"].fault = own
        applied = apply((PlannedFault(S, 2 * S, FaultKind.DELAY, "skid"),), simulated, network)
        await asyncio.sleep(1.5)
        assert [each.kind for each in applied.active] == [FaultKind.DELAY]
        hook = simulated.controllers["skid"].fault
        assert hook is not None
        assert hook(0, 1, bytes.fromhex("03 0000 0001")) is not None
        assert asked == [0]
        await asyncio.sleep(1)
        after = simulated.controllers["skid"].fault
        assert after is own
        await simulated.stop()

    run_virtual(main)


def test_they_can_be_ended_before_their_time(plan: Plan) -> None:
    async def main() -> None:
        network = MemoryNetwork()
        simulated = await simulate_plan(plan, network, declared_only=True)
        faults = (PlannedFault(S, 9 * S, FaultKind.REFUSED, "hall"), PlannedFault(5 * S, 9 * S, FaultKind.LOSS, "hall"))
        applied = apply(faults, simulated, network)
        await asyncio.sleep(2)
        assert network.route("10.20.0.12", 502).refuses
        applied.stop()
        await asyncio.sleep(5)
        assert asdict(network.route("10.20.0.12", 502)) == asdict(network.route("10.20.0.99", 502))
        assert not applied.active
        await simulated.stop()

    run_virtual(main)


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(6))
def test_all_is_good_again_after_the_harshest_menu(plan: Plan, seed: int) -> None:
    duration_ns = 10 * 60 * S
    faults = draw(Random(seed), plan, duration_ns, MENUS["harsh"])
    assert faults
    run = play(plan, faults, lambda _: None, at_s=1, until_s=duration_ns / S)
    assert len(run.told) == 2 * len(faults)
    for carry in run.engine.carries:
        assert carry.scheduled == carry.delivered + carry.skipped + carry.failed
