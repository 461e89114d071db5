"""The judge of liveness: a source that breaks its own declaration is rightly not Good; whoever stays so is found."""

from __future__ import annotations

import struct
from typing import Any

import pytest

from wherry.engine.link import Link
from wherry.engine.plausibility import Plausibility
from wherry.plan import loads
from wherry.rehearse.checkers.implausible import Shown
from wherry.rehearse.scenario import rehearse
from wherry.simulate.fault_kinds import FaultKind, FaultParameters, PlannedFault
from wherry.values.quality import Reason

S = 1_000_000_000
PERIOD_NS = S // 5

PLAN = """
title = "Trout tanks"

[controller.skid]
connect = "tcp://10.20.0.11"
limits = { timeout = "300 ms" }

[controller.hall]
connect = "tcp://10.20.0.12"
limits = { timeout = "300 ms" }

[transfer.water]
from = "skid"
to = "hall"
every = "200 ms"
max_age = "1 s"
on_loss = "hold"
status = "holding 90"
values = [
  { name = "oxygen", take = "holding 0 float32", put = "holding 100 float32", %s },
]
[[controller.skid.simulate.signals]]
at = "holding 0 float32"
shape = "%s"
low = 2
high = 18
period = "%s"
"""
NO_HALL = (PlannedFault(10 * S, 30 * S, FaultKind.REFUSED, "hall", FaultParameters(1.0, 0)),)


def complaints(declared: str, shape: str = "sine", period: str = "20 s") -> set[str]:
    """Which judges complain of a transfer whose source moves so, in a minute of calm after a fault."""
    plan = loads(PLAN % (declared, shape, period)).plan
    return {each.checker for each in rehearse(plan, hours=120 / 3600, seed=1, faults=NO_HALL).broken}


@pytest.mark.parametrize(
    ("declared", "shape", "period"),
    [
        ("jump = 0.5", "sine", "20 s"),  # 1 in a period at the steepest: now and then
        ("jump = 0.01", "sine", "20 s"),  # nearly all the time
        ("jump = 3", "step", "1 s"),
        ("range = [3, 10]", "sine", "20 s"),
        ("range = [3, 10], clamp = true", "sine", "20 s"),
        ('counter = "up"', "sine", "20 s"),
        ('counter = "down", modulus = 100', "ramp", "20 s"),
    ],
)
def test_a_source_that_breaks_its_declaration_is_no_fault_of_the_engine(declared: str, shape: str, period: str) -> None:
    assert complaints(declared, shape, period) == set()


@pytest.mark.parametrize("declared", ["jump = 3", "range = [0, 20]", "jump = 0.01"])
def test_a_line_that_never_comes_back_is_found_whatever_is_declared(
    declared: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Also when the source broke its declaration as long as it was read."""
    monkeypatch.setattr(Link, "_schedule_connect", lambda _self, _wait_ns: None)
    assert "recovers" in complaints(declared)


def test_a_value_that_is_never_believed_again_after_one_jump_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    original = Plausibility.judge
    jumped: set[int] = set()

    def judge(self: Plausibility, number: Any, at_ns: int) -> Reason:
        reason = original(self, number, at_ns)
        if reason is Reason.BAD_JUMPED:
            jumped.add(id(self))
        return Reason.BAD_JUMPED if id(self) in jumped else reason

    assert complaints("jump = 3", "step", "30 s") == set()
    monkeypatch.setattr(Plausibility, "judge", judge)
    assert "recovers" in complaints("jump = 3", "step", "30 s")


def broken_at(declared: str, numbers: list[float], *, apart_ns: int = PERIOD_NS) -> list[int]:
    """The positions of the readings that break what is declared."""
    (transfer,) = loads(PLAN % (declared, "sine", "20 s")).plan.transfers
    shown = Shown(transfer, transfer.values[0])
    found = []
    for position, number in enumerate(numbers):
        at_ns = (position + 1) * apart_ns
        shown.note(struct.pack(">f", number), at_ns)
        if shown.broken_ns == at_ns:
            found.append(position)
    return found


@pytest.mark.parametrize(
    ("declared", "numbers", "broken"),
    [
        ("jump = 1", [5, 6, 7, 8, 7, 6], []),
        ("jump = 1", [5, 6.5, 6.5, 6.5, 6.5, 6.5], [1]),
        ("range = [0, 20]", [0, 20, 20.5, -0.5, 5], [2, 3]),
        ("range = [0, 20], clamp = true", [0, 25, 5], [1]),
        ('counter = "up"', [1, 2, 2, 1, 3], [3]),
        ('counter = "down"', [3, 2, 2, 4], [3]),
        ('counter = "up", modulus = 10', [8, 9, 1, 2], []),
        ('counter = "up", modulus = 10', [8, 9, 3, 2], [3]),
        ('counter = "up", modulus = 10, jump = 1', [8, 9, 2], [2]),
        ('counter = "up", modulus = 10', [8, 10], [1]),
        ('not_available = ["0x7F800000"]', [8, float("inf"), 8], [1]),
        ("jump = 1", [8, float("nan"), 8], [1]),
    ],
)
def test_which_readings_break_what_is_declared(declared: str, numbers: list[float], broken: list[int]) -> None:
    assert broken_at(declared, numbers) == broken


def test_readings_that_are_further_apart_may_differ_by_more() -> None:
    assert broken_at("jump = 1", [5, 6.9], apart_ns=2 * PERIOD_NS) == []
    assert broken_at("jump = 1", [5, 7.1], apart_ns=2 * PERIOD_NS) == [1]


def test_readings_within_one_period_are_held_together_against_the_step() -> None:
    """Another transfer reads the same place four times a period: each step is small, a period's is not."""
    assert broken_at("jump = 1", [5, 5.4, 5.8, 6.2], apart_ns=PERIOD_NS // 4) == [3]
