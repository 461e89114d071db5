"""``wherry survey`` as a person calls it: on a simulated controller that another process serves."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from wherry.cli.main import main
from wherry.plan.model import Span, Table
from wherry.plan.profile import read_profile
from wherry.survey.snapshot import read_snapshot

PLAN = """\
[controller.skid]
connect = "tcp://127.0.0.1:1"
limits = { read = 40 }
response = { fixed = "2 ms", per_register = "10 us" }
simulate.holes = ["holding 20..24", "holding 80..400", "input 0..500"]
simulate.signals = [{ at = "holding 3", shape = "counter", period = "50 ms" }]
identity = { vendor = "Trout Works", product = "RS-7", revision = "2.11" }

[controller.hall]
connect = "tcp://127.0.0.1:2"

[transfer.water]
from = "skid"
to = "hall"
every = "1 s"
values = [{ name = "count", take = "holding 3", put = "holding 3" }]
"""
QUICK = ("--yes", "--units", "1", "--range", "0..99", "--rate", "1000", "--watch", "500 ms", "--idle", "0 s")
HOLDING = ("--tables", "holding")


@pytest.fixture(scope="module")
def at(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """Where the controller is served; it ends with the module's tests."""
    plan = tmp_path_factory.mktemp("served") / "plan.toml"
    plan.write_text(PLAN)
    command = [
        sys.executable,
        "-u",
        str(Path(__file__).resolve().parents[1] / "foreign" / "peers" / "our_simulated.py"),
    ]
    process = subprocess.Popen([*command, "skid", str(plan)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    port = json.loads(process.stdout.readline())["port"]
    yield f"127.0.0.1:{port}"
    process.communicate(timeout=20)


@pytest.fixture
def call(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Callable[..., tuple[int, str, str]]:
    def ended(*arguments: str | Path) -> tuple[int, str, str]:
        monkeypatch.setattr(sys, "argv", ["wherry", "survey", *map(str, arguments)])
        with pytest.raises(SystemExit) as done:
            main()
        said = capsys.readouterr()
        return int(done.value.code or 0), said.out, said.err

    return ended


@pytest.mark.slow
def test_it_says_what_it_will_do_and_then_what_it_found(call: Callable[..., tuple[int, str, str]], at: str) -> None:
    code, out, err = call(at, *QUICK, *HOLDING)
    assert code == 0, out + err
    assert "At most 2,000 requests leave, at most 1000 a second" in err
    assert "nothing else can leave" in err
    assert "may take the only connection" in err
    assert out.startswith("Trout Works RS-7 2.11: unit 1, ")
    assert "holding 0 to 99: 75 registers can be read, at most 40 at once; holes, `any`" in out
    assert "  readable: 0..19, 25..79 (the first is 40001)" in out
    assert "  counts: 3 (the first is 40004)" in out
    assert re.search(r"^     0 ===\+=+\.\.\.\.\.=+$", out, re.MULTILINE)
    assert re.search(r"^limit: read +40 +proved ", out, re.MULTILINE)
    assert all(len(line) <= 100 for line in out.splitlines() if not line.startswith("holding 0"))


@pytest.mark.slow
def test_everything_is_saved_and_can_be_read_again(
    call: Callable[..., tuple[int, str, str]], at: str, tmp_path: Path
) -> None:
    files = {name: tmp_path / name for name in ("p.toml", "s.csv", "a.png", "a.svg")}
    code, out, err = call(
        at, *QUICK, *HOLDING, "--json", "--save", files["p.toml"], "--snapshot", files["s.csv"],
        "--picture", files["a.png"], "--picture", files["a.svg"],
    )  # fmt: skip
    assert code == 0, out + err
    told = json.loads(out)
    assert told["saved"] == [str(files[name]) for name in ("p.toml", "s.csv", "a.png", "a.svg")]
    assert told["tables"][0]["absent"] == [[20, 24], [80, 99]]
    profile = read_profile(files["p.toml"])
    assert profile.tables[Table.HOLDING].absent == (Span(Table.HOLDING, 20, 5), Span(Table.HOLDING, 80, 20))
    assert profile.at == f"tcp://{at}"
    snapshot = read_snapshot(files["s.csv"])
    assert snapshot.about["unit"] == "1"
    assert set(snapshot.latest(Table.HOLDING)) == {*range(20), *range(25, 80)}
    assert files["a.png"].read_bytes().startswith(b"\x89PNG")
    # Nothing has changed since.
    code, out, _ = call(
        at, "--yes", *HOLDING, "--rate", "1000", "--watch", "0 s", "--idle", "0 s", "--compare", files["p.toml"]
    )
    assert code == 0, out
    assert "Nothing has changed since the profile from before" in out
    # And where something has, the answer is no.
    text = files["p.toml"].read_text().replace('absent = ["holding 20..24", ', "absent = [")
    files["p.toml"].write_text(text.replace('"holding 0..19", "holding 25..79"', '"holding 0..79"'))
    code, out, _ = call(
        at,
        "--yes",
        *HOLDING,
        "--rate",
        "1000",
        "--watch",
        "0 s",
        "--idle",
        "0 s",
        "--compare",
        files["p.toml"],
        "--json",
    )
    assert code == 1
    (change,) = json.loads(out)["changes"]
    assert (change["what"], change["before"], change["is_grave"]) == ("holding: can be read no more", "20..24", True)


@pytest.mark.slow
def test_a_table_in_which_nothing_is(call: Callable[..., tuple[int, str, str]], at: str) -> None:
    code, out, _ = call(at, "--yes", "--units", "1", "--tables", "input", "--range", "0..9", "--idle", "0 s")
    assert code == 0
    assert "input 0 to 9: nothing (refused: illegal data address (02))." in out


def test_without_a_terminal_it_wants_to_be_told(call: Callable[..., tuple[int, str, str]]) -> None:
    code, out, err = call("127.0.0.1:9")
    assert code == 2
    assert out == ""
    assert "give --yes" in err


class Terminal:
    """Somebody who types."""

    def __init__(self, line: str) -> None:
        self.line = line

    def isatty(self) -> bool:
        return True

    def readline(self, _size: int = -1) -> str:
        return self.line


def test_whoever_says_no_gets_nothing(
    call: Callable[..., tuple[int, str, str]], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys, "stdin", Terminal("n\n"))
    code, _, err = call("127.0.0.1:9")
    assert code == 2
    assert "Nothing was sent." in err


def test_a_controller_that_is_not_there(call: Callable[..., tuple[int, str, str]]) -> None:
    code, out, err = call("127.0.0.1:9", "--yes", "--timeout", "300 ms")
    assert code == 3
    assert "refused the connection" in err
    assert out == ""


@pytest.mark.slow
def test_a_unit_that_is_not_there(call: Callable[..., tuple[int, str, str]], at: str) -> None:
    code, out, err = call(at, "--yes", "--units", "9", "--timeout", "200 ms")
    assert code == 3
    assert "no unit answered" in err
    assert "unit 9 not answered" in err
    assert out == ""


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("--units", "256"), "--units 256: unit ids are numbers from 0 to 255"),
        (("--units", "5..1"), "--units 5..1"),
        (("--tables", "holdings"), "--tables: there is no table `holdings`"),
        (("--range", "9..1"), "--range 9..1: write first and last address"),
        (("--range", "0..70000"), "--range 0..70000"),
        (("--budget", "3"), "--budget 3 is outside 20 to 1,000,000"),
        (("--rate", "0"), "--rate 0 is outside"),
        (("--watch", "10"), "the duration `10` has no unit"),
        (("--picture", "a.gif"), "--picture a.gif: a picture is a .png or an .svg"),
        (("--save", "no/such/folder/p.toml"), "there is no folder"),
        (("--compare", "no.toml"), "does not exist"),
    ],
)
def test_a_call_that_makes_no_sense(
    call: Callable[..., tuple[int, str, str]], arguments: tuple[str, ...], said: str
) -> None:
    code, out, err = call("127.0.0.1:9", *arguments)
    assert code == 2
    assert said in err
    assert out == ""


@pytest.mark.parametrize("host", ["http://x", "10.0.0.1:0", "10.0.0.1:port", "rtu+tcp://10.0.0.1"])
def test_an_address_that_makes_no_sense(call: Callable[..., tuple[int, str, str]], host: str) -> None:
    code, _, err = call(host, "--yes")
    assert code == 2
    assert err


def test_a_file_that_is_no_profile_is_not_written_over(
    call: Callable[..., tuple[int, str, str]], at: str, tmp_path: Path
) -> None:
    kept = tmp_path / "notes.txt"
    kept.write_text("precious")
    code, _, said = call(at, "--yes", "--save", kept)
    assert code == 2
    assert "is there already and is no profile" in " ".join(said.split())
    assert kept.read_text() == "precious"
