"""The course of requests that the pictures show is the one that the engine takes."""

from __future__ import annotations

import asyncio
import re
from itertools import pairwise
from pathlib import Path
from random import Random

import pytest

from wherry.budget.timeline import Timeline, ages_window, hyperperiod_ns, requests_window, timeline
from wherry.engine.runner import Engine
from wherry.plan import loads
from wherry.plan.model import Plan
from wherry.simulate.controller import SimulatedController, simulate_plan
from wherry.simulate.virtual_loop import run_virtual
from wherry.timing.budget import Budget, budget
from wherry.timing.conditions import IDEAL
from wherry.transports.memory import MemoryNetwork

ROOT = Path(__file__).resolve().parents[2]
MS = 1_000_000
Seen = list[tuple[int, str, int, int]]
"""When a device took up a request, counted from the first one; whose, which function, which address."""

SHARED = """
[controller.tanks]
connect = "rtu+tcp://10.20.0.11:4001"
unit = 1
response = { fixed = "7 ms", per_register = "0 s" }
[controller.feeders]
connect = "rtu+tcp://10.20.0.11:4001"
unit = 2
response = { fixed = "11 ms", per_register = "0 s" }
[controller.hall]
connect = "tcp://10.20.0.12"
limits = { gap = "3 ms" }
response = { fixed = "5 ms", per_register = "100 us" }
[transfer.levels]
from = "tanks"
to = "hall"
every = "120 ms"
on_loss = "hold"
status = "holding 90"
values = [
  { name = "level 1", take = "holding 2", put = "holding 100" },
  { name = "level 2", take = "holding 9", put = "holding 110" },
]
[transfer.food]
from = "feeders"
to = "hall"
every = "180 ms"
on_loss = "hold"
values = [{ name = "food", take = "input 2", put = "holding 200" }]
[transfer.wanted]
from = "hall"
to = "feeders"
every = "360 ms"
on_loss = "hold"
values = [{ name = "wanted", take = "input 2", put = "holding 200" }]
"""


def course(found: Budget, until_ns: int) -> Timeline:
    return timeline(found.system, (0, until_ns, False))


def of_the_engine(plan: Plan, until_ns: int) -> Seen:
    async def run() -> Seen:
        network = MemoryNetwork(Random(1))
        seen: Seen = []

        def prepare(device: SimulatedController, _own: Random) -> None:
            name = device.controller.name

            def on_served(at_ns: int, _unit: int, pdu: bytes, _answer: bytes) -> None:
                seen.append((at_ns, name, pdu[0], int.from_bytes(pdu[1:3], "big")))

            device.on_served = on_served

        simulated = await simulate_plan(plan, network, rng=Random(1), prepare=prepare)
        engine = Engine(plan, network, armed=[each.name for each in plan.controllers], seed=1)
        engine.start()
        await asyncio.sleep(until_ns / 1e9)
        kept = list(seen)
        await engine.stop()
        await simulated.stop()
        return kept

    seen = run_virtual(run)
    start_ns = min(at_ns for at_ns, *_ in seen)
    return sorted((at_ns - start_ns, *rest) for at_ns, *rest in seen)  # type: ignore[misc]


def of_the_timeline(found: Budget, until_ns: int) -> Seen:
    requests = found.system.requests
    return sorted(
        (
            each.begun_ns,
            requests[each.request].controller,
            requests[each.request].function,
            requests[each.request].span.start,
        )
        for each in course(found, until_ns).bars
    )


def shared_plan() -> Plan:
    return loads(SHARED, "plan.toml").plan


def test_the_engine_asks_the_same_at_the_same_instants() -> None:
    text = (ROOT / "examples" / "hatchery.toml").read_text(encoding="utf-8")
    # A counter that must have moved keeps the first cycle from writing.
    plan = loads(re.sub(r"\nalive .*", "", text), "plan.toml").plan
    found = budget(plan, conditions=IDEAL)
    until_ns = 2 * hyperperiod_ns(found.system)
    shown = of_the_timeline(found, until_ns)
    assert len(shown) == 68
    # The engine starts when its connections are made, so that it sees a little less of the time.
    seen = of_the_engine(plan, until_ns)
    assert len(seen) >= 67
    for name in ("skid", "hall", "oxygen"):
        asked = [each for each in seen if each[1] == name]
        told = [each for each in shown if each[1] == name][: len(asked)]
        assert [each[1:] for each in asked] == [each[1:] for each in told]
        # A few bits are counted as one register, which is a little more than they take.
        assert all(0 <= there[0] - here[0] < MS // 5 for here, there in zip(asked, told, strict=True))


def test_nothing_takes_longer_than_its_bound() -> None:
    found = budget(shared_plan(), conditions=IDEAL)
    assert found.fits
    made = course(found, 10 * hyperperiod_ns(found.system))
    assert made.skipped == 0
    for bar in made.bars:
        window = found.bounds.windows[bar.request]
        assert window.over_ns is not None
        assert bar.over_ns - bar.release_ns <= window.over_ns
        assert window.earliest_ns <= bar.asked_ns - bar.release_ns


def test_an_address_serves_one_request_at_a_time_with_its_gap() -> None:
    found = budget(shared_plan(), conditions=IDEAL)
    bars = course(found, 10 * hyperperiod_ns(found.system)).bars
    for lane in range(2):
        here = [each for each in bars if found.system.requests[each.request].lane == lane]
        gaps = [after.begun_ns - before.over_ns for before, after in pairwise(here)]
        assert min(gaps) == (3 * MS if lane else 0)


def test_ages_come_from_when_a_value_was_asked_for() -> None:
    found = budget(shared_plan(), conditions=IDEAL)
    made = timeline(found.system, ages_window(found.system))
    for chain, deliveries in zip(found.system.chains, made.deliveries, strict=True):
        assert chain.transfer is not None
        period_ns = chain.transfer.period_ns
        bound_ns = found.transfer(chain.name).age_worst_ns
        assert bound_ns is not None
        assert len(deliveries) >= 720 * MS // period_ns
        for before, after in pairwise(deliveries):
            assert before.sampled_ns < before.at_ns <= after.sampled_ns
            assert period_ns / 2 < after.at_ns - before.sampled_ns <= bound_ns


def test_one_hyperperiod_is_shown_if_it_can_be_read() -> None:
    found = budget(shared_plan(), conditions=IDEAL)
    assert requests_window(found.system) == (360 * MS, 720 * MS, True)
    odd = loads(SHARED.replace('"120 ms"', '"119 ms"').replace('"180 ms"', '"187 ms"'), "plan.toml").plan
    from_ns, to_ns, is_whole = requests_window(budget(odd, conditions=IDEAL).system)
    assert (from_ns, is_whole) == (0, False)
    assert 119 * MS < to_ns < 119 * 187 * 360 * MS


@pytest.mark.parametrize("every", ["20 ms", "10 ms"])
def test_an_overload_skips_and_piles_up_nothing(every: str) -> None:
    found = budget(loads(SHARED.replace('"120 ms"', f'"{every}"'), "plan.toml").plan, conditions=IDEAL)
    made = course(found, 10_000 * MS)
    assert made.skipped > 10
    assert max(each.over_ns - each.asked_ns for each in made.bars) < 1_000 * MS
