"""``wherry prove`` as a person calls it."""

from __future__ import annotations

import csv
import json
from collections.abc import Callable
from pathlib import Path

import pytest

from wherry.cli.main import dispatch
from wherry.errors import LocalError

PLAN = """
title = "Hatchery oxygen"

[controller.skid]
connect = "tcp://127.0.0.1:15021"

[controller.hall]
connect = "tcp://127.0.0.1:15022"
storage = "volatile"

[transfer.oxygen]
from = "skid"
to = "hall"
every = "200 ms"
max_age = "1 s"
on_loss = "hold"
status = "holding 90"
values = [
  { name = "tank 1 oxygen", take = "holding 0 float32 CDAB", put = "holding 100 int16", scale = [0, 20, 0, 2000] },
  { name = "level", take = "holding 2 int16", put = "holding 101 int16", range = [0, 2000] },
]
"""


@pytest.fixture
def plan(tmp_path: Path) -> Path:
    path = tmp_path / "oxygen.toml"
    path.write_text(PLAN, encoding="utf-8")
    return path


def test_how_long_to_watch(plan: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert dispatch(["prove", str(plan)]) == 0
    shown = capsys.readouterr().out
    assert "2,995 compared cycles" in shown
    assert "10.0 min" in shown, "2995 periods of 200 ms"
    assert "of 299 ages" in shown


def test_json(plan: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert dispatch(["prove", str(plan), "--rate", "0.01", "--quantile", "0.95", "--json"]) == 0
    (claim,) = json.loads(capsys.readouterr().out)["claims"]
    assert claim["cycles_for_rate"] == 299
    assert claim["cycles_for_rate_s"] == pytest.approx(59.8)
    assert claim["cycles_for_age"] == 59


def test_test_values(plan: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert dispatch(["prove", str(plan), "--fingerprint"]) == 0
    shown = capsys.readouterr().out
    assert "give these values to the source, by name" in shown
    assert "the receiver's program must then show" in shown
    assert "tank 1 oxygen" in shown
    assert "holding 3" in shown, "beside the plan's places"


def test_the_same_seed_gives_the_same_values(plan: Path, capsys: pytest.CaptureFixture[str]) -> None:
    found = []
    for seed in ("3", "3", "4"):
        assert dispatch(["prove", str(plan), "--fingerprint", "--seed", seed, "--json"]) == 0
        found.append(json.loads(capsys.readouterr().out)["values"])
    assert found[0] == found[1] != found[2]


def filled_in(plan: Path, folder: Path, fill: Callable[[dict[str, str]], str]) -> Path:
    """The list of the plan, with what somebody saw."""
    path = folder / "values.csv"
    assert dispatch(["prove", str(plan), "--fingerprint", "--save", str(path)]) == 0
    with path.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, list(rows[0]))
        writer.writeheader()
        writer.writerows({**row, "seen": fill(row)} for row in rows)
    return path


def as_expected(row: dict[str, str]) -> str:
    return row["registers"] if row["side"] == "source" else row["value"]


def test_a_list_that_is_as_it_should_be(plan: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = filled_in(plan, tmp_path, as_expected)
    capsys.readouterr()
    assert dispatch(["prove", str(plan), "--fingerprint", "--seen", str(path)]) == 0
    assert capsys.readouterr().out == "4 places judged, none found wrong.\n"


def test_a_list_that_shows_another_word_order(plan: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    def fill(row: dict[str, str]) -> str:
        words = row["registers"].split()
        return " ".join(reversed(words)) if row["side"] == "source" else row["value"]

    path = filled_in(plan, tmp_path, fill)
    capsys.readouterr()
    assert dispatch(["prove", str(plan), "--fingerprint", "--seen", str(path)]) == 1
    assert capsys.readouterr().out.splitlines() == [
        "source: `tank 1 oxygen` (skid, holding 0 float32 CDAB): its word order is another: ABCD, not CDAB.",
        "4 places judged, 1 found wrong. Mend the plan and do it again.",
    ]


def test_a_list_with_a_scale_of_ten(plan: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    def fill(row: dict[str, str]) -> str:
        is_level = row["side"] == "receiver" and row["name"] == "level"
        return str(float(row["value"]) / 10) if is_level else as_expected(row)

    path = filled_in(plan, tmp_path, fill)
    capsys.readouterr()
    assert dispatch(["prove", str(plan), "--fingerprint", "--seen", str(path), "--json"]) == 1
    (wrong,) = json.loads(capsys.readouterr().out)["wrong"]
    assert wrong["side"] == "receiver"
    assert wrong["names"] == ["level"]
    assert wrong["sentence"].endswith("it is shown 10 times too little")


def test_a_list_that_is_not_filled_in(plan: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = filled_in(plan, tmp_path, lambda _: "")
    capsys.readouterr()
    assert dispatch(["prove", str(plan), "--fingerprint", "--seen", str(path)]) == 1
    shown = capsys.readouterr().out
    assert "Open, since not every step was seen: source `tank 1 oxygen`, source `level`," in shown
    assert "0 places judged" in shown


@pytest.mark.parametrize(
    ("seen", "says"), [("12", "2 registers in hexadecimal"), ("zzzz 0000", "2 registers in hexadecimal")]
)
def test_a_list_with_what_cannot_be_read(plan: Path, tmp_path: Path, seen: str, says: str) -> None:
    path = filled_in(plan, tmp_path, lambda row: seen if row["name"] == "tank 1 oxygen" else as_expected(row))
    with pytest.raises(LocalError, match=says):
        dispatch(["prove", str(plan), "--fingerprint", "--seen", str(path)])


def test_a_file_that_is_no_list(plan: Path, tmp_path: Path) -> None:
    (tmp_path / "other.csv").write_text("a,b\n1,2\n", encoding="utf-8")
    with pytest.raises(LocalError, match="is no list to judge"):
        dispatch(["prove", str(plan), "--fingerprint", "--seen", str(tmp_path / "other.csv")])


def test_after_an_older_plan(plan: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    new = tmp_path / "new.toml"
    new.write_text(PLAN.replace("holding 2 int16", "holding 4 int16"), encoding="utf-8")
    assert dispatch(["prove", str(new), "--after", str(plan)]) == 0
    shown = capsys.readouterr().out.splitlines()
    assert "  point of oxygen / level: `take` of `level` was changed" in shown
    assert "  timing of oxygen: other requests are made of skid" in shown
    assert dispatch(["prove", str(plan), "--after", str(plan)]) == 0
    assert capsys.readouterr().out.startswith("Nothing needs to be shown again")


def test_questions_that_do_not_go_together(plan: Path) -> None:
    with pytest.raises(LocalError, match="one at a time"):
        dispatch(["prove", str(plan), "--fingerprint", "--after", str(plan)])
    with pytest.raises(LocalError, match="belong to --fingerprint"):
        dispatch(["prove", str(plan), "--save", "x.csv"])
    with pytest.raises(LocalError, match="belongs to --rehearsal"):
        dispatch(["prove", str(plan), "--fingerprint", "--truth", str(plan)])
    with pytest.raises(LocalError, match="ask for one of them"):
        dispatch(["prove", str(plan), "--fingerprint", "--rehearsal", "--seen", "x.csv"])


def test_a_rehearsal_of_the_pass(plan: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert dispatch(["prove", str(plan), "--fingerprint", "--rehearsal"]) == 0
    assert capsys.readouterr().out.splitlines() == [
        "A rehearsal on simulated controllers: it proves nothing about the plant.",
        "4 places judged, none found wrong.",
    ]
    truth = tmp_path / "truth.toml"
    truth.write_text(PLAN.replace("float32 CDAB", "float32"), encoding="utf-8")
    assert dispatch(["prove", str(plan), "--fingerprint", "--rehearsal", "--truth", str(truth), "--json"]) == 1
    found = json.loads(capsys.readouterr().out)
    assert found["pass"] == "rehearsal"
    assert [each["names"] for each in found["wrong"]] == [["tank 1 oxygen"]]
