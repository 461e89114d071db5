"""Code takes time: two looks at the clock in one callback are two instants, and a bound may lie between them."""

from __future__ import annotations

import asyncio
from typing import Any

import pytest

from wherry.clock import NS_PER_MS, NS_PER_S
from wherry.simulate.virtual_loop import run_virtual

PERIOD_NS = 200 * NS_PER_MS


@pytest.mark.parametrize("look_ns", [1, 700, 13_000, 90_000])
@pytest.mark.parametrize("max_age_periods", [2, 5])
def test_a_status_that_ages_between_two_looks_at_the_clock_is_told_as_bad(
    kit: Any, look_ns: int, max_age_periods: int
) -> None:
    # A sample is taken at a release, and max_age is a whole number of periods: the release of that instant judges the
    # values to be just young enough, and when the request is about to leave they have aged.
    async def run() -> None:
        plant = await kit.plant(period_ns=PERIOD_NS, max_age_ns=max_age_periods * PERIOD_NS)
        await asyncio.sleep(2)
        for _ in range(10):
            plant.source.is_dead = True
            await asyncio.sleep((max_age_periods + 2) * PERIOD_NS / NS_PER_S)
            scheduled = plant.carry.scheduled
            assert plant.receiver.registers(91, 1) == [0]
            plant.source.is_dead = False
            await asyncio.sleep(8)
            assert plant.carry.scheduled > scheduled
            assert plant.receiver.registers(91, 1) == [2]
        await plant.engine.stop()
        assert plant.counts_are_exact()

    run_virtual(run, look_ns=look_ns)


def test_a_fault_of_ours_in_one_sweep_does_not_end_the_schedule_of_the_others(kit: Any) -> None:
    async def run() -> None:
        heard: list[str] = []
        loop = asyncio.get_running_loop()
        loop.set_exception_handler(lambda _, context: heard.append(str(context["exception"])))
        plant = await kit.plant()
        await asyncio.sleep(2)
        before = plant.carry.delivered
        sweep = plant.engine._sweeps[0]
        whole = sweep.release

        def broken(*_: int) -> None:
            sweep.release = whole
            raise RuntimeError("of our own making")

        sweep.release = broken
        await asyncio.sleep(2)
        assert heard == ["of our own making"]
        assert plant.carry.delivered >= before + 8
        await plant.engine.stop()

    run_virtual(run)
