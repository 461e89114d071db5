"""What ``wherry rehearse`` prints: words for times and shares, and a report of hundreds of things that stays short."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from wherry.cli.rehearse_view import (
    TRANSFER_COLUMNS,
    followed_text,
    instant_text,
    print_report,
    span_text,
)
from wherry.drawing import middle_cut
from wherry.rehearse.report import hours_text, percent_text
from wherry.simulate.fault_kinds import MENUS

COMMAND_COUNTS = ("requested", "executed", "refused", "expired", "unknown", "pending", "carried_out")


def change(at_s: float, subject: str, message: str) -> dict[str, Any]:
    return {"at_s": at_s, "subject": subject, "message": message}


def fault(number: int, *followed: dict[str, Any], mended_s: float | None = None) -> dict[str, Any]:
    return {
        "number": number, "kind": f"kind {number % 20}", "controller": f"skid{number % 7}", "text": "loss at skid",
        "at_s": 60.0 * number, "until_s": 60.0 * number + 5, "mended_s": mended_s, "followed": list(followed),
    }  # fmt: skip


def transfer(share: float | None) -> dict[str, Any]:
    return {
        "from": "recirculation skid", "to": "hatchery hall", "has_status": share is not None, "good_share": share,
        "uncertain_share": None if share is None else 0.0, "bad_share": None if share is None else 1 - share,
        "silent_share": None if share is None else 0.0,
        "longest_not_good_s": 3.2, "without_fresh_s_max": 4.1, "good_age_ms_max": 1200.0, "age_ms_max": 4100.0,
        "max_age_ms": 1000.0,
        "not_good_reasons": [] if share is None else [
            {"reason": "write: the connection was lost while a reply was awaited", "share": 0.6, "seconds": 60.0},
            {"reason": "older than max_age", "share": 0.2, "seconds": 20.0},
            {"reason": "read: no reply in time", "share": 0.1, "seconds": 10.0},
            {"reason": "tank 1 oxygen: out of range", "share": 0.06, "seconds": 6.0},
            {"reason": "waiting for the source's own counter to move", "share": 0.04, "seconds": 4.0},
        ],
        "verify": {},
    }  # fmt: skip


def place(number: int) -> dict[str, Any]:
    return {
        "controller": "hall", "place": f"holding {number}", "number_first": f"4{number + 1:04d}",
        "value": "tank oxygen", "writes": 1000 - number, "writes_per_year": 8_766_000, "storage": None,
        "endurance_writes": 100_000,
        "is_worn_out_too_soon": number % 2 == 0,
        "worn_out_after_days": 100.0, "worn_out_on": "2027-03-05", "seen_hours": 24.0, "pace_uncertainty_share": 0.064,
    }  # fmt: skip


def controller(number: int) -> dict[str, Any]:
    return {
        "requests": 1_000_000, "requests_per_s": 11.57, "requests_per_s_limit": 20.0, "utilisation": number / 1000,
        "response_is_declared": number > 100, "in_flight_max": 1, "in_flight_limit": 1, "connections": 3,
        "connections_refused": 0, "exceptions": {"02 illegal data address": 4}, "unanswered": 2,
    }  # fmt: skip


def report(count: int) -> dict[str, Any]:
    return {
        "title": "Hatchery", "plan": "hatchery.toml", "hours": 24.0, "hours_asked": 24.0, "is_interrupted": False,
        "faults_asked": "harsh", "seed": 1, "requests": 1_000_000, "broken_count": 40 * count,
        "broken": [
            {"bound": "loss is visible", "subject": f"t{number}", "at_s": 60.0, "message": "it was still Good"}
            for number in range(count)
        ],
        "transfers": {f"t{number}": transfer(None if number == 3 else number / 1000) for number in range(count)},
        "faults": [fault(number, change(60.0 * number + 1, "t1", "t1 is Bad: timeout")) for number in range(1, count)],
        "writes": [place(number) for number in range(count)],
        "commands": {f"m{number}": dict.fromkeys(COMMAND_COUNTS, 7) for number in range(count)},
        "controllers": {f"c{number}": controller(number) for number in range(count)},
    }  # fmt: skip


def test_a_report_of_hundreds_of_things_stays_short_and_narrow(capsys: pytest.CaptureFixture[str]) -> None:
    print_report(report(300), took_s=40.0, saved_in="out")
    lines = capsys.readouterr().out.splitlines()
    assert len(lines) < 150
    assert [line for line in lines if len(line) > 100 and not line.endswith((".", ":"))] == []
    for more in ("... and 11,990 more", "... and 290 more that were Good for longer", "... and 290 places more"):
        assert any(more in line for line in lines), more
    assert "A declared bound was broken: 12,000 times." in lines
    assert any(line.startswith("Nobody has said how 150 of these places are kept") for line in lines)


def test_a_report_of_one_of_each_leaves_nothing_out(capsys: pytest.CaptureFixture[str]) -> None:
    print_report(report(2), took_s=40.0, saved_in="")
    text = capsys.readouterr().out
    assert "... and" not in text.replace("... and 78 more", "")  # of the broken bounds, only the first of each is known
    for words in ("loss is visible, t0 at 00:01:00: it was still Good", "2027-03-05", "11.6 of 20", "1 of 1", "t1 Bad"):
        assert words in text, words


def test_the_main_reasons_of_each_transfer_are_told_with_their_shares(capsys: pytest.CaptureFixture[str]) -> None:
    print_report(report(5), took_s=40.0, saved_in="")
    lines = capsys.readouterr().out.splitlines()
    start = lines.index("Why not Good, in shares of the time in which it was not:")
    assert lines[start + 1 : start + 5] == [
        "",
        "  t0: 60.0 % write: the connection was lost while a reply was awaited; 20.0 % older than max_age;",
        "    10.0 % read: no reply in time; 10.0 % 2 other reasons",
        "  t1: 60.0 % write: the connection was lost while a reply was awaited; 20.0 % older than max_age;",
    ]
    assert lines[start - 1] == ""
    assert lines[start - 2] != ""
    assert not any(line.startswith("  t3: ") for line in lines), "it has no status registers"


def test_what_was_not_verified_at_the_end_is_told(capsys: pytest.CaptureFixture[str]) -> None:
    told = report(1)
    told["transfers"]["t0"]["verify"] = {
        "feed rate": {"state": "overwritten", "words": "overwritten by somebody else: it holds 5 in place of 6"},
        "oxygen": {"state": "verified", "words": "verified"},
        "pH": {"state": None, "words": "not written yet"},
    }
    print_report(told, took_s=40.0, saved_in="")
    text = capsys.readouterr().out
    assert "t0: feed rate was overwritten by somebody else: it holds 5 in place of 6, at the end." in text
    assert "verified" not in text
    assert "pH" not in text


def test_a_transfer_that_was_always_good_needs_no_reasons(capsys: pytest.CaptureFixture[str]) -> None:
    told = report(1)
    told["transfers"]["t0"]["not_good_reasons"] = []
    print_report(told, took_s=40.0, saved_in="")
    assert "Why not Good" not in capsys.readouterr().out


def test_no_date_is_told_of_what_was_seen_for_less_than_an_hour(capsys: pytest.CaptureFixture[str]) -> None:
    told = report(3)
    told["hours"] = 0.5
    for each, off_share in zip(told["writes"], (0.064, None, None), strict=True):
        each.update(seen_hours=0.5, pace_uncertainty_share=off_share)
    told["writes"][2].update(worn_out_after_days=None, worn_out_on=None)
    print_report(told, took_s=40.0, saved_in="")
    text = capsys.readouterr().out
    assert "2027-03-05" not in text
    assert "Writes in 0.5 h, and what they come to" in text
    rows = [line.split("  ")[-1].strip() for line in text.splitlines() if "tank oxygen" in line]
    assert rows == ["in 100 days +-7 %", "too few seen", "-"]
    assert "Seen for 0.5 h only, so no dates: +- is what the pace may be off by chance alone" in text


def test_dates_are_told_of_what_was_seen_for_an_hour(capsys: pytest.CaptureFixture[str]) -> None:
    told = report(1)
    told["hours"] = told["writes"][0]["seen_hours"] = 1.0
    print_report(told, took_s=40.0, saved_in="")
    text = capsys.readouterr().out
    assert "2027-03-05" in text
    assert "so no dates" not in text


def test_what_followed_is_told_by_the_worst_of_each() -> None:
    followed = (
        change(60.5, "water", "water is Uncertain: timeout"),
        change(60.2, "hall", "hall is not connected: 10.20.0.12:502 reset the connection"),
        change(61.1, "water", "water is Bad: no communication"),
        change(64.0, "hall", "hall is connected"),
        change(66.0, "water", "water is Good"),
    )
    assert followed_text(fault(1, *followed, mended_s=66.0)) == (
        "hall not connected after 200 ms; water Bad after 1.10 s; all Good again 1.00 s after its end"
    )
    assert followed_text(fault(1, *followed)).endswith("; not all Good again before the end")
    assert followed_text(fault(1, followed[0], mended_s=62.0)).endswith("; all Good again before its end")
    assert followed_text(fault(1, mended_s=65.0)) == "nothing followed: every transfer stayed Good"
    assert followed_text(fault(1)) == "nothing new followed: not all was Good before it"


@pytest.mark.parametrize(
    ("share", "text"),
    [
        (None, "-"), (0.0, "0 %"), (1.0, "100 %"), (0.999999999, ">99.999 %"), (1e-9, "<0.001 %"),
        (0.98765432, "98.765 %"),
    ],
)  # fmt: skip
def test_a_share_is_never_rounded_to_all_or_nothing(share: float | None, text: str) -> None:
    assert percent_text(share) == text


def test_names_are_cut_where_they_are_alike() -> None:
    assert middle_cut("water_of_the_upper_hall_line_10") == "water_of_th...ll_line_10"
    assert len(middle_cut("water_of_the_upper_hall_line_10")) == 24
    assert middle_cut("water") == "water"
    assert percent_text(0.00001, digits=2) == "<0.01 %"
    assert percent_text(0.999999, digits=2) == ">99.99 %"


@pytest.mark.parametrize(
    ("span_s", "text"),
    [
        (0.0, "0 s"), (0.0004, "<1 ms"), (0.2, "200 ms"), (1.2, "1.20 s"), (43.4, "43 s"), (125.0, "125 s"),
        (725.0, "12 min 05 s"),
        (11_000.0, "3 h 03 min"),
    ],
)  # fmt: skip
def test_lengths_of_time(span_s: float, text: str) -> None:
    assert span_text(span_s) == text


def test_instants_and_hours() -> None:
    assert instant_text(3723.9) == "01:02:03"
    assert instant_text(2 * 86_400 + 1) == "2d 00:00:01"
    assert hours_text(24.0) == "24 h"
    assert hours_text(1.23456) == "1.235 h"


def test_the_page_tells_of_every_menu_and_every_column_of_what_receivers_saw() -> None:
    page = (Path(__file__).resolve().parents[2] / "docs" / "rehearse.md").read_text(encoding="utf-8")
    assert [name for name in MENUS if f"| `{name}`" not in page] == []
    table = page[page.index("| column | meaning |") : page.index("A transfer without `status`")]
    headings = [" ".join(heading.split()) for heading, _ in TRANSFER_COLUMNS[2:]]
    assert [each for each in headings if each not in table] == []
