"""A rehearsal of a small plan, and of the one that ships."""

from __future__ import annotations

from pathlib import Path

import pytest

from wherry.errors import LocalError
from wherry.plan import load
from wherry.plan.model import Plan
from wherry.rehearse.scenario import rehearse

HATCHERY = Path(__file__).parents[2] / "examples" / "hatchery.toml"
NS_PER_S = 1_000_000_000


@pytest.fixture(scope="module")
def hatchery() -> Plan:
    return load(HATCHERY).plan


def test_without_faults_every_receiver_is_good(hatchery: Plan) -> None:
    seen = rehearse(hatchery, hours=0.02, seed=1, faults="none")
    assert seen.is_kept
    assert seen.faults == ()
    assert seen.transactions > 2000
    for transfer in seen.transfers:
        assert transfer.scheduled == transfer.delivered + transfer.skipped + transfer.failed
        assert transfer.failed == 0
        assert transfer.age_ns_max is not None
        assert transfer.age_ns_max < 2 * NS_PER_S
        assert transfer.buckets
        if transfer.has_status:
            assert transfer.good_ns > 0.95 * transfer.watched_ns
    assert {each.name: each.connections for each in seen.controllers} == {"skid": 1, "hall": 1, "oxygen": 1}
    status = next(each for each in seen.writes if each.transfer == "water" and each.value == "status")
    assert status.writes_per_day == pytest.approx(5 * 86_400, rel=0.05)


@pytest.mark.slow
def test_a_lost_controller_is_told_and_mended(hatchery: Plan) -> None:
    seen = rehearse(hatchery, hours=0.3, seed=3, faults="harsh")
    assert seen.faults
    assert all(each.end_ns <= seen.liveness_ns for each in seen.faults)
    assert any(each.followed for each in seen.faults)
    assert all(each.buckets[-1].quality in (None, 2) for each in seen.transfers)


def test_progress_runs_from_nothing_to_all(hatchery: Plan) -> None:
    told: list[float] = []
    rehearse(hatchery, hours=0.003, faults="none", on_progress=told.append)
    assert told[0] == 0
    assert told[-1] == 1
    assert told == sorted(told)


def test_what_makes_no_sense_is_refused(hatchery: Plan) -> None:
    with pytest.raises(LocalError, match="not 0 hours"):
        rehearse(hatchery, hours=0)
    with pytest.raises(LocalError, match="no menu of faults `grim`"):
        rehearse(hatchery, faults="grim")
