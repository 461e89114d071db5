"""How soon the loss of a source is told: bounds against the engine in virtual time."""

from __future__ import annotations

import asyncio
from random import Random

import pytest

from wherry.engine.runner import Engine
from wherry.plan import loads
from wherry.plan.model import Plan
from wherry.simulate.controller import SimulatedController, simulate_plan
from wherry.simulate.virtual_loop import run_virtual
from wherry.timing.budget import budget
from wherry.timing.conditions import IDEAL
from wherry.transports.memory import MemoryNetwork

from .plant import KINDS, chance_text

MS = 1_000_000
GATEWAY = """
[controller.well]
connect = "tcp://10.20.0.20"
unit = 1
limits = { timeout = "2 s" }
response = { fixed = "4 ms", per_register = "0 s" }
[controller.hall]
connect = "tcp://10.20.0.20"
unit = 2
limits = { timeout = "2 s" }
response = { fixed = "5 ms", per_register = "0 s" }
[transfer.water]
from = "well"
to = "hall"
every = "200 ms"
max_age = "500 ms"
on_loss = "hold"
status = "holding 90"
values = [{ name = "level", take = "holding 0", put = "holding 100" }]
"""


def told_after_ns(plan: Plan, source: str, *, at_ms: float, is_killed: bool, wait_ms: int) -> dict[str, int]:
    """By transfer of this source, how long after its loss the receiver's quality register holds 0."""

    async def scenario() -> dict[str, int]:
        network, told = MemoryNetwork(Random(1)), dict[str, int]()
        lost_ns: list[int] = []

        def prepare(device: SimulatedController, _: Random) -> None:
            name = device.controller.name

            def on_served(at_ns: int, _unit: int, pdu: bytes, _answer: bytes) -> None:
                if pdu[0] != 16 or not lost_ns:
                    return
                start, count, data = pdu[1] << 8 | pdu[2], pdu[3] << 8 | pdu[4], pdu[6:]
                for each in plan.transfers:
                    if each.source != source or each.destination != name or each.status is None:
                        continue
                    offset = each.status.start - start
                    if 0 <= offset <= count - 4 and data[2 * offset + 3] == 0:
                        told.setdefault(each.name, at_ns + device.service_ns(pdu) - lost_ns[0])

            device.on_served = on_served

        simulated = await simulate_plan(plan, network, rng=Random(1), prepare=prepare)
        engine = Engine(plan, network, armed=[each.name for each in plan.controllers], seed=1)
        engine.start()
        await asyncio.sleep(3 + at_ms / 1000)
        lost_ns.append(asyncio.get_running_loop().now_ns)  # type: ignore[attr-defined]
        if is_killed:
            simulated.controllers[source].kill()
        else:
            simulated.controllers[source].respond = lambda *_: None
        await asyncio.sleep(wait_ms / 1000)
        await engine.stop()
        await simulated.stop()
        return told

    return run_virtual(scenario)


@pytest.mark.parametrize("is_killed", [False, True])
def test_a_time_out_behind_one_address_is_in_the_bound(is_killed: bool) -> None:
    plan = loads(GATEWAY, "plan.toml").plan
    bound_ns = budget(plan, conditions=IDEAL).transfer("water").loss.source_bad_ns
    assert bound_ns is not None
    seen = [
        told_after_ns(plan, "well", at_ms=at_ms, is_killed=is_killed, wait_ms=9_000)["water"]
        for at_ms in (0, 3, 50, 199, 1_900)
    ]
    assert max(seen) <= bound_ns
    if not is_killed:
        # The hall cannot be told while the time-out of the well keeps its line.
        assert max(seen) > 2_000 * MS
        assert bound_ns < 5_000 * MS


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"tcp://10.20.0.20": "rtu+tcp://10.20.0.20:4001"}, "made anew"),
        ({"limits = {": "limits = { connections = 2,"}, "connections of their own"),
        ({"limits = {": "limits = { in_flight = 4,"}, "at once"),
        ({"limits = {": 'limits = { connection = "per exchange",'}, "closed now and then"),
        ({'from = "well"': 'from = "hall"'}, "one controller"),
        ({"unit = 1": 'unit = 1\nidentity = { vendor = "Hatchery workshop" }'}, "who answers"),
    ],
)
def test_where_nothing_holds_it_is_said_why(change: dict[str, str], words: str) -> None:
    text = GATEWAY
    for old, new in change.items():
        text = text.replace(old, new)
    loss = budget(loads(text, "plan.toml").plan, conditions=IDEAL).transfer("water").loss
    assert loss.source_bad_ns is None
    assert words in loss.why_no_bound


@pytest.mark.slow
@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("seed", range(8))
def test_no_loss_is_told_later_than_its_bound(kind: str, seed: int) -> None:
    rng = Random(seed)
    text = chance_text(rng, is_harmonic=seed % 2 == 0, scale=4.0, kinds=(kind,))
    plan = loads(text.replace('max_age = "20 s"', 'max_age = "1 s"').replace('"5 s"', '"300 ms"'), "plan.toml").plan
    found = budget(plan, conditions=IDEAL)
    for source in {each.source for each in plan.transfers}:
        seen = told_after_ns(plan, source, at_ms=rng.randint(0, 800), is_killed=False, wait_ms=6_000)
        for each in found.transfers:
            if each.source == source and each.loss.source_bad_ns is not None:
                assert seen[each.name] <= each.loss.source_bad_ns
