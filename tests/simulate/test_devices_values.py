"""S12 and S13 and the engine, in virtual time."""

from __future__ import annotations

from typing import Any

import pytest

from wherry.plan import loads
from wherry.plan.model import Value
from wherry.simulate.controller import SimulatedController
from wherry.simulate.devices.values import (
    CARELESS_PLAN,
    DOUBLE_READ_PLAN,
    UPDATE_NS,
    is_episode,
    updated_ns,
)

pytestmark = pytest.mark.slow
S = 1_000_000_000


def whole(source: SimulatedController, value: Value, _now_ns: int) -> bytes | None:
    """What a value was after the last update that is complete; None while one is under way."""
    now_ns = source.program_ns()
    if now_ns - updated_ns(now_ns) >= UPDATE_NS:
        return None
    take = value.take
    return source.moving.read_registers(take.table, take.address, take.count)


def test_nothing_torn_arrives_with_a_guard(on_device: Any, seed: int) -> None:
    async def play(trial: Any) -> None:
        await trial.run()
        carry = trial.carry("meters")
        assert carry.torn_readings > 0, "or nothing was tried"
        assert carry.delivered > 0.95 * carry.scheduled

    on_device("S12", seed, play, truth=whole)


def test_nothing_torn_arrives_with_a_double_read(on_device: Any, seed: int) -> None:
    async def play(trial: Any) -> None:
        await trial.run()
        carry = trial.carry("meters")
        assert carry.torn_readings > 0
        assert carry.delivered > 0.8 * carry.scheduled

    on_device("S12", seed, play, plan=loads(DOUBLE_READ_PLAN).plan, only="skid", truth=whole)


def test_without_either_torn_values_do_arrive(on_device: Any) -> None:
    """Or the two tests before would prove nothing."""

    async def play(trial: Any) -> None:
        await trial.run(count=600)
        assert len(trial.wrong) > 10
        trial.is_judged = False

    on_device("S12", 1, play, plan=loads(CARELESS_PLAN).plan, only="skid", truth=whole)


def good(source: SimulatedController, value: Value, _now_ns: int) -> bytes | None:
    """What a value is, unless it is no data now."""
    if is_episode(PLACES.index(value.take.address), source.program_ns()):
        return None
    take = value.take
    return source.moving.read_registers(take.table, take.address, take.count)


PLACES = (0, 1, 2, 4, 6, 8)
"""Where the values of S13 are, in the order of its plan."""


def test_what_is_no_data_is_told_and_never_arrives(on_device: Any, seed: int) -> None:
    async def play(trial: Any) -> None:
        await trial.run(least_s=120)
        values = trial.carry("sensors").transfer.values
        assert tuple(each.take.address for each in values) == PLACES
        told = " / ".join(trial.said("sensors"))
        for value in values:
            assert f"{value.name}: " in told
        assert {quality for _, _, quality in trial.qualities} == {0, 2}
        assert trial["hall"].registers(100, 1)[0] >= 0x8000, "the temperature is below zero"

    on_device("S13", seed, play, truth=good)
