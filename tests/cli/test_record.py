"""``wherry record`` as a person calls it, and what ``run`` and ``rehearse`` leave for it."""

from __future__ import annotations

import json
import re
import shutil
import signal
import socket
import sqlite3
import subprocess
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from wherry.cli.main import main
from wherry.record.entries import Kind
from wherry.record.reading import Record

ROOT = Path(__file__).resolve().parents[2]
WHERRY = (sys.executable, "-m", "wherry")
SCRIPT = ROOT / "docs" / "recheck_record.py"
PLAN = """
title = "Hatchery oxygen"

[controller.skid]
connect = "tcp://127.0.0.1:{skid}"

[controller.hall]
connect = "tcp://127.0.0.1:{hall}"

[transfer.oxygen]
from = "skid"
to = "hall"
every = "100 ms"
max_age = "1 s"
on_loss = "hold"
status = "holding 90"
values = [{{ name = "tank 1 oxygen", take = "holding 0 int16", put = "holding 100 int16", range = [0, 2000] }}]
"""


@dataclass
class Ended:
    """What a call came to."""

    returncode: int
    stdout: str
    stderr: str


Here = Callable[..., Ended]


@pytest.fixture
def here(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Here:
    """The program, called in this process."""

    def ended(*arguments: str | Path) -> Ended:
        monkeypatch.setattr(sys, "argv", ["wherry", *map(str, arguments)])
        with pytest.raises(SystemExit) as done:
            main()
        said = capsys.readouterr()
        return Ended(int(done.value.code or 0), said.out, said.err)

    return ended


@pytest.fixture(scope="module")
def rehearsed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("record") / "hatchery.record"
    call = [*WHERRY, "rehearse", str(ROOT / "examples" / "hatchery.toml"), "--hours", "0.02", "--record", str(path)]
    done = subprocess.run(call, capture_output=True, text=True, check=False, timeout=60)
    assert done.returncode == 0, done.stderr
    with Record(path) as record:
        number, digest = record.head
    assert done.stdout.endswith(f"\nRecorded in {path}; its head, to be signed:\n{number} {digest.hex()}\n")
    return path


@pytest.mark.slow
def test_it_says_what_is_in_it_and_that_nothing_was_changed(rehearsed: Path, here: Here) -> None:
    told = here("record", rehearsed)
    assert (told.returncode, told.stderr) == (0, "")
    assert re.match(r".*hatchery\.record: \d+ entries, closed \(see --verify\)\nhead: \d+ [0-9a-f]{64}\n", told.stdout)
    assert "rehearse  simulated  in virtual time" in told.stdout
    assert "What the last one carried (rehearse):" in told.stdout
    verified = here("record", rehearsed, "--verify")
    assert verified.returncode == 0
    assert "closed, and nothing was changed since" in verified.stdout
    head = here("record", rehearsed, "--head").stdout
    assert f"head: {head}" in told.stdout
    checked = subprocess.run(
        [sys.executable, "-I", SCRIPT, rehearsed, "--head", head.strip()], capture_output=True, text=True, check=False
    )
    assert checked.returncode == 0, checked.stdout
    assert checked.stdout.endswith("whole: nothing was changed\n")


@pytest.mark.slow
def test_json_has_what_the_page_says(rehearsed: Path, here: Here) -> None:
    answer = json.loads(here("record", rehearsed, "--verify", "--json").stdout)
    assert (answer["is_verified"], answer["exit_code"], answer["troubles"], answer["seal"]) == (True, 0, [], "whole")
    (session,) = answer["sessions"]
    assert session["by"] == "rehearse"
    told = (ROOT / "docs" / "record.md").read_text(encoding="utf-8").split("## The JSON answer")[1]
    assert [key for key in (*answer, *session) if f"`{key}`" not in told and f".{key}" not in told] == ["sessions"]


@pytest.mark.slow
def test_a_changed_byte_is_told(rehearsed: Path, tmp_path: Path, here: Here) -> None:
    path = tmp_path / "a.record"
    data = bytearray(rehearsed.read_bytes())
    data[data.index(b"transfer quality")] ^= 1
    path.write_bytes(data)
    assert "CHANGED AFTER IT WAS CLOSED (see --verify)" in here("record", path).stdout
    told = here("record", path, "--verify")
    assert told.returncode == 1
    lines = told.stdout.splitlines()
    assert lines[0] == f"{path} IS NOT AS IT WAS WRITTEN:"
    assert lines[1] == "  the file is not as it was when it was closed: the seal does not fit"
    assert re.match(r"  entry \d+ does not fit the one before it", lines[2])
    assert json.loads(here("record", path, "--verify", "--json").stdout)["is_verified"] is False
    data = bytearray(rehearsed.read_bytes())
    data[3] ^= 1
    path.write_bytes(data)
    told = here("record", path, "--verify")
    assert told.returncode == 1
    assert "cannot be read as a record" in told.stdout


def test_what_is_no_record_is_said(tmp_path: Path, here: Here) -> None:
    plan = tmp_path / "plan.toml"
    plan.write_text("title = 'x'\n" * 1000)
    for path, words in ((plan, "cannot be read as a record"), (tmp_path / "none", "there is no record")):
        told = here("record", path)
        assert (told.returncode, told.stdout) == (2, "")
        assert words in told.stderr
    told = here("rehearse", ROOT / "examples" / "hatchery.toml", "--hours", "0.02", "--record", plan)
    assert told.returncode == 2
    assert "is there already and is no record" in told.stderr
    told = here("rehearse", ROOT / "examples" / "hatchery.toml", "--hours", "0.02", "--record", tmp_path / "no" / "a")
    assert told.returncode == 2
    assert "cannot be opened" in told.stderr


def test_a_record_that_was_not_closed_can_be_sealed(tmp_path: Path, rehearsed: Path, here: Here) -> None:
    from wherry.record import seal

    path = tmp_path / "a.record"
    shutil.copy(rehearsed, path)
    seal.lift(path)
    told = here("record", path, "--verify")
    assert told.returncode == 1
    assert "NOT CLOSED" in told.stdout
    told = here("record", path, "--seal", "--verify")
    assert told.returncode == 0, told.stdout + told.stderr
    with Record(path) as record:
        assert [each.data["note"] for each in record.entries(Kind.NOTE)] == [
            "closed afterwards: its command had not done so"
        ]
    told = here("record", path, "--seal")
    assert told.returncode == 0, "sealing what is sealed already adds nothing"
    with Record(path) as record:
        assert len(list(record.entries(Kind.NOTE))) == 1


@pytest.fixture
def simulated(tmp_path: Path) -> Iterator[Path]:
    """A plan whose controllers are served on loopback by the real program."""
    with socket.create_server(("127.0.0.1", 0)) as one, socket.create_server(("127.0.0.1", 0)) as other:
        skid, hall = one.getsockname()[1], other.getsockname()[1]
    plan = tmp_path / "oxygen.toml"
    plan.write_text(PLAN.format(skid=skid, hall=hall), encoding="utf-8")
    process = subprocess.Popen([*WHERRY, "simulate", str(plan)], stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    for line in process.stdout:
        if "Ctrl-C" in line:
            break
    yield plan
    process.send_signal(signal.SIGINT)
    process.stdout.read()
    process.stdout.close()
    assert process.wait(timeout=20) == 130


@pytest.mark.slow
def test_a_run_that_is_killed_leaves_what_it_showed_and_the_next_goes_on(simulated: Path, here: Here) -> None:
    path = simulated.with_suffix(".record")
    call = [*WHERRY, "run", str(simulated), "--arm", "hall", "--sample-every", "100ms"]
    process = subprocess.Popen(call, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True)
    assert process.stderr is not None
    shown = []
    for line in process.stderr:
        shown.append(line)
        if "oxygen is Good" in line:
            break
    told = here("record", path)
    assert "NOT CLOSED: it is being written" in told.stdout
    process.kill()
    process.communicate()
    with Record(path) as record:
        assert record.verify().troubles == ()
        messages = [each.data["message"] for each in record.entries(Kind.EVENT)]
    assert [message for message in messages if not any(message in line for line in shown)] in ([], messages[-1:])
    done = subprocess.run(
        [*WHERRY, "run", str(simulated), "--arm", "hall", "--for", "2s", "--json"],
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )
    assert done.returncode == 0, done.stderr
    answer = json.loads(here("record", path, "--verify", "--json").stdout)
    said = json.loads(done.stdout)["record"]
    assert said == {"file": str(path), "entries": answer["entries"], "head": answer["head"], "is_whole": True}
    assert [each["is_closed"] for each in answer["sessions"]] == [False, True]
    assert [each["is_simulated"] for each in answer["sessions"]] == [False, False]
    assert answer["is_verified"] is True
    with Record(path) as record:
        assert len(list(record.entries(Kind.PLAN))) == 1


@pytest.mark.slow
def test_a_locked_record_ends_with_a_word_and_the_exchange_goes_on(simulated: Path) -> None:
    path = simulated.with_suffix(".record")
    call = [*WHERRY, "run", str(simulated), "--arm", "hall", "--for", "5s", "--sample-every", "100ms", "--json"]
    process = subprocess.Popen(call, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    assert process.stderr is not None
    for line in process.stderr:
        if "oxygen is Good" in line:
            break
    other = sqlite3.connect(path, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    out, err = process.communicate(timeout=30)
    other.execute("ROLLBACK")
    other.close()
    assert err.count("cannot be written any more (database is locked): the exchange goes on WITHOUT a record") == 1
    assert process.returncode == 0, err
    oxygen = json.loads(out)["transfers"]["oxygen"]
    assert oxygen["quality"] == "Good"
    assert oxygen["delivered"] > 30
    assert oxygen["age_ms"]["max"] < 1000
    assert json.loads(out)["record"]["is_whole"] is False


def test_numbers_that_make_no_sense_are_refused(tmp_path: Path, here: Here) -> None:
    told = here("run", tmp_path / "none.toml", "--sample-every", "1ms")
    assert told.returncode == 2
    assert told.stderr == "wherry: --sample-every 1ms is too often: give 100 ms or more, or 0s\n"
    told = here("run", tmp_path / "none.toml", "--record-mib", "0")
    assert told.returncode == 2
    assert told.stderr == "wherry: --record-mib 0 makes no sense: give a number from 1 to 1,000,000\n"
