"""What a command puts wears its place out like a value, as often as it can be asked for."""

from __future__ import annotations

from collections.abc import Callable

from wherry.checks.check import check
from wherry.checks.rule import Judged
from wherry.checks.wear import wear_of
from wherry.findings import Finding, Level
from wherry.plan import loads

PLAN = """\
[controller.skid]
connect = "tcp://10.20.0.11"
[controller.feeder]
connect = "tcp://10.20.0.14"
[command.feed]
from = "skid"
to = "feeder"
every = "500 ms"
expiry = "5 s"
request = "holding 20"
put = "holding 40"
acknowledge = "holding 50"
answer = "holding 30"
values = [{ name = "portion", take = "holding 21", put = "holding 39", storage = "non-volatile" }]
"""


def test_every_place_of_a_command_is_counted() -> None:
    found = [
        (each.controller.name, str(each.span), each.per_s_sure, each.per_s_most)
        for each in wear_of(Judged.of(loads(PLAN)))
    ]
    assert found == [
        ("feeder", "holding 39", 0.0, 2.0),
        ("feeder", "holding 40", 0.0, 2.0),
        ("skid", "holding 30..32", 0.0, 2.0),
    ]


def test_a_value_in_the_same_place_counts_together_with_the_command() -> None:
    plan = (
        PLAN
        + """\
[transfer.water]
from = "skid"
to = "feeder"
every = "1 s"
values = [{ name = "portion at night", take = "holding 1", put = "holding 39", storage = "non-volatile" }]
"""
    )
    (wear,) = (each for each in wear_of(Judged.of(loads(plan))) if str(each.span) == "holding 39")
    assert (wear.per_s_sure, wear.per_s_most) == (1.0, 3.0)


def test_the_finding_says_what_asks_for_it_and_how_to_mend_it(judge: Callable[..., tuple[Finding, ...]]) -> None:
    (finding,) = (each for each in judge(PLAN) if each.name == "worn-out-early")
    assert finding.level is Level.WARNING
    assert finding.message == "`portion` of command `feed` can be worn out too early"
    assert finding.found == (
        "up to one write every 500 ms, if the command is asked for all the time: worn out after 14 hours"
    )
    assert "let it be asked for no more than once every 53 min" in finding.fix
    assert [each.name for each in check(loads(PLAN.replace("non-volatile", "volatile")))].count("worn-out-early") == 0
