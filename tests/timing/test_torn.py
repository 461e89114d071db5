"""Sources that can be caught in the middle of an update: what is read again is in the bounds."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass, field
from random import Random

import pytest

from wherry.engine.runner import Engine
from wherry.plan import loads
from wherry.simulate.controller import SimulatedController, simulate_plan
from wherry.simulate.virtual_loop import run_virtual
from wherry.timing.bounds import does_fit
from wherry.timing.budget import TransferBudget, budget
from wherry.timing.conditions import IDEAL
from wherry.transports.memory import MemoryNetwork

MS = 1_000_000


def meter(care: str, *, every: str, moves: str, guard: str = "1 s") -> str:
    return f"""
[controller.skid]
connect = "tcp://10.20.0.11"
response = {{ fixed = "4 ms", per_register = "0 s" }}
simulate.signals = [
  {{ at = "holding 4 uint32", shape = "counter", low = 250000, high = 4000000000, period = "{moves}" }},
  {{ at = "holding 20", shape = "counter", low = 0, high = 60000, period = "{guard}" }},
]
[controller.hall]
connect = "tcp://10.20.0.12"
response = {{ fixed = "5 ms", per_register = "0 s" }}
[transfer.meter]
from = "skid"
to = "hall"
every = "{every}"
max_age = "3 s"
on_loss = "hold"
status = "holding 90"
{care}
values = [{{ name = "water made good", take = "holding 4 uint32", put = "holding 110 uint32" }}]
"""


@dataclass
class Seen:
    """What the receiver saw: the longest cycle, and by the cycles without a delivery in between the greatest age."""

    cycle_ns: int = 0
    peaks_ns: dict[int, int] = field(default_factory=dict)
    heartbeat_ns: int = 0
    torn: int = 0


def seen_of(text: str, *, scan_ms: int = 10, seconds: int = 60) -> Seen:
    plan = loads(text, "plan.toml").plan
    period_ns = plan.transfers[0].period_ns

    async def scenario() -> Seen:
        network, seen = MemoryNetwork(Random(1)), Seen()
        loop = asyncio.get_running_loop()
        told: list[int] = []
        state = {"number": -1, "sample": 0}

        def prepare(device: SimulatedController, _: Random) -> None:
            device.scan_ns = scan_ms * MS

            def on_served(at_ns: int, _unit: int, pdu: bytes, _answer: bytes) -> None:
                over_ns, start = at_ns + device.service_ns(pdu) - begun_ns, pdu[1] << 8 | pdu[2]
                if start == 90:
                    seen.heartbeat_ns = max(seen.heartbeat_ns, over_ns - told[-1] if told else 0)
                    told.append(over_ns)
                if start != 110:
                    return
                carry = engine.carries[0]
                sample_ns, number = carry.delivered_sample_ns, (carry.scheduled - 1)
                if over_ns - number * period_ns < 0 or carry.state.name != "WRITING":
                    return
                # A cycle that outlasts its period was released before the last release.
                while over_ns - number * period_ns < 10 * MS or number > started[0]:
                    number -= 1
                seen.cycle_ns = max(seen.cycle_ns, over_ns - number * period_ns)
                if sample_ns is not None:
                    missed = number - state["number"] - 1
                    age_ns = over_ns + begun_ns - sample_ns
                    seen.peaks_ns[missed] = max(seen.peaks_ns.get(missed, 0), age_ns)
                state["number"] = number

            if device.controller.name == "hall":
                device.on_served = on_served

        simulated = await simulate_plan(plan, network, rng=Random(1), prepare=prepare)
        engine = Engine(plan, network, armed=["hall", "skid"], seed=1)
        begun_ns = loop.now_ns  # type: ignore[attr-defined]
        started = [0]
        release = engine.carries[0].release

        def released(due_ns: int, now_ns: int, *, may_start: bool) -> bool:
            has_started = release(due_ns, now_ns, may_start=may_start)
            if has_started:
                started[0] = engine.carries[0].scheduled - 1
            return has_started

        engine.carries[0].release = released  # type: ignore[method-assign]
        engine.start()
        await asyncio.sleep(seconds)
        seen.torn = engine.carries[0].torn_readings
        await engine.stop()
        await simulated.stop()
        return seen

    return run_virtual(scenario)


def budget_of(text: str) -> TransferBudget:
    return budget(loads(text, "plan.toml").plan, conditions=IDEAL).transfers[0]


PLANS = {
    "one comparison": meter('double_read = "60 ms"', every="120 ms", moves="990 ms"),
    "outlasts its period": meter('double_read = "60 ms"', every="200 ms", moves="150 ms"),
    "two comparisons": meter('double_read = "60 ms"', every="250 ms", moves="990 ms"),
    "guard": meter('guard = "holding 20"', every="140 ms", moves="990 ms", guard="33 ms"),
    "guard and double": meter(
        'guard = "holding 20"\ndouble_read = "20 ms"', every="300 ms", moves="1 s", guard="90 ms"
    ),
}


@pytest.mark.parametrize("name", list(PLANS))
def test_what_is_read_again_is_in_the_bounds(name: str) -> None:
    found, seen = budget_of(PLANS[name]), seen_of(PLANS[name])
    assert found.fits
    assert seen.torn > 10
    assert found.worst_ns is not None
    assert found.age_worst_ns is not None
    assert found.loss.heartbeat_gap_ns is not None
    assert 0 < seen.cycle_ns <= found.worst_ns
    assert seen.heartbeat_ns <= found.loss.heartbeat_gap_ns
    # One period more for each cycle in which no reading was whole.
    for missed, age_ns in seen.peaks_ns.items():
        assert age_ns <= found.age_worst_ns + missed * found.period_ns


def test_how_many_readings_there_is_time_for() -> None:
    assert [budget_of(text).readings for text in PLANS.values()] == [1, 3, 3, 3, 3]
    assert budget_of(meter("", every="1 s", moves="1 s")).readings is None


def test_a_cycle_that_reads_again_may_outlast_its_period() -> None:
    found = budget(loads(PLANS["outlasts its period"], "plan.toml").plan, conditions=IDEAL)
    (water,) = found.transfers
    # Read, and three times again after 60 ms; then the value is put. Without a torn reading once again.
    assert water.worst_ns == 4 * MS + 3 * 64 * MS + 5 * MS
    assert water.whole_ns == 4 * MS + 64 * MS + 5 * MS
    assert water.fits
    assert does_fit(found.system, 0)
    assert water.age_worst_ns == water.period_ns + water.worst_ns + water.whole_ns
