"""Why a transfer was not Good: the reasons add up to the time, and what is another each time is one reason."""

from __future__ import annotations

import pytest

from wherry.plan import loads
from wherry.rehearse.reasons import OTHER, REASONS_MAX, UNTOLD, Reasons, plain
from wherry.rehearse.report import transfer_data
from wherry.rehearse.scenario import rehearse
from wherry.simulate.fault_kinds import FaultKind, FaultParameters, PlannedFault

S = 1_000_000_000
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
  { name = "oxygen", take = "holding 0 float32", put = "holding 100 float32", range = [0, 20], verify = "1 s" },
]
"""


@pytest.mark.parametrize(
    ("reason", "word"),
    [
        ("last usable value; write: not connected", "write: not connected"),
        ("write: not connected", "write: not connected"),
        ("oxygen: overwritten by somebody else: it holds 5 in place of 6; nothing is put there until the next start",
         "oxygen: overwritten by somebody else; nothing is put there until the next start"),
        ("pH: accepted and ignored: it still holds 5.5 in place of 6.5", "pH: accepted and ignored"),
        ("pH: accepted, but it holds 5.5 in place of 6.5", "pH: accepted"),
        ("tank 1 oxygen: out of range", "tank 1 oxygen: out of range"),
        ("", UNTOLD),
    ],
)  # fmt: skip
def test_a_reason_without_what_is_another_each_time(reason: str, word: str) -> None:
    assert plain(reason) == word


def test_time_is_added_up_and_lingers_until_the_receiver_is_told() -> None:
    told = [(False, "read: no reply in time")]
    reasons = Reasons(lambda: told[-1], linger_ns=3)
    reasons.add(10, 2)
    told.append((False, "older than max_age"))
    reasons.add(12, 5)
    told.append((True, ""))
    reasons.add(14, 2)  # the registers still show what was told last
    reasons.add(16, 2)  # and now they should have shown another
    assert list(reasons.spent_ns().items()) == [
        ("older than max_age", 7),
        ("not told yet", 2),
        ("read: no reply in time", 2),
    ]


def test_there_are_never_more_than_so_many_reasons() -> None:
    number = 0
    reasons = Reasons(lambda: (False, f"reason {number}"), linger_ns=0)
    for number in range(3 * REASONS_MAX):
        reasons.add(number, 1)
    spent = reasons.spent_ns()
    assert len(spent) == REASONS_MAX + 1
    assert spent[OTHER] == 2 * REASONS_MAX
    assert sum(spent.values()) == 3 * REASONS_MAX


def test_a_rehearsal_says_why_and_for_how_long() -> None:
    """A source away for 20 s, then a receiver for 10 s."""
    away = [
        PlannedFault(start_s * S, end_s * S, FaultKind.REFUSED, name, FaultParameters(1.0, 0))
        for name, start_s, end_s in (("skid", 20, 40), ("hall", 60, 70))
    ]
    plan = loads(PLAN).plan
    made = rehearse(plan, hours=120 / 3600, seed=1, faults=tuple(away))
    (seen,) = made.transfers
    assert sum(seen.not_good_ns.values()) == seen.watched_ns - seen.good_ns
    answer = transfer_data(plan.transfers[0], seen, made.duration_ns)
    spent = {each["reason"]: each["seconds"] for each in answer["not_good_reasons"]}
    assert 19 <= spent["read: not connected"] <= 26
    # The receiver's registers say Good until its own watchdog would bark, as nobody can tell them otherwise.
    assert 8 <= spent["write: not connected"] <= 16
    assert sum(each["share"] for each in answer["not_good_reasons"]) == pytest.approx(1)
    assert answer["verify"]["oxygen"]["state"] == "verified"
    assert answer["verify"]["oxygen"]["verified"] > 100
