"""S14 and S15 and the engine, in virtual time."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from wherry.simulate.devices.changes import REBOOT_AFTER_NS, SILENT_AFTER_NS, SILENT_NS, TWIN_NS
from wherry.values.quality import Quality

pytestmark = pytest.mark.slow
S = 1_000_000_000


def test_nothing_is_written_to_a_device_that_came_back_as_another(on_device: Any, seed: int) -> None:
    async def play(trial: Any) -> None:
        trial.may_doubt = True
        await trial.run(least_s=150)
        hall = trial["hall"]
        last_ns = max(each.at_ns for each in hall.writes)
        assert REBOOT_AFTER_NS - S <= last_ns < REBOOT_AFTER_NS + S, "nothing since it came back"
        assert trial.carry("water").quality is Quality.BAD
        assert trial.carry("demand").quality is Quality.UNCERTAIN
        assert "from another device than the plan names" in trial.carry("demand").quality_reason
        told = [each for each in trial.said("hall") if "another device" in each]
        assert len(told) == 1
        for expected in ('revision "2.0"', 'revision "2.0 B"', "water made good", "oxygen demand"):
            assert expected in told[0], told
        assert trial.doubted > 0, "what it holds now is something else"

    on_device("S14", seed, play)


def test_two_devices_at_one_address_are_told_and_not_believed(on_device: Any, seed: int) -> None:
    async def play(trial: Any) -> None:
        trial.may_doubt = True
        await trial.run(least_s=300)
        assert trial.carry("water").quality is Quality.UNCERTAIN
        assert any("two devices answer in turns" in each for each in trial.said("skid"))
        good_ns = [at_ns for at_ns, _, quality in trial.qualities if quality == 2]
        assert max(good_ns) < TWIN_NS + 4 * S, "Good only before the other one came"
        assert trial.doubted > 0

    on_device("S15:twin", seed, play)


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


def test_a_step_of_the_computers_clock_cannot_reach_the_schedule() -> None:
    """Wall time is read in one function, which only the record uses: a step changes stamps."""
    engine = Path(__file__).resolve().parents[2] / "src" / "wherry" / "engine"
    users = {path.name for path in engine.glob("*.py") if "wall_time_text" in path.read_text(encoding="utf-8")}
    assert users == set()
    assert "wall_time_text" in (engine.parent / "record" / "writer.py").read_text(encoding="utf-8")
