"""The receiver's program with its block, against the engine as it is: a hundred losses, in virtual time.

The program reads nothing but the receiver's registers, once a scan, and knows nothing of the faults.
"""

from __future__ import annotations

import asyncio
from dataclasses import dataclass, field
from pathlib import Path
from random import Random
from typing import Any

import pytest

from wherry.clock import LoopClock
from wherry.engine.runner import Engine
from wherry.paper.structured_text import Block, age_allowed_ms, blocks_of
from wherry.plan import load
from wherry.plan.model import Plan
from wherry.simulate.controller import Simulated, SimulatedController, simulate_plan
from wherry.simulate.fault_kinds import FaultKind, PlannedFault
from wherry.simulate.faults import apply
from wherry.simulate.virtual_loop import run_virtual
from wherry.transports.behaviour import uniform_ns
from wherry.transports.memory import MemoryNetwork

MS = 1_000_000
S = 1000 * MS
EXAMPLE = Path(__file__).parents[2] / "examples" / "hatchery.toml"
LOSSES = 100
RECOVERY_NS = 8 * S
"""Within this everything is Good again: the longest wait before a new connection is 5 s."""
LINK_MS = 20
"""The way of a status write: a reply and two flights of the slowest link here, and what waits before it."""
WAYS = (
    (FaultKind.SOURCE_KILLED, ("skid",)),
    (FaultKind.FROZEN, ("skid",)),
    (FaultKind.HALF_OPEN, ("skid",)),
    (FaultKind.HALF_OPEN, ("hall",)),
    (FaultKind.REFUSED, ("hall",)),
    (FaultKind.HALF_OPEN, ("skid", "hall", "oxygen")),
)
"""The source, its program, its network; the receiver's network; and the carrier's own, as if it had died."""


@dataclass
class Program:
    """The receiver's program: one scan after the other, each as long as its scan time."""

    made: Any
    block: Block
    device: SimulatedController
    rng: Random
    scan_ms: int = 20
    fell_ns: list[int] = field(default_factory=list)
    rose_ns: list[int] = field(default_factory=list)

    def start(self) -> None:
        self._clock = LoopClock(asyncio.get_running_loop())
        self._zero_ns = self._clock.now_ns()
        self._scan()

    def _scan(self) -> None:
        now_ns = self._clock.now_ns() - self._zero_ns
        was = self.made["FallBack"]
        inputs: dict[str, int | bool] = {}
        for each in self.block.inputs:
            if each.type == "BOOL":
                inputs[each.name] = bool(self.device.store.read_bits(each.table, each.address, 1)[0] & 1)
            else:
                (inputs[each.name],) = self.device.registers(each.address, 1, each.table)
        self.made.scan(now_ns // MS, **inputs)
        if self.made["FallBack"] and not was:
            self.fell_ns.append(now_ns)
        elif was and not self.made["FallBack"]:
            self.rose_ns.append(now_ns)
        self._timer = self._clock.call_at(self._clock.now_ns() + self.scan_ms * MS, self._scan)

    def stop(self) -> None:
        self._timer.cancel()


def losses(rng: Random) -> list[tuple[PlannedFault, ...]]:
    """So many losses at random phases, far enough from each other."""
    at_ns, found = RECOVERY_NS, []
    for number in range(LOSSES):
        kind, names = WAYS[number % len(WAYS)]
        at_ns += rng.randrange(4 * S)
        lasts_ns = rng.randrange(2 * S, 5 * S)
        found.append(tuple(PlannedFault(at_ns, at_ns + lasts_ns, kind, name) for name in names))
        at_ns += lasts_ns + RECOVERY_NS
    return found


async def plant(plan: Plan, rng: Random) -> tuple[Simulated, MemoryNetwork, Engine]:
    network = MemoryNetwork(Random(rng.getrandbits(32)))
    for controller in plan.controllers:
        route = network.route(controller.host, controller.port)
        for behaviour in (route.to_server, route.to_client):
            behaviour.latency_ns = uniform_ns(100_000, 2 * MS)
    simulated = await simulate_plan(plan, network, rng=Random(rng.getrandbits(32)))
    engine = Engine(plan, network, armed=[each.name for each in plan.controllers], seed=rng.getrandbits(32))
    return simulated, network, engine


def watched(language: Any, seed: int, faults: list[tuple[PlannedFault, ...]], until_ns: int, scan_ms: int) -> Program:
    plan = load(EXAMPLE).plan
    (block,) = [each for each in blocks_of(plan, "hall") if each.transfer.name == "water"]

    async def main() -> Program:
        rng = Random(seed)
        simulated, network, engine = await plant(plan, rng)
        program = Program(language.instance(block.text), block, simulated.controllers["hall"], rng, scan_ms)
        apply(tuple(fault for group in faults for fault in group), simulated, network, rng=Random(seed))
        program.start()
        engine.start()
        await asyncio.sleep(until_ns / S)
        program.stop()
        await engine.stop()
        await simulated.stop()
        return program

    return run_virtual(main)


@pytest.mark.slow
def test_each_of_a_hundred_losses_is_seen_in_time_and_nothing_else_is(language: Any) -> None:
    scan_ms = 20
    faults = losses(Random("losses"))
    program = watched(language, 1, faults, faults[-1][0].end_ns + RECOVERY_NS, scan_ms)
    transfer = program.block.transfer
    fell = list(program.fell_ns)
    for group in faults:
        first_ns, last_ns = group[0].start_ns, group[0].end_ns
        mine = [each for each in fell if first_ns <= each < last_ns + RECOVERY_NS]
        assert mine, f"{group[0].text} was not seen"
        declared_ms = age_allowed_ms(transfer) + 2 * scan_ms + LINK_MS
        if group[0].kind is FaultKind.FROZEN:
            # Its last count may be read a whole period later, and counts from there.
            declared_ms += transfer.period_ns // MS
        assert (mine[0] - first_ns) / MS <= declared_ms, group[0].text
        assert any(last_ns <= each < last_ns + RECOVERY_NS for each in program.rose_ns), "it comes back by itself"
        for each in mine:
            fell.remove(each)
    assert fell == [], "it fell back without a loss"
    assert len(faults) == LOSSES


@pytest.mark.slow
def test_without_a_loss_it_never_falls_back(language: Any) -> None:
    program = watched(language, 3, [], 600 * S, 20)
    assert program.fell_ns == []
    assert len(program.rose_ns) == 1


def test_a_carrier_that_stops_by_itself_says_so(language: Any) -> None:
    plan = load(EXAMPLE).plan
    (block,) = [each for each in blocks_of(plan, "hall") if each.transfer.name == "water"]

    async def main() -> tuple[Program, int]:
        rng = Random(4)
        simulated, _, engine = await plant(plan, rng)
        program = Program(language.instance(block.text), block, simulated.controllers["hall"], rng)
        program.start()
        engine.start()
        await asyncio.sleep(10)
        assert program.made["Usable"]
        await engine.stop()
        await asyncio.sleep(0.1)
        return program, program.made["Reason"]

    program, reason = run_virtual(main)
    assert len(program.fell_ns) == 1
    assert reason == 3
