"""A report says what the record holds, and says what it does not show."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest

from wherry.cli.main import dispatch
from wherry.errors import LocalError
from wherry.paper import report_html, report_pdf
from wherry.paper.report import NOT_SHOWN, report
from wherry.paper.report_pages import pages
from wherry.paper.typeset import CAUTIONS
from wherry.record.figures import sessions
from wherry.record.reading import Record

EXAMPLE = Path(__file__).parents[2] / "examples" / "hatchery.toml"
LOSS = """
[[fault]]
kind = "source killed"
controller = "skid"
at = "60 s"
for = "20 s"
"""


@pytest.fixture(scope="module")
def records(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    folder = tmp_path_factory.mktemp("records")
    (folder / "loss.toml").write_text(LOSS)
    made = {}
    for name, faults in (("calm", "none"), ("loss", str(folder / "loss.toml"))):
        made[name] = folder / f"{name}.record"
        dispatch(
            ["rehearse", str(EXAMPLE), "--hours", "0.04", "--faults", faults, "--record", str(made[name]), "--json"]
        )
    return made


def document_of(path: Path) -> dict[str, Any]:
    with Record(path) as opened:
        found = sessions(opened.entries())
        return report(opened, found[-1], found)


def results(document: dict[str, Any]) -> dict[tuple[str, str], str]:
    return {(each["subject"], each["criterion"]): each["result"] for each in document["criteria"]}


def test_a_calm_rehearsal_keeps_what_the_plan_declares(records: dict[str, Path]) -> None:
    document = document_of(records["calm"])
    assert document["kind"] == "rehearsal"
    assert set(results(document).values()) == {"kept"}
    assert len(document["criteria"]) == 9
    assert document["cautions"] == list(CAUTIONS)
    text = " ".join(document["not_tested"])
    assert "Nothing here was seen on the real controllers" in text
    assert "water: no loss came" in text
    assert "No value was compared" in text


def test_a_loss_is_a_criterion_that_was_not_kept(records: dict[str, Path]) -> None:
    document = document_of(records["loss"])
    found = results(document)
    assert found["water", "every cycle is delivered"] == "NOT kept"
    assert found["demand", "every cycle is delivered"] == "kept", "it comes from another controller"
    assert found["water", "age at delivery"] == "kept", "what is too old is not delivered"
    assert "NOT kept" in " ".join(document["summary"])
    assert "water: no loss came" not in " ".join(document["not_tested"])
    (water,) = [each for each in document["transfers"] if each["name"] == "water"]
    assert water["losses"] >= 1
    assert 0.8 < water["good_share"] < 0.95


def test_counts_are_those_of_the_commands_own_summary(records: dict[str, Path]) -> None:
    with Record(records["loss"]) as opened:
        (closed,) = [each for each in opened.entries() if each.kind == "closed"]
    document = document_of(records["loss"])
    for each in document["transfers"]:
        said = closed.data["summary"]["transfers"][each["name"]]
        assert {key: each[key] for key in ("scheduled", "delivered", "skipped", "failed")} == {
            key: said[key] for key in ("scheduled", "delivered", "skipped", "failed")
        }
    for each in document["controllers"]:
        assert each["requests"] == closed.data["summary"]["controllers"][each["name"]]["requests"]


def test_each_point_of_the_plan_has_its_row(records: dict[str, Path]) -> None:
    points = document_of(records["calm"])["points"]
    assert len(points) == 7
    (oxygen,) = [each for each in points if each["name"] == "tank 1 oxygen"]
    assert (oxygen["take"], oxygen["put"]) == ("holding 0 float32 CDAB", "holding 100 int16")
    assert 6.5 <= oxygen["lowest"] < oxygen["highest"] <= 11
    assert oxygen["samples"] > 10


def test_the_same_record_is_the_same_bytes_and_both_papers_hold_everything(records: dict[str, Path]) -> None:
    pytest.importorskip("typst")
    pytest.importorskip("matplotlib")
    first, second = (pages(document_of(records["loss"])) for _ in range(2))
    page = report_html.html(first)
    assert page == report_html.html(second)
    assert report_pdf.pdf(first, "12 ab") == report_pdf.pdf(second, "12 ab")
    text = page.decode()
    assert "REHEARSAL on simulated controllers" in text
    for table in first["tables"]:
        assert table["title"] in text
    for line in first["cautions"]:
        assert line in text.replace("&#39;", "'")
    assert text.count("<svg") == 6
    assert not re.search(r"""(src|href)\s*=\s*["']?(https?:)?//""", text.replace("http://www.w3.org", "")), (
        "nothing is fetched"
    )


def test_what_a_device_or_a_plan_says_cannot_be_markup(records: dict[str, Path]) -> None:
    pytest.importorskip("matplotlib")
    pytest.importorskip("typst")
    document = document_of(records["calm"])
    evil = "<script>alert(1)</script> #panic() $x$ *b* [c"
    document["title"] = document["points"][0]["name"] = document["events"][0]["message"] = evil
    page = report_html.html(pages(document)).decode()
    assert "<script" not in page
    assert report_pdf.pdf(pages(document), "1").startswith(b"%PDF-")


# The command.


def test_the_command_saves_both_files(records: dict[str, Path], capsys: pytest.CaptureFixture[str]) -> None:
    pytest.importorskip("typst")
    pytest.importorskip("matplotlib")
    capsys.readouterr()
    folder = records["calm"].parent / "papers"
    assert dispatch(["report", str(records["calm"]), "--save", str(folder)]) == 0
    assert {each.name for each in folder.iterdir()} == {"calm.report.html", "calm.report.pdf"}
    assert "9 of 9 criteria were kept" in capsys.readouterr().out
    assert dispatch(["report", str(records["loss"]), "--json"]) == 1
    answer = json.loads(capsys.readouterr().out)
    assert answer["exit_code"] == 1
    assert not list(records["loss"].parent.glob("loss.report.*")), "--json writes no files"


def test_a_record_that_was_changed_is_not_reported(records: dict[str, Path], tmp_path: Path) -> None:
    changed = tmp_path / "changed.record"
    data = bytearray(records["calm"].read_bytes())
    at = data.index(b'"delivered":')
    data[at + 13] ^= 1
    changed.write_bytes(data)
    with pytest.raises(LocalError, match="not as it was written"):
        dispatch(["report", str(changed)])
    with pytest.raises(LocalError, match="no record"):
        dispatch(["report", str(tmp_path / "none.record")])
    with pytest.raises(LocalError, match="began with entry 7"):
        dispatch(["report", str(records["calm"]), "--session", "7"])


def test_what_was_only_read_shows_nothing_of_deliveries(records: dict[str, Path]) -> None:
    with Record(records["calm"]) as opened:
        found = sessions(opened.entries())
        found[-1].opened.data["armed"] = []
        document = report(opened, found[-1], found)
    wanted = {"age at delivery", "every cycle is delivered"}
    assert {result for (_, what), result in results(document).items() if what in wanted} == {NOT_SHOWN}
    assert "water was only read: hall was not armed." in document["not_tested"]
