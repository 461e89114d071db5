"""A unit that does not answer, and the others behind its address: bounds against the engine in virtual time."""

from __future__ import annotations

import asyncio
from random import Random

import pytest

from wherry.engine.runner import Engine
from wherry.plan import loads
from wherry.simulate.controller import Fault, simulate_plan
from wherry.simulate.virtual_loop import run_virtual
from wherry.timing.budget import budget
from wherry.timing.conditions import IDEAL
from wherry.timing.silent import silent_unit
from wherry.transports.memory import MemoryNetwork

MS = 1_000_000


def feeders(count: int, *, timeout_ms: int = 300) -> str:
    """Units behind one address, each with a transfer to the hall once a second."""
    parts = ['[controller.hall]\nconnect = "tcp://10.20.0.12"\nresponse = { fixed = "1 ms", per_register = "0 s" }\n']
    parts += [
        f'[controller.feeder{unit}]\nconnect = "tcp://10.20.0.20"\nunit = {unit}\n'
        f'limits = {{ timeout = "{timeout_ms} ms" }}\nresponse = {{ fixed = "30 ms", per_register = "0 s" }}\n'
        f'[transfer.feed{unit}]\nfrom = "feeder{unit}"\nto = "hall"\nevery = "1 s"\nmax_age = "20 s"\n'
        f'on_loss = "hold"\nvalues = [{{ name = "level", take = "holding 0", put = "holding {unit}" }}]\n'
        for unit in range(1, count + 1)
    ]
    return "".join(parts)


@pytest.mark.parametrize("seed", range(3))
def test_others_keep_to_their_bounds_beside_a_silent_unit(seed: int) -> None:
    plan = loads(feeders(10), "plan.toml").plan
    found = budget(plan, conditions=IDEAL)
    silent = silent_unit(found, "feeder3")
    assert found.fits
    assert silent is not None
    assert set(silent.worst_ns) == {f"feed{unit}" for unit in range(1, 11)} - {"feed3"}
    assert silent.late == ()
    # It is noticed after two time-outs.
    assert silent.first_ns == 600 * MS

    async def scenario() -> dict[str, tuple[int, int]]:
        network = MemoryNetwork(Random(seed))
        simulated = await simulate_plan(plan, network, rng=Random(seed))
        simulated.controllers["feeder3"].fault = lambda *_: Fault(is_silent=True)
        engine = Engine(plan, network, armed=["hall"], seed=seed)
        engine.start()
        await asyncio.sleep(120)
        seen = {each.transfer.name: (each.age.max_ns, each.skipped + each.failed) for each in engine.carries}
        await engine.stop()
        await simulated.stop()
        return seen

    seen = run_virtual(scenario)
    for name, worst_ns in silent.worst_ns.items():
        assert worst_ns is not None
        age_ns, missed = seen[name]
        assert missed == 0
        assert age_ns <= max(worst_ns, found.transfer(name).worst_ns or 0)
        # A unit that is dead among ten: the others stay well inside 1.3 of their period.
        assert worst_ns < 1_300 * MS
    assert seen["feed3"][1] > 100


def test_a_long_time_out_makes_others_late() -> None:
    found = budget(loads(feeders(4, timeout_ms=1_500), "plan.toml").plan, conditions=IDEAL)
    silent = silent_unit(found, "feeder1")
    assert silent is not None
    assert silent.late == ("feed2", "feed3", "feed4")


def test_a_controller_by_itself_holds_up_nobody() -> None:
    found = budget(loads(feeders(2), "plan.toml").plan, conditions=IDEAL)
    assert silent_unit(found, "hall") is None
    with pytest.raises(KeyError):
        silent_unit(found, "nobody")
