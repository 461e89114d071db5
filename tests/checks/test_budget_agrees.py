"""What the check says of load and periods agrees with what the budget computes."""

from __future__ import annotations

import re
from collections.abc import Callable

import pytest

from wherry.findings import Finding, Level
from wherry.plan import loads
from wherry.timing.budget import UTILISATION_HIGH, budget

TWO = """
[controller.skid]
connect = "tcp://10.20.0.11"
SKID
[controller.hall]
connect = "tcp://10.20.0.12"
response = { fixed = "1 ms", per_register = "0 s" }
[transfer.a]
from = "skid"
to = "hall"
every = "FIRST"
max_age = "5 s"
on_loss = "hold"
status = "holding 90"
values = [{ name = "level", take = "holding 0", put = "holding 100" }]
[transfer.b]
from = "skid"
to = "hall"
every = "SECOND"
max_age = "5 s"
on_loss = "hold"
status = "holding 94"
values = [{ name = "flow", take = "holding 50", put = "holding 101" }]
"""


def plan(fixed: str, first: str, second: str) -> str:
    skid = f'response = {{ fixed = "{fixed}", per_register = "0 s" }}' if fixed else ""
    return TWO.replace("SKID", skid).replace("FIRST", first).replace("SECOND", second)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (plan("49.5 ms", "100 ms", "100 ms"), "skid may not keep up"),
        (plan("48.5 ms", "100 ms", "100 ms"), "skid has little in reserve"),
        (plan("34.8 ms", "100 ms", "100 ms"), "skid has little in reserve"),
        (plan("25 ms", "50 ms", "130 ms"), "skid has little in reserve"),
        (plan("", "16 ms", "16 ms"), "skid may have little in reserve, if it answers as fast as assumed"),
        (plan("30 ms", "100 ms", "100 ms"), ""),
    ],
)
def test_a_used_controller_is_told_by_both(judge: Callable[..., tuple[Finding, ...]], text: str, words: str) -> None:
    found = [each for each in judge(text) if each.name == "rate-unreachable"]
    skid = budget(loads(text, "plan.toml").plan).line_of("skid")
    assert [each.message for each in found] == ([words] if words else [])
    assert bool(words) is (skid.utilisation > UTILISATION_HIGH)
    if words:
        share = re.match(r"(\d+) %", found[0].found)
        assert share is not None
        assert int(share[1]) == pytest.approx(100 * skid.utilisation, abs=1)


@pytest.mark.parametrize("fixed", ["45 ms", "48.5 ms", "49.5 ms", "52 ms", "120 ms"])
def test_what_is_late_in_the_budget_is_told_by_the_check(judge: Callable[..., tuple[Finding, ...]], fixed: str) -> None:
    """Whether it is told once for the controller, which cannot serve it, or for the transfers."""
    text = plan(fixed, "100 ms", "100 ms")
    found = judge(text)
    late = [each.name for each in budget(loads(text, "plan.toml").plan).transfers if not each.fits]
    told = {each.path[1] for each in found if each.name == "period-unreachable"}
    if any(each.name == "rate-unreachable" and each.level is Level.ERROR for each in found):
        assert late
    else:
        assert told == set(late)
