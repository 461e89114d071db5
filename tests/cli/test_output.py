"""Sentences and tables within the width, wrong calls in plain words, and streams that take nothing more."""

from __future__ import annotations

import os
import pty
import re
import subprocess
import sys
import threading
from collections.abc import Callable
from pathlib import Path

import pytest

from wherry.cli import output, run_view
from wherry.engine.events import Event, EventKind

COLUMNS: list[tuple[str, output.Justify]] = [("value", "left"), ("reading", "right"), ("put to", "left")]
ROWS = [("water temperature at the intake", "18.25", "hall holding 102..103")]


def wherry(*arguments: str, stdout: int | None = None, shell: str = "") -> subprocess.CompletedProcess[str]:
    """Run the program; with ``shell``, through a shell with that behind it."""
    call = [sys.executable, "-m", "wherry", *arguments]
    if shell:
        call = ["sh", "-c", f'"$@" {shell}', "sh", *call]
    return subprocess.run(call, capture_output=True, text=True, timeout=60, check=False)


def test_a_table_that_fits_is_left_alone() -> None:
    assert output.fitted(COLUMNS, ROWS, (2, 0), 100) == [list(row) for row in ROWS]


def test_a_table_is_cut_in_the_order_given() -> None:
    (row,) = output.fitted(COLUMNS, ROWS, (2, 0), 55)
    assert row == ["water temperature at the intake", "18.25", "hall holdi..."]
    (row,) = output.fitted(COLUMNS, ROWS, (2, 0), 40)
    assert row == ["water temperature ...", "18.25", "hall ..."]
    assert len(row[0]) + len("reading") + len(row[2]) + 4 == 40


def test_a_table_without_rows_is_fitted() -> None:
    assert output.fitted(COLUMNS, [], (0,), 10) == []


def test_no_line_of_a_table_ends_in_spaces(capsys: pytest.CaptureFixture[str]) -> None:
    output.table([("controller", "left"), ("state", "left")], [("skid", "connected"), ("hall", "lost")])
    assert capsys.readouterr().out == "controller  state\nskid        connected\nhall        lost\n"


def test_a_path_is_quoted_only_where_a_shell_needs_it() -> None:
    assert output.quoted(Path("wäter/hall_1.toml")) == "wäter/hall_1.toml"
    assert output.quoted("hall 1.toml") == "'hall 1.toml'"
    assert output.quoted("it's.toml") == "'it'\"'\"'s.toml'"


def test_a_paragraph_keeps_words_whole() -> None:
    text = "a sentence of the answer that is longer than one line of a hundred columns can be and so has two of them"
    assert output.paragraph(text, hanging=2) == text.removesuffix(" them") + "\n  them"
    assert output.lines_of(text) == text  # not a terminal: one line


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("run",), "PLAN is missing"),
        (("new",), "FILE is missing"),
        (("run", "a.toml", "--for"), "`--for` needs a value"),
        (("run", "a.toml", "--reed-only"), "there is no option `--reed-only`; did you mean `--read-only`?"),
        (("run", "a.toml", "--bogus"), "there is no option `--bogus`"),
        (("check", "hall", "1.toml"), "`1.toml` is too much: a name with spaces needs quotes, an option two dashes"),
        (("simulate", "a.toml", "--port-base", "x"), "`x` is not a whole number for `--port-base`"),
        (("simulate", "a.toml", "--port-base", "1", "--port-base", "2"), "`--port-base` is given more than once"),
        (
            ("run", "a.toml", "--for", "0s"),
            "there is nothing to do in no time: give --for a duration above zero, for example 10s",
        ),
    ],
)
def test_a_wrong_call_is_a_sentence(
    arguments: tuple[str, ...], said: str, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    from wherry.cli.main import main

    monkeypatch.setattr(sys, "argv", ["wherry", *arguments])
    with pytest.raises(SystemExit) as ended:
        main()
    assert ended.value.code == 2
    assert capsys.readouterr().err.splitlines()[0] == f"wherry: {said}"


@pytest.mark.slow
@pytest.mark.skipif(not Path("/dev/full").exists(), reason="there is no /dev/full here")
def test_a_full_disk_is_a_sentence() -> None:
    done = wherry("schema", shell="> /dev/full")
    assert (done.returncode, done.stderr) == (
        2,
        "wherry: the answer cannot be written to stdout (No space left on device)\n",
    )
    done = wherry("schema", "x", shell="2> /dev/full")
    assert (done.returncode, done.stdout) == (2, "")


@pytest.mark.slow
@pytest.mark.skipif(os.name != "posix", reason="needs a shell")
def test_a_closed_or_deserted_stdout_is_no_fault() -> None:
    done = wherry("schema", shell=">&-")
    assert (done.returncode, done.stderr) == (0, "")
    done = wherry("schema", shell="| true")
    assert (done.returncode, done.stderr) == (0, "")


PLAN = """
[controller.skid]
connect = "tcp://127.0.0.1:1"
[controller.hall]
connect = "tcp://127.0.0.1:2"
[transfer.water]
from = "skid"
to = "hall"
every = "200 ms"
copy = { take = "holding 0", put = "holding 0" }
"""


def in_terminal(arguments: list[str], answers: list[bytes]) -> tuple[int, str]:
    """Run the program in a pseudo-terminal; give each answer when it asks what to arm."""
    main_end, program_end = pty.openpty()
    process = subprocess.Popen(
        [sys.executable, "-m", "wherry", *arguments], stdin=program_end, stdout=program_end, stderr=program_end,
        start_new_session=True, env=os.environ | {"TERM": "xterm"},
    )  # fmt: skip
    os.close(program_end)
    guard = threading.Timer(30, process.kill)
    guard.start()
    seen, left = b"", list(answers)
    try:
        while True:
            try:
                got = os.read(main_end, 4096)
            except OSError:  # the program has ended (Linux says EIO)
                break
            if not got:
                break
            seen += got
            if left and seen.count(b"arm: ") > len(answers) - len(left):
                os.write(main_end, left.pop(0))
        return process.wait(), seen.decode()
    finally:
        guard.cancel()
        os.close(main_end)


@pytest.mark.slow
@pytest.mark.skipif(os.name != "posix", reason="needs a pseudo-terminal")
def test_the_question_what_to_arm_is_asked_again_and_may_go_unanswered(tmp_path: Path) -> None:
    plan = tmp_path / "plan.toml"
    plan.write_text(PLAN, encoding="utf-8")
    code, seen = in_terminal(["run", str(plan), "--for", "10s"], [b"halle\n", b"\x04"])
    assert code == 2
    assert "cannot arm `halle`: the plan writes to hall" in seen
    assert seen.count("arm: ") == 2
    assert "the question what to arm was not answered: nothing was started" in " ".join(seen.split())


def test_columns_are_left_out_where_cutting_is_not_enough() -> None:
    columns: list[tuple[str, output.Justify]] = [("name", "left"), ("longest\nof all", "right"), ("note", "left")]
    rows = [["transfer of water", "12.5 s", "a long remark"]]
    for width, kept in ((100, [0, 1, 2]), (32, [0, 1, 2]), (31, [0, 1]), (17, [0, 1]), (16, [0])):
        assert output.kept_columns(columns, rows, (0,), (2, 1), width) == kept, width


def shown_in_terminal(call: Callable[[], object], monkeypatch: pytest.MonkeyPatch) -> str:
    """What a call shows where stdout and stderr are a terminal without a size, which counts as one of 100 columns."""
    main_end, program_end = pty.openpty()
    with monkeypatch.context() as patch, os.fdopen(program_end, "w", encoding="utf-8") as stream:
        patch.setattr(sys, "stdout", stream)
        patch.setattr(sys, "stderr", stream)
        call()
        stream.flush()
        shown = os.read(main_end, 65536)
    os.close(main_end)
    return shown.decode().replace("\r\n", "\n")


LONG_EVENT = Event(
    12_345_000_000,
    EventKind.TRANSFER_QUALITY,
    "water",
    "water is Uncertain: last usable value; write: the connection was lost while a reply was awaited; and so on",
)


@pytest.mark.skipif(os.name != "posix", reason="needs a pseudo-terminal")
@pytest.mark.parametrize("tell", [run_view.tell_event, run_view.show_event])
def test_an_event_is_broken_between_words_in_a_terminal(
    tell: Callable[[Event], None], monkeypatch: pytest.MonkeyPatch
) -> None:
    assert shown_in_terminal(lambda: tell(LONG_EVENT), monkeypatch) == (
        "   12.345 s  water is Uncertain: last usable value; write: the connection was lost while a reply was\n"
        "             awaited; and so on\n"
    )


def test_an_event_is_one_line_where_there_is_no_terminal(capsys: pytest.CaptureFixture[str]) -> None:
    run_view.tell_event(LONG_EVENT)
    assert capsys.readouterr().err == f"   12.345 s  {LONG_EVENT.message}\n"


@pytest.mark.skipif(os.name != "posix", reason="needs a pseudo-terminal")
def test_prose_of_a_page_is_broken_and_its_examples_are_not(monkeypatch: pytest.MonkeyPatch) -> None:
    prose, code = "word " * 24, "# " + "x " * 58
    text = f"{prose}\n```toml\n{code}\n```\n* {prose}"
    assert shown_in_terminal(lambda: output.data(output.page(text)), monkeypatch).splitlines() == [
        ("word " * 20).rstrip(), ("word " * 4).rstrip(), "```toml", code, "```",
        "* " + ("word " * 19).rstrip(), "  " + ("word " * 5).rstrip(),
    ]  # fmt: skip


LONG_NAMES = """
[controller.recirculation_skid_of_the_upper_hall_line_10]
connect = "tcp://127.0.0.1:1"
[controller.hatchery_hall_with_the_tanks_of_the_first_year]
connect = "tcp://127.0.0.1:2"
storage = "non-volatile"
[transfer.water_of_the_upper_hall_line_10_and_all_that_goes_with_it]
from = "recirculation_skid_of_the_upper_hall_line_10"
to = "hatchery_hall_with_the_tanks_of_the_first_year"
every = "1 s"
[[transfer.water_of_the_upper_hall_line_10_and_all_that_goes_with_it.values]]
name = "oxygen in the first of the tanks of the upper hall"
take = "holding 0"
put = "holding 0"
shortest = "2 h"
[[transfer.water_of_the_upper_hall_line_10_and_all_that_goes_with_it.values]]
name = "level in the first of the tanks of the upper hall"
take = "holding 1"
put = "holding 1"
jump = 9
shortest = "50 min"
verify = "500 ms"
"""


@pytest.mark.slow
@pytest.mark.skipif(os.name != "posix", reason="needs a pseudo-terminal")
@pytest.mark.parametrize(
    "call",
    [["check", "PLAN"], ["check", "PLAN", "--verbose"], ["rehearse", "PLAN", "--hours", "0.1", "--faults", "harsh"]],
)
def test_no_line_is_wider_than_a_hundred_columns_in_a_terminal(
    call: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("plan.toml").write_text(LONG_NAMES, encoding="utf-8")
    code, seen = in_terminal([each.replace("PLAN", "plan.toml") for each in call], [])
    assert code in (0, 1), seen
    plain = re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", seen)
    assert [line for line in re.split(r"[\r\n]+", plain) if len(line) > 100] == []
