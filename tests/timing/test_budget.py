"""The budget of whole plans: what is asked of whom, and what that means for periods and ages."""

from __future__ import annotations

from pathlib import Path

from wherry.plan import load, loads
from wherry.plan.model import Plan
from wherry.timing.budget import budget
from wherry.timing.conditions import IDEAL

ROOT = Path(__file__).resolve().parents[2]
MS = 1_000_000

TWO = """
[controller.skid]
connect = "tcp://10.20.0.11"
response = { fixed = "10 ms", per_register = "0 s" }
[controller.hall]
connect = "tcp://10.20.0.12"
response = { fixed = "4 ms", per_register = "0 s" }
[transfer.water]
from = "skid"
to = "hall"
every = "100 ms"
max_age = "1 s"
on_loss = "hold"
status = "holding 90"
values = [{ name = "level", take = "holding 2", put = "holding 100" }]
"""


def plan(text: str) -> Plan:
    return loads(text, "plan.toml").plan


def test_one_transfer_waits_for_nobody() -> None:
    found = budget(plan(TWO), conditions=IDEAL)
    (water,) = found.transfers
    assert found.fits
    assert water.worst_ns == 14 * MS
    # Read at the release, put 14 ms later, replaced a period after that.
    assert water.values[0].at_delivery_worst_ns == 14 * MS
    assert water.age_worst_ns == 114 * MS
    skid, hall = found.lines
    assert (skid.utilisation, hall.utilisation) == (0.1, 0.08)
    assert [each.span.start for each in hall.requests] == [100, 90]
    # The status follows the value, and is told that much later.
    assert hall.requests[1].worst_ns == 4 * MS


def test_an_overload_has_no_bound_and_says_who_decides() -> None:
    found = budget(plan(TWO.replace('every = "100 ms"', 'every = "9 ms"')), conditions=IDEAL)
    assert not found.fits
    assert found.transfers[0].worst_ns is None
    deciding = found.transfers[0].deciding
    assert deciding is not None
    assert deciding.controller == "skid"


def test_the_example_fits() -> None:
    found = budget(load(ROOT / "examples" / "hatchery.toml").plan)
    assert found.fits
    assert {each.name for each in found.transfers} == {"water", "demand", "block"}
    assert [(each.host, each.port, each.connections) for each in found.talks] == [
        ("127.0.0.1", 15021, 1),
        ("127.0.0.1", 15022, 1),
        ("127.0.0.1", 15023, 1),
    ]
    assert [each.writes for each in found.talks] == [False, True, True]
