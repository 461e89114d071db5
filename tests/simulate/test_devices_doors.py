"""S8 and the engine, in virtual time."""

from __future__ import annotations

from typing import Any

import pytest

from wherry.simulate.devices.doors import DEAD, GATEWAY_PERIOD_NS, UNITS
from wherry.values.quality import Quality

pytestmark = pytest.mark.slow
S = 1_000_000_000
LIVE_FACTOR_MAX = 1.3


def test_units_that_are_not_there_do_not_starve_the_others(on_device: Any, seed: int) -> None:
    async def play(trial: Any) -> None:
        await trial.run(least_s=1500)
        passed_ns = trial.now_ns - trial.engine.started_ns
        for unit in range(1, UNITS + 1):
            carry = trial.carry(f"tank{unit}")
            if unit in DEAD:
                assert carry.delivered == 0
                assert carry.quality is Quality.BAD
                assert any("(0B)" in reason for reason in carry.failures)
            else:
                assert carry.quality is not Quality.BAD
                assert passed_ns / carry.delivered <= LIVE_FACTOR_MAX * GATEWAY_PERIOD_NS, carry.failures
        first = trial.line("tank1")
        assert first.link.connections_lost > 0, "the connection dies now and then"
        assert sum(trial[f"tank{unit}"].counts.exceptions[6] for unit in range(1, UNITS + 1)) > 0
        # What was asked on a lost connection is answered on the next, and is nobody's answer there.
        assert first.link.connects - 1 == first.link.connections_lost

    on_device("S8", seed, play)
