"""The report of a rehearsal, from results made by hand: shares, order, dates, and which bounds count as broken."""

from __future__ import annotations

import datetime
import json
from dataclasses import replace
from typing import Any

import pytest

from wherry.engine.ledger import Shape
from wherry.plan import loads
from wherry.plan.model import Plan
from wherry.rehearse.report import days_text, document, effect_s, faults_by_kind, worst_faults
from wherry.rehearse.result import (
    Broken,
    Bucket,
    Consequence,
    ControllerSeen,
    FaultSeen,
    PlaceWrites,
    Rehearsal,
    TransferSeen,
)
from wherry.rehearse.wear import date_after, days_left, wear_of

NS_PER_S = 1_000_000_000
HOUR_NS = 3600 * NS_PER_S
DAY = datetime.date(2026, 11, 25)
PLAN = """
title = "Hatchery oxygen"
[controller.skid]
connect = "tcp://127.0.0.1:15021"
limits = { in_flight = 2, connections = 1 }
[controller.hall]
connect = "tcp://127.0.0.1:15022"
[transfer.oxygen]
from = "skid"
to = "hall"
every = "200 ms"
max_age = "1 s"
on_loss = "hold"
status = "holding 90"
values = [ { name = "tank 1 oxygen", take = "holding 0 int16", put = "holding 100 int16" } ]
"""


@pytest.fixture(scope="module")
def plan() -> Plan:
    return loads(PLAN).plan


def controller(name: str, **changed: Any) -> ControllerSeen:
    seen = ControllerSeen(
        name, requests={3: 18_000}, exceptions={2: 3}, reads=17_997, writes=0, unanswered=1, connections=2,
        connections_refused=0, connections_open_max=1, in_flight_max=1, gap_ns_min=5_000_000, busy_ns=90 * NS_PER_S,
    )  # fmt: skip
    return replace(seen, **changed)


def fault(start_s: float, end_s: float, mended_s: float | None, *followed_s: float, kind: str = "loss") -> FaultSeen:
    return FaultSeen(
        round(start_s * NS_PER_S),
        round(end_s * NS_PER_S),
        kind,
        "skid",
        f"{kind} at skid",
        tuple(Consequence(round(at * NS_PER_S), "oxygen", "oxygen is Bad: no communication") for at in followed_s),
        None if mended_s is None else round(mended_s * NS_PER_S),
    )


def rehearsal(plan: Plan, **changed: Any) -> Rehearsal:
    oxygen = TransferSeen(
        "oxygen",
        has_status=True,
        good_ns=HOUR_NS * 3 // 4,
        uncertain_ns=0,
        bad_ns=HOUR_NS // 8,
        silent_ns=HOUR_NS // 8,
        age_ns_max=2 * NS_PER_S,
        scheduled=18_000,
        delivered=17_000,
        failed=1_000,
        failures={"timeout": 600, "no communication": 400},
        buckets=(Bucket(0, None, 0), Bucket(1800 * NS_PER_S, 210_000_000, 2, is_silent=True)),
        longest_without_fresh_ns=3 * NS_PER_S,
        good_age_ns_max=1_200_000_000,
    )
    point = plan.transfers[0].values[0].put
    made = Rehearsal(
        plan=plan,
        seed=7,
        faults_asked="usual",
        duration_ns=HOUR_NS,
        liveness_ns=HOUR_NS // 2,
        transactions=36_000,
        faults=(fault(10, 20, 21.5, 11.2),),
        transfers=(oxygen,),
        controllers=(controller("skid"), controller("hall")),
        writes=(
            PlaceWrites("hall", "oxygen", "tank 1 oxygen", "holding 100", 10, HOUR_NS, point),
            PlaceWrites("hall", "oxygen", "status", "holding 90..93", 18_000, HOUR_NS),
        ),
        broken=(),
        broken_count=0,
        journal=(),
        cpu_s=1.0,
    )
    return replace(made, **changed)


def report(made: Rehearsal) -> dict[str, Any]:
    return document(made, hours_asked=1.0, day=DAY)


def test_shares_and_rates_are_those_of_the_time(plan: Plan) -> None:
    answer = report(rehearsal(plan))
    oxygen = answer["transfers"]["oxygen"]
    shares = [oxygen[f"{state}_share"] for state in ("good", "uncertain", "bad", "silent")]
    assert shares == [0.75, 0, 0.125, 0.125]
    assert oxygen["good_age_ms_max"] == 1200
    assert oxygen["without_fresh_s_max"] == 3
    assert oxygen["series"] == {
        "at_s": [0, 1800],
        "age_ms": [None, 210],
        "quality": [0, 2],
        "is_silent": [False, True],
        "until_s": 3600,
    }
    skid = answer["controllers"]["skid"]
    assert skid["requests_per_s"] == 5
    assert skid["utilisation"] == 0.025
    assert answer["hours"] == 1
    assert answer["broken"] == []
    assert answer["broken_count"] == 0


def test_it_is_one_document_without_surprises_for_a_reader_of_json(plan: Plan) -> None:
    answer = report(rehearsal(plan))
    assert json.loads(json.dumps(answer, allow_nan=False)) == answer


def test_a_transfer_without_status_registers_has_no_shares(plan: Plan) -> None:
    blind = TransferSeen("oxygen", has_status=False, age_ns_max=5 * NS_PER_S)
    oxygen = report(rehearsal(plan, transfers=(blind,)))["transfers"]["oxygen"]
    assert oxygen["good_share"] is None
    assert oxygen["good_age_ms_max"] is None
    assert oxygen["age_ms_max"] == 5000


def test_the_reasons_share_the_time_in_which_it_was_not_good(plan: Plan) -> None:
    made = rehearsal(plan)
    seen = replace(
        made.transfers[0], not_good_ns={"write: not connected": 3 * NS_PER_S, "older than max_age": NS_PER_S}
    )
    oxygen = report(replace(made, transfers=(seen,)))["transfers"]["oxygen"]
    assert oxygen["not_good_reasons"] == [
        {"reason": "write: not connected", "share": 0.75, "seconds": 3},
        {"reason": "older than max_age", "share": 0.25, "seconds": 1},
    ]
    assert report(made)["transfers"]["oxygen"]["not_good_reasons"] == []


def test_what_became_of_verified_values_is_in_the_document(plan: Plan) -> None:
    made = rehearsal(plan)
    became = {"state": "verified", "words": "verified", "verified": 17, "late_ms_max": 1.5}
    seen = replace(made.transfers[0], verify={"tank 1 oxygen": became})
    assert report(replace(made, transfers=(seen,)))["transfers"]["oxygen"]["verify"] == {"tank 1 oxygen": became}


def test_what_is_written_most_stands_first_with_both_ways_of_numbering(plan: Plan) -> None:
    status, oxygen = report(rehearsal(plan))["writes"]
    assert (status["value"], status["place"], status["number_first"], status["number_last"]) == (
        "status", "holding 90..93", "40091", "40094",
    )  # fmt: skip
    assert status["writes_per_day"] == 432_000
    assert (oxygen["place"], oxygen["number_first"], oxygen["writes_per_year"]) == ("holding 100", "40101", 87_660)


def test_what_a_checker_found_is_a_broken_bound_and_all_are_counted(plan: Plan) -> None:
    found = Broken(12 * NS_PER_S, "loss is visible", "oxygen", "still Good 1.9 s after the source was lost")
    answer = report(rehearsal(plan, broken=(found,), broken_count=5))
    assert answer["broken"] == [{"bound": found.checker, "subject": "oxygen", "at_s": 12, "message": found.message}]
    assert answer["broken_count"] == 5


def test_periods_that_brought_nothing_while_all_was_well_are_a_broken_bound(plan: Plan) -> None:
    made = rehearsal(plan)
    seen = replace(made.transfers[0], calm_periods_missed=3, calm_period_missed_first_ns=400_000_000)
    answer = report(replace(made, transfers=(seen,)))
    assert answer["broken"] == [
        {
            "bound": "period",
            "subject": "oxygen",
            "at_s": 0.4,
            "message": "3 periods of 200 ms brought no new values although nothing was wrong, of 18,000 in all",
        }
    ]


def test_the_worst_faults_are_those_felt_longest_and_stand_in_order_of_time(plan: Plan) -> None:
    faults = [
        fault(10, 20, 21.5, 11.2),  # felt for 10.3 s
        fault(30, 90, 31),  # nothing followed
        fault(100, 101, 160, 100.5, kind="half-open"),  # felt for 59.5 s
        fault(200, 210, None, 201),  # never mended
    ]
    data = report(rehearsal(plan, faults=tuple(faults)))["faults"]
    assert [each["number"] for each in data] == [1, 2, 3, 4]
    assert [round(effect_s(each), 1) for each in data] == [10.3, 0.0, 59.5, float("inf")]
    assert [each["number"] for each in worst_faults(data, 2)] == [3, 4]
    assert [each["number"] for each in worst_faults(data, 10)] == [1, 2, 3, 4]
    assert faults_by_kind(data) == [
        (("loss", "skid"), 3, 80, 2, float("inf")),
        (("half-open", "skid"), 1, 1, 1, 59.5),
    ]


def worn(
    storage: str, writes: int, counts: dict[Shape, int] | None = None, *, seen_ns: int = HOUR_NS
) -> dict[str, Any]:
    """The report of one place that is kept so, was written so often in an hour, and before as the counts say."""
    plan = loads(PLAN.replace('put = "holding 100 int16"', f'put = "holding 100 int16"{storage}')).plan
    seen = PlaceWrites(
        "hall", "oxygen", "tank 1 oxygen", "holding 100", writes, seen_ns, plan.transfers[0].values[0].put
    )
    return document(rehearsal(plan, writes=(seen,), duration_ns=seen_ns), hours_asked=1.0, day=DAY, counts=counts)


def test_a_place_that_is_worn_out_before_its_time_is_a_broken_bound() -> None:
    answer = worn(', storage = "non-volatile"', 18_000)
    (place,) = answer["writes"]
    assert (place["storage"], place["endurance_writes"]) == ("non-volatile", 100_000)
    assert place["worn_out_after_days"] == pytest.approx(100_000 / 432_000, abs=1e-3)
    assert place["worn_out_on"] == "2026-11-25"
    assert answer["broken"] == [
        {
            "bound": "life",
            "subject": "hall holding 100",
            "at_s": None,
            "message": "a new one is worn out after 5.6 hours and must last 10 years: 157,788,000 writes a year, as "
            "seen over 1 h, it stands 100,000",
        }
    ]


@pytest.mark.parametrize(
    ("writes", "seen_ns", "off_share", "is_broken"),
    [
        (1, HOUR_NS // 60, None, False),  # the first write of a value says nothing of its pace
        (4, HOUR_NS // 60, None, False),
        (5, HOUR_NS // 60, 0.894427, True),  # 300 an hour, at least 31: a new one lasts for 4 months
        (5, 3 * HOUR_NS // 4, 0.894427, False),  # 6.7 an hour, or only 0.7
        (100, 3 * HOUR_NS // 4, 0.2, True),
        (2, HOUR_NS, None, True),  # an hour counts as it is
    ],
)
def test_a_pace_seen_for_a_short_time_breaks_a_bound_only_if_that_is_sure(
    writes: int, seen_ns: int, off_share: float | None, is_broken: bool
) -> None:
    answer = worn(', storage = "non-volatile"', writes, seen_ns=seen_ns)
    (place,) = answer["writes"]
    assert place["pace_uncertainty_share"] == off_share
    assert place["seen_hours"] == pytest.approx(seen_ns / HOUR_NS, abs=1e-6)
    assert [each["bound"] for each in answer["broken"]] == ["life"] * is_broken


def test_what_was_written_before_brings_the_day_nearer_and_breaks_nothing() -> None:
    counts = {("hall", "holding", 99, 3): 60_000, ("hall", "holding", 100, 1): 30_000, ("skid", "holding", 100, 1): 9}
    answer = worn(', storage = "non-volatile"', 1, counts)
    (place,) = answer["writes"]
    assert place["writes_before"] == 90_000
    assert place["worn_out_after_days"] == pytest.approx(10_000 / 24, abs=1e-3)
    assert answer["broken"] == []


def test_a_place_that_lasts_or_wears_nothing_out_breaks_nothing() -> None:
    lasting = worn(', storage = "non-volatile"', 1)
    assert lasting["broken"] == []
    assert lasting["writes"][0]["worn_out_on"] == "2038-04-22"
    volatile = worn(', storage = "volatile"', 18_000)
    assert volatile["broken"] == []
    assert volatile["writes"][0]["worn_out_after_days"] is None
    assert volatile["writes"][0]["is_worn_out_too_soon"] is False


def test_a_place_of_which_nobody_says_how_it_is_kept_is_told_and_breaks_nothing() -> None:
    unknown = worn("", 18_000)
    assert unknown["broken"] == []
    assert unknown["writes"][0]["storage"] is None
    assert unknown["writes"][0]["is_worn_out_too_soon"] is True


def test_places_of_commands_are_known_too(plan: Plan) -> None:
    text = (
        PLAN
        + """
[command.flush]
from = "skid"
to = "hall"
every = "1 s"
request = "holding 20"
put = "holding 200"
acknowledge = "holding 210"
expiry = "30 s"
"""
    )
    plan = loads(text).plan
    point = plan.commands[0].put
    seen = PlaceWrites("hall", "flush", "request number of flush", str(point), 5, HOUR_NS, point)
    assert str(wear_of(plan, seen, DAY, {}).span) == "holding 200"
    volatile = loads(text.replace('15022"', '15022"\nstorage = "volatile"')).plan
    assert wear_of(volatile, seen, DAY, {}).storage == "volatile"


def test_what_was_cut_short_says_nothing_of_what_did_not_come(plan: Plan) -> None:
    answer = report(rehearsal(plan, was_stopped=True, duration_ns=15 * NS_PER_S))
    assert answer["is_interrupted"] is True
    assert answer["without_faults_from_s"] is None
    assert [(each["at_s"], each["until_s"]) for each in answer["faults"]] == [(10, 15)]
    assert report(rehearsal(plan))["without_faults_from_s"] == 1800


def test_days_until_a_place_is_worn_out() -> None:
    assert days_left(1000, 100_000) == 100
    assert days_left(0, 100_000) is None
    assert days_left(1000, -5) == 0
    assert date_after(DAY, 100.7) == datetime.date(2027, 3, 5)
    assert date_after(DAY, None) is None
    assert date_after(DAY, 1e9) is None


@pytest.mark.parametrize(
    ("days", "text"),
    [(0.5, "12 hours"), (3.21, "3.2 days"), (69, "69 days"), (9862, "27 years"), (1e6, "2,738 years")],
)
def test_days_for_people(days: float, text: str) -> None:
    assert days_text(days) == text
