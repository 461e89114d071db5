"""Advice: each piece is a plan that needs fewer requests, by what is said."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from wherry.budget.advice import SHOWN_MAX, Advice, advise
from wherry.plan import load, loads
from wherry.plan.model import Plan
from wherry.timing.budget import Budget, budget

HEAD = """
[controller.skid]
connect = "tcp://10.20.0.1"
response = { fixed = "10 ms", per_register = "0 s" }
[controller.hall]
connect = "tcp://10.20.0.2"
response = { fixed = "10 ms", per_register = "0 s" }
"""


def transfer(rows: str, *, name: str = "up", every: str = "1 s", more: str = "") -> str:
    return f'[transfer.{name}]\nfrom = "skid"\nto = "hall"\nevery = "{every}"\n{more}\nvalues = [{rows}]\n'


def row(name: str, take: str, put: str, more: str = "") -> str:
    return f'{{ name = "{name}", take = "{take}", put = "{put}"{more} }},'


def advice_for(text: str) -> dict[str, Advice]:
    """The best of each kind."""
    found = budget(loads(HEAD + text, "plan.toml").plan)
    given = advise(found)
    for each in given:
        holds_what_it_says(found, each)
    kinds: dict[str, Advice] = {}
    for each in given:
        kinds.setdefault(each.kind, each)
    return kinds


def holds_what_it_says(found: Budget, advice: Advice) -> None:
    then = budget(advice.plan)
    saved = sum(each.requests_per_s for each in found.lines) - sum(each.requests_per_s for each in then.lines)
    assert saved == pytest.approx(advice.requests_saved_per_s)
    assert saved > 0
    if advice.age_saved_ns is not None:
        was, becomes = (each.transfer(advice.age_saved_of).age_worst_ns for each in (found, then))
        assert was is not None
        assert becomes is not None
        assert was - becomes == advice.age_saved_ns


def test_rows_out_of_order() -> None:
    rows = "".join(row(f"v{at}", f"holding {at}", f"holding {100 + at // 2 + 100 * (at % 2)}") for at in range(6))
    found = advice_for(transfer(rows))["order"]
    assert found.words == "sort the rows of up by `put`, unless one of them is a trigger that must come last"
    # Six writes become two: four less, 10 ms each and the way there and back.
    assert found.requests_saved_per_s == pytest.approx(4)
    assert found.busy_saved_ns_per_s >= 40e6
    assert found.age_saved_ns is not None
    assert found.age_saved_ns >= 40_000_000


def test_a_gap_that_could_be_read_over() -> None:
    found = advice_for(transfer(row("a", "holding 0", "holding 100") + row("b", "holding 9", "holding 101")))
    assert found["readable"].words == "if holding 1..8 of skid may be read too, say so with `readable`"
    assert found["readable"].requests_saved_per_s == pytest.approx(1)
    holes = 'simulate.holes = ["holding 4"]\n[controller.hall]'
    text = (HEAD + transfer(row("a", "holding 0", "holding 100") + row("b", "holding 9", "holding 101"))).replace(
        "[controller.hall]", holes
    )
    assert "readable" not in {each.kind for each in advise(budget(loads(text, "plan.toml").plan))}


def test_points_that_stand_alone() -> None:
    rows = [row(f"v{at}", f"holding {at}", f"holding {100 + at}") for at in range(3)]
    rows.append(row("alone", "holding 900", "holding 800"))
    found = advice_for(transfer("".join(rows)))["point"]
    assert found.words in (
        "move alone of up from holding 900 uint16 to holding 3 uint16 in skid, beside the others, if you can",
        "move alone of up from holding 800 uint16 to holding 103 uint16 in hall, beside the others, if you can",
    )
    assert found.requests_saved_per_s == pytest.approx(1)


def test_a_point_that_is_passed_on_is_left_where_it_is() -> None:
    rows = [row(f"v{at}", f"holding {at}", f"holding {100 + at}") for at in range(3)]
    rows.append(row("alone", "holding 900", "holding 800"))
    further = transfer(row("again", "holding 800", "holding 5"), name="on").replace(
        'from = "skid"\nto = "hall"', 'from = "hall"\nto = "skid"'
    )
    found = advice_for(transfer("".join(rows)) + further)
    assert found["point"].words.endswith("in skid, beside the others, if you can")
    assert "block" not in {kind for kind, each in found.items() if each.controller == "hall"}


def test_status_registers_that_stand_apart() -> None:
    found = advice_for(transfer(row("a", "holding 0", "holding 100"), more='status = "holding 90"'))["status"]
    assert found.words == "move the status registers of up from holding 90..93 to holding 101..104 in hall, if you can"
    assert found.requests_saved_per_s == pytest.approx(1)


def test_a_group_that_costs_a_request() -> None:
    limits = 'limits = { read = 10 }\nreadable = ["holding 0..30"]\nresponse'
    rows = "".join(
        [
            row("a", "holding 0", "holding 100"),
            row("b", "holding 9", "holding 101"),
            row("c", "holding 5", "holding 102", ', group = "g"'),
            row("d", "holding 14", "holding 103", ', group = "g"'),
            row("e", "holding 12", "holding 104"),
            row("f", "holding 19", "holding 105"),
        ]
    )
    text = HEAD.replace("response", limits, 1) + transfer(rows)
    found = budget(loads(text, "plan.toml").plan)
    kinds = {each.kind: each for each in advise(found)}
    assert kinds["group"].words == "take the group g of up apart, if its values need not be of one instant"
    holds_what_it_says(found, kinds["group"])


def test_periods_that_nearly_agree() -> None:
    shared = "".join(row(f"v{at}", f"holding {at}", f"holding {100 + at}") for at in range(3))
    other = shared.replace("holding 10", "holding 20")
    found = advice_for(transfer(shared) + transfer(other, name="also", every="1.5 s"))["period"]
    assert found.words == "carry also every 1 s too, as up: what both take is read once then"
    # A read and a write every 1.5 s less, a write every second more.
    assert found.requests_saved_per_s == pytest.approx(2 / 1.5 - 1)
    assert found.age_saved_ns is not None
    assert found.age_saved_ns >= 500_000_000
    # Here putting more often costs more than is saved by reading together.
    assert "period" not in advice_for(transfer(shared) + transfer(other, name="also", every="2.5 s"))


def test_nothing_is_advised_where_nothing_is_saved() -> None:
    assert advice_for(transfer(row("a", "holding 0", "holding 100"), more='status = "holding 101"')) == {}


def test_the_demo_plan_and_a_scattered_one(scattered: Callable[..., str]) -> None:
    plans: list[Plan] = [load("examples/hatchery.toml").plan, loads(scattered(60, 3), "plan.toml").plan]
    for plan in plans:
        found = budget(plan)
        given = advise(found)
        assert 0 < len(given) <= SHOWN_MAX
        assert given[0].kind == "block"
        for each in given:
            holds_what_it_says(found, each)


@pytest.mark.slow
def test_of_a_large_plan_only_a_block_is_advised(scattered: Callable[..., str]) -> None:
    text = scattered(900, 1).replace('"500 ms"', '"50 s"').replace('"5 s"', '"100 s"').replace('"1 s"', '"100 s"')
    (found,) = advise(budget(loads(text, "plan.toml").plan))
    assert found.kind == "block"
    assert found.age_saved_ns is None
