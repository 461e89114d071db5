"""``wherry run`` as a person calls it: the real program against ``wherry simulate`` on loopback."""

from __future__ import annotations

import json
import os
import re
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from wherry.cli.run import told_of_silence
from wherry.clock import NS_PER_S
from wherry.plan.model import Controller, Plan, WhenSilent
from wherry.record.entries import Kind
from wherry.record.reading import Record

WHERRY = (sys.executable, "-m", "wherry")
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
values = [
  {{ name = "tank 1 oxygen", take = "holding 0 float32 CDAB", put = "holding 100 int16", scale = [0, 20, 0, 2000], range = [0, 20] }},
]
"""  # noqa: E501 - an inline table of TOML 1.0 stands on one line


def free_ports(count: int) -> list[int]:
    """Ports that nobody listens on now."""
    sockets = [socket.create_server(("127.0.0.1", 0)) for _ in range(count)]
    ports = [each.getsockname()[1] for each in sockets]
    for each in sockets:
        each.close()
    return ports


def wherry(*arguments: str | Path, **options: Any) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [*WHERRY, *map(str, arguments)], capture_output=True, text=True, timeout=60, check=False, **options
    )


@pytest.fixture
def plan(tmp_path: Path) -> Path:
    skid, hall = free_ports(2)
    path = tmp_path / "oxygen.toml"
    path.write_text(PLAN.format(skid=skid, hall=hall), encoding="utf-8")
    return path


@pytest.fixture
def simulated(plan: Path) -> Iterator[Path]:
    """The plan's controllers, served by the real program."""
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
def test_armed_it_carries_counts_and_records(simulated: Path) -> None:
    done = wherry("run", simulated, "--arm", "hall", "--for", "2s", "--json")
    assert done.returncode == 0, done.stderr
    figures = json.loads(done.stdout)
    oxygen = figures["transfers"]["oxygen"]
    assert oxygen["scheduled"] == oxygen["delivered"] + oxygen["skipped"] + oxygen["failed"]
    assert oxygen["delivered"] > 5
    assert oxygen["quality"] == "Good"
    assert figures["controllers"]["hall"]["refused_writes"] == 0
    assert figures["exit_code"] == 0
    with Record(simulated.with_suffix(".record")) as record:
        entries = list(record.entries())
        assert record.verify().is_whole
    assert [each.kind for each in entries][:3] == ["plan", "opened", "event"]
    events = [each.data["event"] for each in entries if each.kind == Kind.EVENT]
    assert events[:2] == ["started", "armed"]
    assert events[-1] == "stopped"
    assert entries[-1].kind == Kind.CLOSED
    assert entries[-1].data["summary"]["transfers"]["oxygen"] == oxygen
    minutes = [each.data["transfers"]["oxygen"] for each in entries if each.kind == Kind.MINUTE]
    assert sum(each["delivered"] for each in minutes) == oxygen["delivered"]
    assert sum(count for each in minutes for _, count in each["age"]) == oxygen["delivered"]
    (samples,) = [each.data for each in entries if each.kind == Kind.SAMPLES]
    assert samples["transfer"] == "oxygen"
    assert "Not a safety function" in done.stderr


@pytest.mark.slow
def test_not_armed_it_reads_only_and_leaves_no_file(simulated: Path) -> None:
    done = wherry("run", simulated, "--for", "1s")
    assert done.returncode == 0, done.stderr
    assert "reading only" in done.stdout
    assert "because hall is not armed" in done.stdout
    assert [each.name for each in simulated.parent.iterdir()] == [simulated.name]
    assert max(map(len, done.stdout.splitlines())) <= 100


@pytest.mark.slow
def test_ctrl_c_ends_cleanly(simulated: Path) -> None:
    process = subprocess.Popen(
        [*WHERRY, "run", str(simulated), "--arm", "all"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=os.environ | {"PYTHONUNBUFFERED": "1"},
    )
    assert process.stderr is not None
    for line in process.stderr:
        if "oxygen is Good" in line:
            break
    process.send_signal(signal.SIGINT)
    out, err = process.communicate(timeout=30)
    assert process.returncode == 130
    assert "the exchange has stopped" in err
    assert "Ran " in out
    assert "Traceback" not in err


def test_nobody_there_is_said_with_what_to_check(plan: Path) -> None:
    done = wherry("run", plan, "--for", "300ms")
    assert done.returncode == 3
    assert "skid could not be reached: 127.0.0.1:" in done.stdout
    assert "refused the connection" in done.stdout


def test_a_plan_with_an_error_is_not_started(plan: Path) -> None:
    plan.write_text(plan.read_text().replace("holding 100 int16", "holding 91 int16"))
    done = wherry("run", plan, "--arm", "all", "--for", "1s")
    assert done.returncode == 2
    assert "nothing was started" in done.stderr
    assert done.stdout == ""


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--arm", "skid"], "the plan writes to hall"),
        (["--arm", "nobody"], "cannot arm `nobody`"),
        (["--for", "5"], "no unit"),
        (["--record", "/nowhere/at/all"], "cannot be opened"),
        (["--bogus"], "--bogus"),
    ],
)
def test_a_wrong_call_starts_nothing(plan: Path, arguments: list[str], words: str) -> None:
    done = wherry("run", plan, *arguments)
    assert done.returncode == 2
    assert words in done.stderr
    assert done.stdout == ""


def test_help_and_version_come_without_heavy_imports() -> None:
    done = wherry("--help")
    assert done.returncode == 0
    assert "wherry COMMAND" in done.stdout
    assert done.stderr == ""
    code = "import sys; sys.argv[1:] = ['--help']\nfrom wherry.cli.main import main\n"
    code += "try: main()\nexcept SystemExit: pass\n"
    code += "print(sorted({'cyclopts', 'rich', 'msgspec', 'asyncio', 'pint', 'uvloop'} & set(sys.modules)))"
    heavy = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=30, check=True)
    assert heavy.stdout.splitlines()[-1] == "[]"


def test_an_unknown_command_is_told_with_the_nearest_one() -> None:
    done = wherry("chek")
    assert done.returncode == 2
    assert "did you mean: wherry check" in done.stderr
    assert wherry().returncode == 2


@pytest.mark.slow
def test_the_demo_ends_by_itself_and_says_what_was_seen() -> None:
    done = wherry("demo")
    assert done.returncode == 0, done.stdout + done.stderr
    assert "itself read quality Bad" in done.stdout
    assert "every transfer was Good again, without a restart" in done.stdout
    assert done.stderr == ""
    # Tables keep to the width; sentences, of which there are more on a busy machine, end with a full stop, and what
    # happened meanwhile is told one to a line, with its instant.
    event = re.compile(r" +[0-9]+\.[0-9]{3} s  ")
    lines = [line for line in done.stdout.splitlines() if not (line.endswith(".") or event.match(line))]
    assert len(lines) > 20
    assert [line for line in lines if len(line) > 100] == []


def test_arming_says_what_the_controller_does_when_the_run_ends(capsys: pytest.CaptureFixture[str]) -> None:
    hall = Controller("hall", "127.0.0.1", when_silent=WhenSilent.RUNS_ON, lease_ns=30 * NS_PER_S)
    feeder = Controller("feeder", "127.0.0.1")
    assert told_of_silence(Plan("", (hall, feeder), ()), ["hall", "feeder"]) == {"hall", "feeder"}
    assert capsys.readouterr().err.splitlines() == [
        "When this run ends, what feeder does is not declared in the plan (`when_silent`).",
        "When this run ends, hall runs on to a limit after 30 s, as the plan declares.",
    ]
