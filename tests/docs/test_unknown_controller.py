"""The story of docs/unknown-controller.md, typed as it is printed there, on a simulated skid that nobody described."""

from __future__ import annotations

import re
import shlex
from collections.abc import Iterator
from pathlib import Path

import pytest
from tests.docs.unknown_skid import MORNING, NOON, Plant, unknown_words, words_of

from wherry.cli.main import dispatch
from wherry.plan import loads

DOCUMENT = Path(__file__).resolve().parents[2] / "docs" / "unknown-controller.md"
FENCE = re.compile(r"^```(\w+)\n(.*?)^```$", re.DOTALL | re.MULTILINE)
HOSTS = {"10.20.0.11": "skid", "10.20.0.12": "hall"}
HURRY = ["--rate", "500", "--watch", "1 s", "--idle", "0 s", "--timeout", "300 ms"]
"""A simulated skid on loopback can be asked quicker than a real one; what is found is the same."""


@pytest.fixture
def plant() -> Iterator[Plant]:
    made = Plant()
    made.hold(unknown_words())
    yield made
    made.stop()


def blocks(kind: str) -> list[str]:
    return [match[2] for match in FENCE.finditer(DOCUMENT.read_text(encoding="utf-8")) if match[1] == kind]


def on_loopback(text: str, plant: Plant) -> str:
    for host, name in HOSTS.items():
        text = text.replace(host, plant.place(name))
    return text


def typed(block: str) -> tuple[list[str], list[str]]:
    """The command of a block, and the lines that it is said to print."""
    text = block.replace("\\\n", " ")
    lines = text.strip().split("\n")
    assert lines[0].startswith("$ wherry ")
    return shlex.split(lines[0])[2:], lines[1:]


@pytest.mark.slow
@pytest.mark.timeout(120)
def test_the_story_as_it_is_told(
    plant: Plant, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "skid.facts").write_text(blocks("text")[0])
    (tmp_path / "water.toml").write_text(on_loopback("\n".join(blocks("toml")), plant))
    commands = [typed(block) for block in blocks("console")]
    assert [arguments[0] for arguments, _ in commands] == ["survey", "fit", "fit", "fit", "check", "run", "survey"]
    answers: list[int] = []
    printed: list[str] = []
    refused: list[int] = []
    for number, (arguments, lines) in enumerate(commands):
        plant.hold(words_of(MORNING if number < 2 else NOON))
        call = [on_loopback(each, plant) for each in arguments]
        answers.append(dispatch(call + HURRY * (arguments[0] == "survey")))
        refused.append(sum(plant.controller("skid").counts.exceptions.values()))
        out = capsys.readouterr().out
        printed.append(out)
        for line in lines:
            assert line in out
    # Undecided after one look, and again after the second alone; decided by both.
    assert answers == [0, 1, 1, 0, 0, 0, 0]
    agrees_with_the_plan(printed[3])
    assert "warning" not in printed[4]
    # What the hall holds is what the panel shows, in its own numbers.
    holds = plant.controller("hall").registers(200, 4)
    assert holds == (691, 381, 123, 305)
    skid = plant.controller("skid")
    assert skid.counts.writes == 0
    assert set(skid.counts.requests) <= {1, 2, 3, 4, 7, 8, 0x0B, 0x11, 0x2B}
    # While it ran no request was refused: the profile keeps the reads inside what exists.
    assert refused[0] > 0
    assert refused[5] == refused[0]


def agrees_with_the_plan(fit_output: str) -> None:
    """The places that were decided are those of the plan, and the true ones."""
    found = dict(re.findall(r'name = "(\w+)", take = "(.*?)"', fit_output))
    plan = loads("\n".join(each.replace('profile = "skid.profile.toml"\n', "") for each in blocks("toml"))).plan
    assert found == {each.name: each.take.text for each in plan.transfers[0].values}
    assert found == {
        "oxygen": "holding 104 float32 CDAB",
        "flow": "holding 106 float32 CDAB",
        "temperature": "holding 110 int16",
        "level": "holding 111 int16",
    }
