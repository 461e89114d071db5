"""S15 and the engine, in virtual time."""

from __future__ import annotations

from typing import Any

import pytest

from wherry.simulate.devices.changes import SILENT_AFTER_NS, SILENT_NS
from wherry.values.quality import Quality

pytestmark = pytest.mark.slow
S = 1_000_000_000


def test_silence_is_told_in_time_and_over_soon_after_it_is_over(on_device: Any, seed: int) -> None:
    async def play(trial: Any) -> None:
        await trial.run(least_s=900)
        transfer = trial.carry("water").transfer
        limits = trial.line("skid").controller.limits
        told = [(at_ns, quality) for at_ns, _, quality in trial.qualities]
        lost_ns = next(at_ns for at_ns, quality in told if at_ns > SILENT_AFTER_NS and quality == 0)
        assert lost_ns <= SILENT_AFTER_NS + transfer.max_age_ns + transfer.period_ns
        over_ns = SILENT_AFTER_NS + SILENT_NS
        assert all(quality == 0 for at_ns, quality in told if lost_ns <= at_ns < over_ns)
        good_ns = next(at_ns for at_ns, quality in told if at_ns > lost_ns and quality == 2)
        # What was asked before the end runs into its time-outs; then there is one wait and two periods.
        patience_ns = 5 * limits.timeout_ns + limits.reconnect_ns_max + 2 * transfer.period_ns
        assert over_ns <= good_ns <= over_ns + patience_ns
        assert trial.carry("water").quality is Quality.GOOD

    on_device("S15:silent", seed, play)


def test_jitter_only_makes_values_older(on_device: Any, seed: int) -> None:
    async def play(trial: Any) -> None:
        await trial.run()
        assert trial.line("skid").connections_lost == 0
        assert trial.carry("water").failed == 0
        assert trial.carry("water").age.max_ns > 500_000_000

    on_device("S15:jitter", seed, play)
