"""``wherry new`` and ``wherry schema``: what they write, print and answer."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from wherry.cli.main import dispatch
from wherry.cli.new import ask
from wherry.cli.output import Exit
from wherry.plan import load
from wherry.plan.starter import Answers, starter


def answers_of(*lines: str) -> tuple[Callable[[str], str], list[str]]:
    """Somebody who answers these lines, and then no more; and the questions that were asked."""
    left: Iterator[str] = iter(lines)
    asked: list[str] = []

    def read(question: str) -> str:
        asked.append(question)
        try:
            return next(left)
        except StopIteration:
            raise EOFError from None

    return read, asked


def test_it_writes_a_plan_that_is_sound(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "wäter.toml"
    assert dispatch(["new", str(file)]) == Exit.OK
    assert file.read_bytes() == starter().encode("utf-8")
    assert load(file).findings == ()
    printed = capsys.readouterr()
    assert printed.out == (
        f"wrote {file}: skid to hall, 2 values\nchange what is an example in it, then: wherry check {file}\n"
    )
    assert printed.err == ""


def test_it_never_writes_over_a_file_unless_told_to(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "water.toml"
    file.write_text("mine\n")
    assert dispatch(["new", str(file)]) == Exit.WRONG_CALL
    assert file.read_text() == "mine\n"
    printed = capsys.readouterr()
    assert printed.out == ""
    assert printed.err == (
        f"wherry: {file} is there already, and was not touched\n"
        "        give another name, or --force to write over it\n"
    )
    assert dispatch(["new", str(file), "--force"]) == Exit.OK
    assert load(file).findings == ()
    assert [each.name for each in tmp_path.iterdir()] == ["water.toml"]


def test_it_refers_to_a_list_of_values(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "lists").mkdir()
    (tmp_path / "plans").mkdir()
    values = tmp_path / "lists" / "tanks.csv"
    values.write_text("name;take;put\na;holding 0;holding 1\nb;40002;coil 3 bool\n")
    file = tmp_path / "plans" / "water.toml"
    assert dispatch(["new", str(file), "--from-csv", str(values)]) == Exit.OK
    assert 'values = "../lists/tanks.csv"' in file.read_text()
    assert len(load(file).plan.transfers[0].values) == 2
    assert "2 values" in capsys.readouterr().out


def test_a_broken_list_is_refused_with_its_places(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    values = tmp_path / "tanks.csv"
    values.write_text("name,take,put\na,holding 0 floot32,holding 1\n" + "b,,\n" * 3)
    file = tmp_path / "water.toml"
    assert dispatch(["new", str(file), "--from-csv", str(values)]) == Exit.WRONG_CALL
    assert not file.exists()
    lines = capsys.readouterr().err.split("\n")
    assert lines[0] == f"wherry: {values}:2:13: there is no type `floot32` [bad-address]"
    assert lines[1] == "        write `float32`"
    assert lines[-2] == f"wherry: {values} has 7 faults (and 2 more): nothing was written"


def test_a_list_that_is_not_there_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "water.toml"
    assert dispatch(["new", str(file), "--from-csv", str(tmp_path / "tanks.csv")]) == Exit.WRONG_CALL
    error = capsys.readouterr().err
    assert f"the list {tmp_path / 'tanks.csv'} does not exist [missing-file]" in error
    assert not file.exists()


def test_a_place_that_cannot_be_written_is_a_sentence(tmp_path: Path) -> None:
    from wherry.errors import PlanError

    with pytest.raises(PlanError, match=r"the folder .*no does not exist: nothing was written; make it first"):
        dispatch(["new", str(tmp_path / "no" / "water.toml")])


def test_empty_answers_take_what_is_shown() -> None:
    read, asked = answers_of("", "", "", "", "", "")
    assert ask(Answers(), read) == Answers()
    assert asked == [
        "What is the plan for? [Hatchery water exchange]: ",
        "Name of the controller that values are taken from [skid]: ",
        "Address of skid [tcp://10.20.0.11]: ",
        "Name of the controller that they are put into [hall]: ",
        "Address of hall [tcp://10.20.0.12]: ",
        "How often? The period [200 ms]: ",
    ]


def test_answers_are_asked_for_until_they_are_good(capsys: pytest.CaptureFixture[str]) -> None:
    read, _ = answers_of(
        "Trout", "all", "oxygen plant", "10.20.0.300", "10.20.0.13:1502", "oxygen plant", "tank \x07", "tank",
        "tank-plc", "5", "0 s", "0.1 ms", "5 s",
    )  # fmt: skip
    answers = ask(Answers(), read)
    assert answers == Answers("Trout", "oxygen plant", "tcp://10.20.0.13:1502", "tank", "tcp://tank-plc", "5 s")
    said = capsys.readouterr().err
    for words in ("stands for every controller", "no IPv4 address", "the name of the other one", "is no name",
                  "has no unit", "a period is from 1 ms to 24 h"):  # fmt: skip
        assert words in said, words


def test_in_a_terminal_it_asks_and_writes_the_answers(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    read, _ = answers_of("Trout", "oxygen", "10.20.0.13", "hall", "10.20.0.14", "1 s")
    monkeypatch.setattr("sys.stdin.isatty", lambda: True)
    monkeypatch.setattr("wherry.cli.output.in_terminal", lambda: True)
    monkeypatch.setattr("builtins.input", read)
    file = tmp_path / "water.toml"
    assert dispatch(["new", str(file)]) == Exit.OK
    plan = load(file).plan
    assert (plan.title, plan.transfers[0].source, plan.transfers[0].period_ns) == ("Trout", "oxygen", 10**9)
    assert [each.host for each in plan.controllers] == ["10.20.0.13", "10.20.0.14"]

    file.unlink()
    assert dispatch(["new", str(file)]) == Exit.WRONG_CALL
    assert "the questions were not answered: nothing was written" in capsys.readouterr().err
    assert not file.exists()


def test_the_schema_is_one_json_document(capsys: pytest.CaptureFixture[str]) -> None:
    assert dispatch(["schema"]) == Exit.OK
    printed = capsys.readouterr()
    assert json.loads(printed.out)["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    assert printed.err == ""
