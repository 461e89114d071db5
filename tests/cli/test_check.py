"""``wherry check`` as a user calls it: output, exit codes, and what programs get."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from wherry.cli.check_view import columns, pointed
from wherry.cli.main import dispatch
from wherry.findings import Span

GOOD = """\
title = "Hatchery water exchange"

[controller.skid]
connect = "tcp://10.20.0.11"
response = { fixed = "2 ms" }

[controller.hall]
connect = "tcp://10.20.0.12"
when_silent = "holds"
storage = "volatile"

[transfer.water]
from = "skid"
to = "hall"
every = "200 ms"
on_loss = "hold"
alive = "holding 9"
status = "holding 102"
values = [
  { name = "tank 1 oxygen", take = "holding 0 float32 CDAB", put = "holding 100 float32" },
  { name = "pump 1 running", take = "holding 12.3", put = "coil 5" },
]
"""

BAD = GOOD.replace('put = "holding 100 float32"', 'put = "holding 100 int16", range = [0, 40000]')


@pytest.fixture
def plan(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("FORCE_COLOR", raising=False)
    Path("good.toml").write_text(GOOD)
    Path("bad.toml").write_text(BAD)
    return tmp_path


def test_a_sound_plan(plan: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert dispatch(["check", "good.toml"]) == 0
    said = capsys.readouterr()
    assert said.out == "good.toml is sound: 2 values of 1 transfer between 2 controllers.\n"
    assert said.err == ""


def test_a_finding_points_at_its_place(plan: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert dispatch(["check", "bad.toml"]) == 1
    assert capsys.readouterr().out == (
        "error[range-loss]: `tank 1 oxygen` does not always fit into int16\n"
        "   --> bad.toml:20:68\n"
        "   |\n"
        '20 | ...ygen", take = "holding 0 float32 CDAB", put = "holding 100 int16", range = [0, 40000] },\n'
        "   |                                                  ^^^^^^^^^^^^^^^^^^^\n"
        "   = expected: int16 holds -32768 to 32767\n"
        "   = found:    0 to 40000 puts 0 to 40000\n"
        "   = fix:      use a wider type at `put`, a scale that fits the whole range, or `clamp = true`\n"
        "   = see:      its declared range: bad.toml:20:97\n"
        "\n"
        "bad.toml must not run: 1 error in 2 values of 1 transfer between 2 controllers.\n"
    )


def test_requests_fit_in_a_hundred_columns(plan: Path, capsys: pytest.CaptureFixture[str]) -> None:
    long = GOOD.replace("tank 1 oxygen", "the oxygen of the first tank behind the intake, right side").replace(
        "skid", "recirculation-skid-one"
    )
    Path("long.toml").write_text(long)
    for file in ("good.toml", "long.toml"):
        assert dispatch(["check", file, "--requests"]) == 0
        out = capsys.readouterr().out
        assert max(map(len, out.splitlines())) <= 100
    assert dispatch(["check", "good.toml", "--requests"]) == 0
    lines = [" ".join(line.split()) for line in capsys.readouterr().out.splitlines()]
    assert lines[:9] == [
        "controller request numbers count carries every",
        "skid read holding 0..1 40001..40002 2 tank 1 oxygen 200 ms",
        "skid read holding 9 40010 1 alive 200 ms",
        "skid read holding 12 40013 1 pump 1 running 200 ms",
        "hall write holding 100..101 40101..40102 2 tank 1 oxygen 200 ms",
        "hall write coil 5 00006 1 pump 1 running 200 ms",
        "hall write holding 102..105 40103..40106 4 status 200 ms",
        "",
        "skid: 15.0 requests a second, 2.0 ms each, utilisation 3.0 %",
    ]


def test_verbose_tells_every_default(plan: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert dispatch(["check", "good.toml", "--verbose"]) == 0
    rows = [line.split()[:2] for line in capsys.readouterr().out.splitlines()]
    for key in ("limits.read", "limits.timeout", "response.per_register", "port", "unit"):
        assert ["controller.skid", key] in rows
    assert ["controller.hall", "response.fixed"] in rows
    assert ["transfer.water", "max_age"] in rows
    for key in ("on_loss", "alive", "status"):
        assert ["transfer.water", key] not in rows
    assert ["controller.skid", "response.fixed"] not in rows
    assert dispatch(["check", "good.toml", "--verbose", "--json"]) == 0
    defaults = json.loads(capsys.readouterr().out)["defaults"]
    assert {"where": "transfer.water, 1 value", "key": "put order", "holds": "ABCD: high word first"} in defaults


def test_json_is_one_document(plan: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert dispatch(["check", "bad.toml", "--json", "--requests", "--verbose"]) == 1
    said = capsys.readouterr()
    assert said.err == ""
    answer = json.loads(said.out)
    assert list(answer) == ["plan", "exit_code", "counts", "findings", "requests", "load", "defaults"]
    assert answer["counts"] == {"error": 1, "warning": 0, "note": 0}
    (finding,) = answer["findings"]
    assert (finding["name"], finding["level"], finding["file"]) == ("range-loss", "error", "bad.toml")
    assert (finding["line"], finding["column"], finding["line_end"], finding["column_end"]) == (20, 68, 20, 87)
    assert finding["path"] == ["transfer", "water", "values", 0, "put"]
    assert finding["related"][0]["column"] == 97
    first = answer["requests"][0]
    assert first == {
        "controller": "skid",
        "action": "read",
        "function": 3,
        "table": "holding",
        "address": 0,
        "count": 2,
        "number_first": "40001",
        "number_last": "40002",
        "period_ms": 200.0,
        "carries": [{"transfer": "water", "value": "tank 1 oxygen"}],
    }
    assert answer["load"]["skid"]["response_is_declared"] is True
    documented = (Path(__file__).parents[2] / "docs" / "check.md").read_text(encoding="utf-8")
    for part in (answer, finding, first, answer["load"]["skid"], answer["defaults"][0]):
        assert [key for key in part if f"`{key}`" not in documented] == []


def test_a_row_of_equal_findings_is_cut(plan: Path, capsys: pytest.CaptureFixture[str]) -> None:
    row = '  { name = "tank %d level", take = "input %d", put = "input %d" },\n'
    rows = "".join(row % (at, at, at) for at in range(30))
    Path("long.toml").write_text(GOOD.replace("values = [\n", "values = [\n" + rows))
    assert dispatch(["check", "long.toml"]) == 1
    out = capsys.readouterr().out
    assert out.count("error[read-only-destination]") == 20
    assert "... and 10 more of read-only-destination (--json lists all)\n" in out


def test_a_place_in_a_list_beside_the_plan(plan: Path, capsys: pytest.CaptureFixture[str]) -> None:
    Path("tanks.csv").write_text("name,take,put\ntank 1 level,holding 2,input 100\n")
    Path("list.toml").write_text(GOOD[: GOOD.index("values = [")] + 'values = "tanks.csv"\n')
    assert dispatch(["check", "list.toml"]) == 1
    out = capsys.readouterr().out
    assert "tanks.csv:2:24\n" in out
    assert "2 | tank 1 level,holding 2,input 100\n  |                        ^^^^^^^^^\n" in out


def test_what_is_not_toml_is_a_finding(plan: Path, capsys: pytest.CaptureFixture[str]) -> None:
    Path("broken.toml").write_text("title = Hatchery\n")
    assert dispatch(["check", "broken.toml"]) == 1
    assert capsys.readouterr().out.startswith("error[not-toml]: ")


def test_explain(plan: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert dispatch(["check", "--explain", "range-loss"]) == 0
    assert capsys.readouterr().out.startswith("range-loss (error): a number can be too large")
    assert dispatch(["check", "--explain", "all"]) == 0
    assert "two-values-one-place (error)" in capsys.readouterr().out
    assert dispatch(["check", "--explain", "rangeloss"]) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert "did you mean: wherry check --explain range-loss" in said.err


def test_without_a_plan(plan: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert dispatch(["check"]) == 2
    assert "no plan was given" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("text", "first", "last", "width", "shown", "caret"),
    [
        ("abc def", 5, 8, 20, "abc def", "    ^^^"),
        ("a\tb", 3, 4, 20, "a    b", "     ^"),
        ("鱒 = 1", 5, 6, 20, "鱒 = 1", "     ^"),
        ("x" * 40 + "HERE" + "y" * 40, 41, 45, 30, None, None),
        ("HERE" + "y" * 40, 1, 5, 30, None, None),
        ("x" * 40 + "HERE", 41, 45, 30, None, None),
        ("x" * 10 + "H" * 80 + "y" * 10, 11, 91, 40, None, None),
        ("", 1, 1, 20, "", "^"),
    ],
)
def test_a_line_is_cut_around_its_place(
    text: str, first: int, last: int, width: int, shown: str | None, caret: str | None
) -> None:
    line, carets = pointed(text, Span("plan.toml", 1, first, 1, last), width)
    assert columns(line) <= width
    at = len(carets) - len(carets.lstrip())
    if shown is None:
        assert line[at : at + 4] in ("HERE", "HHHH")
        assert set(carets.strip()) == {"^"}
    else:
        assert (line, carets) == (shown, caret)
