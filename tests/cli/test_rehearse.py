"""``wherry rehearse`` as a person calls it: the real program on the plan that ships, for minutes of simulated time."""

from __future__ import annotations

import contextlib
import json
import os
import re
import signal
import subprocess
import sys
import threading
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from wherry.cli.main import main
from wherry.cli.rehearse import tell_left_out
from wherry.plan import load

WHERRY = (sys.executable, "-m", "wherry")
HATCHERY = Path(__file__).resolve().parents[2] / "examples" / "hatchery.toml"
SHORT = ("--hours", "0.05")


def wherry(*arguments: str | Path, **options: Any) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [*WHERRY, "rehearse", *map(str, arguments)], capture_output=True, text=True, timeout=60, check=False, **options
    )


@dataclass(frozen=True)
class Ended:
    """What a call came to that starts nothing, made within this process: the program itself takes longer to start."""

    returncode: int
    stdout: str
    stderr: str


@pytest.fixture
def call(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Callable[..., Ended]:
    def ended(*arguments: str | Path) -> Ended:
        monkeypatch.setattr(sys, "argv", ["wherry", "rehearse", *map(str, arguments)])
        with pytest.raises(SystemExit) as done:
            main()
        said = capsys.readouterr()
        return Ended(int(done.value.code or 0), said.out, said.err)

    return ended


@pytest.mark.slow
def test_it_says_first_how_it_was_and_then_what_each_saw() -> None:
    done = wherry(HATCHERY, *SHORT)
    assert done.returncode == 0, done.stdout + done.stderr
    assert done.stderr == ""
    lines = done.stdout.splitlines()
    assert lines[0].startswith("Hatchery water exchange: 0.05 h of simulated time, ")
    assert lines[1] == "No declared bound was broken."
    for words in ("What each receiver saw", "Writes in 0.05 h", "What each controller was asked", "`--save DIR`"):
        assert any(line.startswith(words) for line in lines), words
    assert "Simulated is not proven" in lines[-1]
    # Tables keep to the width; sentences are broken by the terminal and end with a full stop.
    assert [line for line in lines if len(line) > 100 and not line.endswith(".")] == []


@pytest.mark.slow
def test_everything_is_saved_and_the_same_again(tmp_path: Path) -> None:
    first, second = tmp_path / "a" / "b", tmp_path / "c"
    for folder in (first, second):
        done = wherry(HATCHERY, *SHORT, "--seed", "3", "--save", folder, "--json")
        assert done.returncode == 0, done.stderr
        assert json.loads(done.stdout) == json.loads((folder / "rehearsal.json").read_text(encoding="utf-8"))
    names = {each.name for each in first.iterdir()}
    assert names == {"rehearsal.json", "rehearsal.journal", "ages.png", "ages.svg"}
    for name in names:
        assert (first / name).read_bytes() == (second / name).read_bytes(), name
    assert "the exchange starts" in (first / "rehearsal.journal").read_text(encoding="utf-8")


@pytest.mark.slow
def test_json_has_what_the_page_says_and_nothing_else_is_printed() -> None:
    done = wherry(HATCHERY, *SHORT, "--faults", "none", "--json")
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""
    answer = json.loads(done.stdout)
    page = (HATCHERY.parents[1] / "docs" / "rehearse.md").read_text(encoding="utf-8")
    told = page[page.index("## The JSON document") :]
    transfer, controller = answer["transfers"]["water"], answer["controllers"]["hall"]
    for keys in (answer, transfer, controller, answer["writes"][0]):
        assert [key for key in keys if not any(each in told for each in (f"`{key}`", f".{key}`", f"`{key}."))] == []
    assert answer["is_simulated"] is True
    assert answer["faults"] == []
    assert answer["exit_code"] == 0
    assert transfer["scheduled"] == transfer["delivered"] + transfer["skipped"] + transfer["failed"]
    assert transfer["good_share"] > 0.99
    assert 0 < controller["utilisation"] < 1


SLOW = """
[controller.skid]
connect = "tcp://10.20.0.11"
response = { fixed = "80 ms", per_register = "0 us" }
[controller.hall]
connect = "tcp://10.20.0.12"
response = { fixed = "70 ms", per_register = "0 us" }
[transfer.level]
from = "skid"
to = "hall"
every = "200 ms"
max_age = "1 s"
on_loss = "hold"
values = [ { name = "tank 1 level", take = "holding 500 int16", put = "holding 500 int16", range = [0, 2000] } ]
[transfer.water]
from = "skid"
to = "hall"
every = "200 ms"
max_age = "1 s"
on_loss = "hold"
status = "holding 101"
values = [ { name = "tank 1 oxygen", take = "holding 900 int16", put = "holding 100 int16", range = [0, 2000] } ]
"""
"""Each controller alone can carry the rate, and each transfer by itself is over within its period, but not both."""


def test_a_period_that_is_not_kept_is_a_broken_bound(tmp_path: Path) -> None:
    plan = tmp_path / "slow.toml"
    plan.write_text(SLOW, encoding="utf-8")
    done = wherry(plan, *SHORT, "--faults", "none")
    assert done.returncode == 1, done.stderr
    said = " ".join(done.stdout.split())
    assert "A declared bound was broken: 1 time." in said
    assert re.search(
        r"period, water at 00:00:0\d: 4\d\d periods of 200 ms brought no new values although nothing was wrong",
        said,
    ), said


def test_a_plan_with_an_error_is_not_rehearsed(tmp_path: Path, call: Callable[..., Ended]) -> None:
    plan = tmp_path / "plan.toml"
    plan.write_text(HATCHERY.read_text(encoding="utf-8").replace('to      = "hall"', 'to      = "hull"'))
    done = call(plan, "--save", tmp_path / "out")
    assert done.returncode == 2
    assert "nothing was started" in done.stderr
    assert done.stdout == ""
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--hours", "0"], "--hours 0 is no time to rehearse: it can be from 0.017 (one minute) to 300"),
        (["--hours", "-1"], "--hours -1 is no time to rehearse"),
        (["--hours", "nan"], "--hours nan is no time to rehearse"),
        (["--hours", "1e9"], "--hours 1e+09 is no time to rehearse"),
        (["--hours", "a day"], "`a day` is not"),
        (["--seed", "-1"], "--seed -1 is negative"),
        (["--faults", "hash"], "there is no menu and no file `hash`"),
        (["--faults", "hash"], "did you mean harsh?"),
    ],
)
def test_a_wrong_call_writes_nothing(
    tmp_path: Path, call: Callable[..., Ended], arguments: list[str], words: str
) -> None:
    done = call(HATCHERY, *arguments, "--save", tmp_path / "out")
    assert done.returncode == 2
    assert words in " ".join(done.stderr.split())
    assert done.stdout == ""
    assert not (tmp_path / "out").exists()


def test_a_mistake_in_a_file_of_faults_is_pointed_at(tmp_path: Path, call: Callable[..., Ended]) -> None:
    file = tmp_path / "faults.toml"
    file.write_text('[[fault]]\nkind = "half open"\ncontroller = "skid"\nat = "1 h"\nfor = "5 min"\n')
    done = call(HATCHERY, "--faults", file, "--save", tmp_path / "out")
    assert done.returncode == 2
    assert done.stdout == ""
    assert done.stderr.splitlines() == [
        f'wherry: {file}:2:8: there is no kind of fault "half open": did you mean `half-open`?',
        "  |",
        '2 | kind = "half open"',
        "  |        ^^^^^^^^^^^",
        "wherry: nothing was rehearsed",
        "        the keys of such a file are in docs/rehearse-faults.md",
    ]
    assert not (tmp_path / "out").exists()


def test_a_folder_that_cannot_be_had_is_told_before_anything_is_rehearsed(
    tmp_path: Path, call: Callable[..., Ended]
) -> None:
    (tmp_path / "file").write_text("")
    for folder in (tmp_path / "file", tmp_path / "file" / "below"):
        done = call(HATCHERY, "--save", folder)
        assert done.returncode == 2
        assert "nothing was rehearsed; give another folder with --save" in done.stderr
        assert done.stdout == ""


def test_without_the_drawing_library_one_line_says_how_to_get_it(tmp_path: Path) -> None:
    (tmp_path / "matplotlib.py").write_text("raise ImportError('not here')\n")
    path = os.pathsep.join([str(tmp_path), *filter(None, [os.environ.get("PYTHONPATH")])])
    done = wherry(HATCHERY, "--save", tmp_path / "out", env=os.environ | {"PYTHONPATH": path})
    assert done.returncode == 2
    assert "pip install 'wherry[lab]'" in done.stderr
    assert len(done.stderr.splitlines()) == 1
    assert not (tmp_path / "out").exists()


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="a terminal of our own needs Unix")
def test_a_bar_shows_how_far_it_is_and_ctrl_c_ends_it_with_what_was_seen(tmp_path: Path) -> None:
    import pty

    ours, theirs = pty.openpty()
    process = subprocess.Popen(
        [*WHERRY, "rehearse", str(HATCHERY), "--hours", "300", "--json", "--save", str(tmp_path)],
        stdout=subprocess.PIPE,
        stderr=theirs,
        text=True,
        env=os.environ | {"TERM": "xterm", "NO_COLOR": "1"},
    )
    os.close(theirs)
    shown = b""
    while b"rehearsing 300 h" not in shown:
        shown += os.read(ours, 1000)
    process.send_signal(signal.SIGINT)
    # Somebody must read what it still draws, or it would wait for that.
    reader = threading.Thread(target=drain, args=(ours,))
    reader.start()
    out, _ = process.communicate(timeout=60)
    reader.join()
    os.close(ours)
    assert process.returncode == 130
    answer = json.loads(out)
    assert answer["exit_code"] == 130
    assert answer["is_interrupted"] is True
    assert 0 < answer["hours"] < answer["hours_asked"] == 300
    assert answer["transfers"]["water"]["delivered"] > 0
    assert json.loads((tmp_path / "rehearsal.json").read_text(encoding="utf-8")) == answer


def drain(terminal: int) -> None:
    """Read until the other side has closed."""
    with contextlib.suppress(OSError):
        while os.read(terminal, 1000):
            pass


def test_faults_that_come_too_late_are_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    faults = tmp_path / "late.toml"
    fault = '[[fault]]\nkind = "source killed"\ncontroller = "skid"\nat = "{}"\nfor = "1 s"\n'
    faults.write_text(fault.format("10 s") + fault.format("59 min"))
    plan = load(Path(__file__).parents[2] / "examples" / "hatchery.toml").plan
    tell_left_out(str(faults), plan, 1)
    said = capsys.readouterr().err
    assert said.startswith(f"note: 1 fault of {faults} would begin after ")
    tell_left_out("harsh", plan, 1)
    assert capsys.readouterr().err == ""
