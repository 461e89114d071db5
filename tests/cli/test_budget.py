"""``wherry budget`` as a person calls it."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest

from wherry.cli.main import main

ROOT = Path(__file__).resolve().parents[2]
HATCHERY = ROOT / "examples" / "hatchery.toml"
PAGE = (ROOT / "docs" / "budget.md").read_text(encoding="utf-8")

TWO = """
title = "Two tanks"
[controller.skid]
connect = "tcp://10.20.0.11"
response = { fixed = "10 ms", per_register = "0 s" }
[controller.hall]
connect = "tcp://10.20.0.12"
response = { fixed = "4 ms", per_register = "0 s" }
storage = "volatile"
when_silent = "holds"
[transfer.water]
from = "skid"
to = "hall"
every = "100 ms"
max_age = "1 s"
on_loss = "hold"
status = "holding 90"
values = [{ name = "level", take = "holding 2", put = "holding 100", range = [0, 9000] }]
"""


@dataclass(frozen=True)
class Ended:
    """What a call came to, made within this process: the program itself takes longer to start."""

    returncode: int
    stdout: str
    stderr: str


@pytest.fixture
def call(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Callable[..., Ended]:
    def ended(*arguments: str | Path) -> Ended:
        monkeypatch.setattr(sys, "argv", ["wherry", "budget", *map(str, arguments)])
        with pytest.raises(SystemExit) as done:
            main()
        said = capsys.readouterr()
        return Ended(int(done.value.code or 0), said.out, said.err)

    return ended


@pytest.fixture
def two(tmp_path: Path) -> Path:
    path = tmp_path / "two.toml"
    path.write_text(TWO, encoding="utf-8")
    return path


def test_the_program_itself_answers() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "wherry", "budget", str(HATCHERY)],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert (done.returncode, done.stderr) == (0, "")
    lines = done.stdout.splitlines()
    assert lines[0] == "Hatchery water exchange: everything is in time, in every period."
    # Tables keep to the width; sentences are broken by the terminal and end with a full stop.
    assert [line for line in lines if len(line) > 100 and not line.endswith(".")] == []


def test_what_the_page_shows_is_what_is_printed(call: Callable[..., Ended]) -> None:
    printed = call(HATCHERY).stdout + call(HATCHERY, "--exchange-block", "hall").stdout
    blocks = re.findall(r"```text\n(.*?)```", PAGE, re.DOTALL)
    assert blocks
    for block in blocks:
        assert unbroken(block) in unbroken(printed)


def unbroken(text: str) -> str:
    """The words, wherever lines are broken."""
    return " ".join(text.split())


def test_sentences_first_then_who_is_asked_what(call: Callable[..., Ended], two: Path) -> None:
    done = call(two)
    assert done.returncode == 0, done.stdout
    lines = done.stdout.splitlines()
    assert lines[0] == "Two tanks: everything is in time, in every period."
    assert lines[1] == "skid is 11 % used, hall 9.5 %."
    assert lines[2].startswith("Every value is at most 118 ms old in its receiver")
    for words in ("What each controller is asked", "What each transfer comes to", "Who talks to whom"):
        assert any(line.startswith(words) for line in lines), words
    assert any(re.match(r"this computer +10\.20\.0\.12 +502 +Modbus TCP +1 +10 +yes +hall$", line) for line in lines)


def test_an_overload_is_a_no_and_names_the_request(call: Callable[..., Ended], two: Path) -> None:
    two.write_text(TWO.replace('every = "100 ms"', 'every = "9 ms"').replace('max_age = "1 s"', 'max_age = "90 ms"'))
    done = call(two)
    assert done.returncode == 1
    assert done.stdout.startswith(
        "Two tanks: not everything is in time: skid and hall cannot keep up; water cannot be over"
    )
    assert "water has no bound: the read of holding 2 (40003) at skid is asked for more often" in done.stdout
    told = re.search(r"^Everything is in time with water every (\d+) ms in place of 9 ms\.$", done.stdout, re.M)
    assert told is not None
    helps = json.loads(call(two, "--json").stdout)["room"]["relief"]
    assert helps == {
        "transfers": [{"transfer": "water", "period_ms": 9.0, "then_ms": float(told[1])}],
        "is_fewest": True,
    }
    two.write_text(two.read_text().replace('every = "9 ms"', f'every = "{told[1]} ms"'))
    assert json.loads(call(two, "--json").stdout)["late"] == []


def test_a_controller_may_slow_down_as_far_as_is_said(call: Callable[..., Ended], two: Path) -> None:
    said = r"^skid may slow down to (\d+) ms a request \(now at most 11 ms\) before anything is late"
    told = re.search(said, call(two).stdout, re.M)
    assert told is not None
    # The way there and back is not the controller's, and is in the time of a request.
    for response_ms, code in ((int(told[1]) - 1, 0), (int(told[1]) + 2, 1)):
        two.write_text(TWO.replace('fixed = "10 ms"', f'fixed = "{response_ms} ms"'))
        assert call(two).returncode == code
    two.write_text(TWO)
    row = re.search(r"^water +skid -> hall +100 ms +(\d+) ms ", call(two).stdout, re.M)
    assert row is not None
    two.write_text(TWO.replace('every = "100 ms"', f'every = "{row[1]} ms"'))
    assert call(two).returncode == 0


SHARED = """
[controller.hall]
connect = "tcp://10.20.0.12"
[controller.feeder]
connect = "tcp://10.20.0.20"
unit = 1
limits = { timeout = "TIMEOUT" }
[controller.oxygen]
connect = "tcp://10.20.0.20"
unit = 2
limits = { timeout = "TIMEOUT" }
[transfer.feed]
from = "feeder"
to = "hall"
every = "1 s"
max_age = "10 s"
on_loss = "hold"
values = [{ name = "rate", take = "holding 0", put = "holding 100" }]
[transfer.gas]
from = "oxygen"
to = "hall"
every = "1 s"
max_age = "10 s"
on_loss = "hold"
values = [{ name = "flow", take = "holding 0", put = "holding 200" }]
"""


def test_a_silent_unit_and_its_neighbours(call: Callable[..., Ended], tmp_path: Path) -> None:
    plan = tmp_path / "shared.toml"
    plan.write_text(SHARED.replace("TIMEOUT", "300 ms"))
    assert "If one of several units behind an address falls silent, the others stay in time." in call(plan).stdout
    plan.write_text(SHARED.replace("TIMEOUT", "2 s"))
    said = " ".join(call(plan).stdout.split())
    assert "If feeder falls silent, gas may be late: asking it in vain keeps the others of its address waiting" in said
    silent = json.loads(call(plan, "--json").stdout)["room"]["silent"]
    assert silent["feeder"]["late"] == ["gas"]
    assert (silent["oxygen"]["timeout_ms"], silent["oxygen"]["noticed_ms"]) == (2000, 4000)


def test_json_has_only_keys_that_the_page_tells_of(call: Callable[..., Ended]) -> None:
    done = call(HATCHERY, "--json")
    assert (done.returncode, done.stderr) == (0, "")
    answer = json.loads(done.stdout)
    told = PAGE[PAGE.index("## The JSON document") :]
    line, transfer = answer["lines"][0], answer["transfers"]["water"]
    parts = (answer, answer["assumed"], line, line["requests"][0], transfer, transfer["values"][0], answer["talks"][0])
    room = answer["room"]
    for keys in (*parts, answer["advice"][0], room, room["controllers"]["hall"], room["transfers"]["water"]):
        assert [key for key in keys if not any(each in told for each in (f"`{key}`", f".{key}`", f"`{key}."))] == []
    assert answer["exit_code"] == 0
    assert answer["is_in_time"] is True
    assert transfer["worst_ms"] < transfer["period_ms"]
    assert transfer["age_worst_ms"] == max(each["age_worst_ms"] for each in transfer["values"])


def test_a_serial_line_and_the_programs_of_both_ends_count(call: Callable[..., Ended], two: Path) -> None:
    def answer_to(skid: str, hall: str) -> tuple[float, float]:
        text = TWO.replace('"tcp://10.20.0.11"', f'"tcp://10.20.0.11"\n{skid}')
        two.write_text(text.replace('"tcp://10.20.0.12"', f'"tcp://10.20.0.12"\n{hall}'))
        transfer = json.loads(call(two, "--json").stdout)["transfers"]["water"]
        return transfer["age_worst_ms"], transfer["age_typical_ms"]

    worst, usual = answer_to("", "")
    later_worst, later_usual = answer_to('update = "30 ms"', 'scan = "50 ms"')
    assert later_worst == pytest.approx(worst + 80)
    assert later_usual == pytest.approx(usual + 40)
    serial_worst, _ = answer_to("baud = 9600", "")
    # One read of one register: 8 and 7 characters of 11 bits, and twice 3.5 characters of silence.
    assert serial_worst == pytest.approx(worst + (8 + 7 + 2 * 3.5) * 11 / 9.6, abs=0.01)


def run_document(response_ms: float) -> str:
    times = {"p50": response_ms / 2, "p99": response_ms, "max": response_ms}
    return json.dumps({"controllers": {"skid": {"replies": 9, "response_ms": times}}, "transfers": {}})


def test_measured_times_take_the_place_of_declared_ones(call: Callable[..., Ended], two: Path, tmp_path: Path) -> None:
    measured = tmp_path / "run.json"
    measured.write_text(run_document(40.0), encoding="utf-8")
    done = call(two, "--measured", measured, "--json")
    answer = json.loads(done.stdout)
    assert answer["measured"] == ["skid"]
    assert 0.4 < answer["lines"][0]["utilisation"] < 0.41
    assert "The response time of skid was measured: the longest" in call(two, "--measured", measured).stdout
    measured.write_text(run_document(400.0), encoding="utf-8")
    assert call(two, "--measured", measured).returncode == 1


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (None, "cannot be read"),
        ("{", "is not JSON"),
        ("[]", "is not what `wherry run --json` prints"),
        ("{}", "this is not what `wherry run --json` prints"),
        ('{"controllers": {"skid": 1}}', "`controllers.skid` has no `response_ms`"),
        (
            '{"controllers": {"skid": {"response_ms": {"p50": NaN, "max": 1e400}}}}',
            "cannot have been measured: it holds",
        ),
        ('{"controllers": {"skid": {"response_ms": {"p50": 2, "max": 1e400}}}}', "cannot have been measured: it holds"),
        ('{"controllers": {"skid": {"response_ms": {"p50": 2, "max": 1}}}}', "its `max` is below its `p50`"),
        (
            '{"controllers": {"skid": {"response_ms": {"p50": 2, "max": 3e6}}}}',
            "no reply is waited for longer than 1 s",
        ),
        ('{"controllers": {"skid": {"response_ms": {"p50": null, "max": null}}}}', "tells of no response of this plan"),
        ('{"controllers": {"mill": {"response_ms": {"p50": 1, "max": 2}}}}', "tells of no response of this plan"),
        ('{"controllers": {}, "transfers": [{"lateness_ms": {"max": "late"}}]}', "tells of no response of this plan"),
    ],
)
def test_a_file_that_is_no_measurement_is_refused(
    call: Callable[..., Ended], two: Path, tmp_path: Path, text: str | None, words: str
) -> None:
    measured = tmp_path / "run.json"
    if text is not None:
        measured.write_text(text)
    done = call(two, "--measured", measured)
    assert (done.returncode, done.stdout) == (2, "")
    assert words in done.stderr


def test_a_plan_with_an_error_is_not_computed(call: Callable[..., Ended], two: Path) -> None:
    two.write_text(TWO.replace('to = "hall"', 'to = "hull"'))
    done = call(two)
    assert (done.returncode, done.stdout) == (2, "")
    assert "there is no controller `hull` [unknown-controller]" in done.stderr
    assert "nothing was computed" in done.stderr


@pytest.mark.slow
def test_everything_is_saved_and_the_same_again(call: Callable[..., Ended], tmp_path: Path) -> None:
    first, second = tmp_path / "a" / "b", tmp_path / "c"
    for folder in (first, second):
        done = call(HATCHERY, "--save", folder, "--json")
        assert done.returncode == 0
        assert json.loads(done.stdout) == json.loads((folder / "budget.json").read_text(encoding="utf-8"))
    names = {each.name for each in first.iterdir()}
    assert names == {"budget.json", "timeline.png", "timeline.svg", "ages.png", "ages.svg"}
    for name in names:
        assert (first / name).read_bytes() == (second / name).read_bytes(), name


def test_a_folder_that_cannot_be_had_is_told(call: Callable[..., Ended], tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    done = call(HATCHERY, "--save", tmp_path / "file")
    assert (done.returncode, done.stdout) == (2, "")
    assert "give another folder with --save" in done.stderr


# Exchange blocks.


def test_a_block_is_proposed_and_nothing_is_written(call: Callable[..., Ended], two: Path) -> None:
    done = call(two, "--exchange-block", "hall")
    assert (done.returncode, done.stderr) == (0, "")
    assert "Nothing was written: `--save DIR` writes" in done.stdout
    assert re.search(r"^hall +holding 200\.\.204 +40201\.\.40205 +5 +put by water every 100 ms$", done.stdout, re.M)
    assert re.search(r"^hall +water +level +holding 100 uint16 +holding 200 uint16$", done.stdout, re.M)
    assert re.search(r"^hall +water +status +holding 90\.\.93 +holding 201\.\.204$", done.stdout, re.M)
    assert [each.name for each in two.parent.iterdir()] == [two.name]
    assert [line for line in done.stdout.splitlines() if len(line) > 100 and not line.endswith(".")] == []


def test_a_block_is_written_and_passes(call: Callable[..., Ended], two: Path, tmp_path: Path) -> None:
    folder = tmp_path / "new"
    done = call(two, "--exchange-block", "hall:4000", "--exchange-block", "skid", "--save", folder, "--json")
    assert (done.returncode, done.stderr) == (0, "")
    answer = json.loads(done.stdout)
    assert {Path(each).name for each in answer["saved"]} == {"two.toml", "exchange-block.csv"}
    told = PAGE[PAGE.index("with `--exchange-block` and `--json`") :]
    part, line, transfer = answer["blocks"]["hall"][0], answer["lines"][0], answer["transfers"]["water"]
    for keys in (answer, part, line, transfer, answer["moves"][0]):
        assert [key for key in keys if not any(each in told for each in (f"`{key}`", f".{key}`", f"`{key}."))] == []
    assert (part["address"], part["count"], part["side"]) == (4000, 5, "put")
    rows = (folder / "exchange-block.csv").read_text(encoding="utf-8").splitlines()
    assert rows[0] == "controller,transfer,value,side,old,old_number,new,new_number"
    assert "skid,water,level,take,holding 2 uint16,40003,holding 101 uint16,40102" in rows
    assert call(folder / "two.toml").returncode == 0


def test_no_file_is_written_over_unless_told(call: Callable[..., Ended], two: Path) -> None:
    before = two.read_text(encoding="utf-8")
    done = call(two, "--exchange-block", "hall", "--save", two.parent)
    assert (done.returncode, done.stdout) == (2, "")
    assert "is there already, and was not touched" in done.stderr
    assert [each.name for each in two.parent.iterdir()] == [two.name]
    assert two.read_text(encoding="utf-8") == before
    assert call(two, "--exchange-block", "hall", "--save", two.parent, "--force").returncode == 0
    assert two.read_text(encoding="utf-8") == before.replace("holding 90", "holding 201").replace(
        "holding 100", "holding 200"
    )


def test_a_full_disk_leaves_nothing_behind(two: Path, tmp_path: Path) -> None:
    # A limit on the size of files stands for the full disk.
    call = ["wherry", "budget", str(two), "--exchange-block", "hall", "--save", str(tmp_path / "new")]
    program = (
        "import resource, signal, sys\n"
        "from wherry.cli.main import main\n"
        "signal.signal(signal.SIGXFSZ, signal.SIG_IGN)\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (100, 100))\n"
        f"sys.argv = {call!r}\n"
        "main()\n"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, timeout=60, check=False)
    assert (done.returncode, done.stdout) == (2, "")
    assert re.fullmatch(r"wherry: the files cannot be written in .*: nothing was written; .*\n", done.stderr)
    assert list((tmp_path / "new").iterdir()) == []


@pytest.mark.parametrize(
    ("block", "words"),
    [
        ("hal", "there is no controller `hal` for a block: write `hall`"),
        ("hall:70000", "`70000` is no address for the block of hall"),
        ("hall:x", "`x` is no address for the block of hall"),
        ("hall:65532", "does not fit up to holding 65535: it needs 4 more, and only 3 are left from holding 65533 on"),
    ],
)
def test_a_block_that_cannot_be_meant_is_told(call: Callable[..., Ended], two: Path, block: str, words: str) -> None:
    done = call(two, "--exchange-block", block)
    assert (done.returncode, done.stdout) == (2, "")
    assert words in done.stderr


def test_force_alone_means_nothing(call: Callable[..., Ended], two: Path) -> None:
    assert "--force goes with --exchange-block only" in call(two, "--force").stderr


def test_where_a_loss_is_told_at_no_certain_time_it_is_said_why(call: Callable[..., Ended], two: Path) -> None:
    shared = TWO.replace("10.20.0.12", "10.20.0.11").replace(
        'tcp://10.20.0.11"', 'rtu+tcp://10.20.0.11:4001"\nunit = 1'
    )
    two.write_text(shared.replace("unit = 1", "unit = 2", 1))
    done = call(two)
    assert done.returncode == 0
    said = "How soon the loss of the source of water is told has no bound: source and receiver share a connection that"
    assert said in done.stdout
    assert "has no bound" not in call(HATCHERY).stdout


def test_a_connection_that_does_not_last_is_told(call: Callable[..., Ended], two: Path) -> None:
    line = 'connect = "tcp://10.20.0.11"'
    text = TWO.replace(line, f'{line}\nlimits = {{ connection = "per exchange" }}').replace('"100 ms"', '"250 ms"')
    two.write_text(text)
    done = call(two)
    assert done.returncode == 0
    told = (
        "The connection to skid may be closed and opened anew between two requests, up to 4.0 times a second; what is"
    )
    assert told in done.stdout
    assert "opened anew" not in call(HATCHERY).stdout


@pytest.mark.parametrize(
    ("every", "words", "outlasts"),
    [
        ("120 ms", "For water that does not count torn readings: in a period there is time for one only.", False),
        ("250 ms", "For water that counts torn readings that are read again, while one of 3 in a cycle is", False),
        ("200 ms", "while one of 2 in a cycle is whole. A cycle that is given up brings nothing", True),
    ],
)
def test_what_is_counted_of_torn_readings_is_said(
    call: Callable[..., Ended], two: Path, every: str, words: str, outlasts: bool
) -> None:
    two.write_text(TWO.replace('"100 ms"', f'"{every}"\ndouble_read = "60 ms"'))
    done = call(two)
    assert done.returncode == 0
    assert words in done.stdout
    assert ("A cycle of water that reads again may outlast its period" in done.stdout) is outlasts
    assert "torn" not in call(HATCHERY).stdout


def test_a_run_that_only_read_tells_nothing_of_writes(call: Callable[..., Ended], two: Path, tmp_path: Path) -> None:
    measured, times = tmp_path / "run.json", '{"response_ms": {"p50": 2, "max": 3}, "replies": 9}'
    said = "hall could only be read in that run: the bounds take writes to be no slower than the reads"
    for armed, is_said in (("[]", True), ('["hall"]', False)):
        measured.write_text(f'{{"armed": {armed}, "controllers": {{"skid": {times}, "hall": {times}}}}}')
        assert (said in call(two, "--measured", measured).stdout) is is_said
        answer = json.loads(call(two, "--measured", measured, "--json").stdout)
        assert answer["measured_reads_only"] == (["hall"] if is_said else [])


def test_a_block_that_brings_nothing_is_not_recommended(call: Callable[..., Ended]) -> None:
    lines = call(HATCHERY, "--exchange-block", "skid").stdout.splitlines()
    assert "saves no request" in lines[0]
    assert lines[0].endswith("Leave them where they are: what follows is what a block would be, and brings nothing.")


def test_a_max_age_that_passes_between_two_deliveries_is_told(call: Callable[..., Ended], two: Path) -> None:
    said = "The values of water may pass max_age before the next ones come, all being well"
    for max_age_ms, is_said in ((115, True), (130, False)):
        two.write_text(TWO.replace('max_age = "1 s"', f'max_age = "{max_age_ms} ms"'))
        done = call(two)
        assert done.returncode == 0, done.stderr
        assert (said in done.stdout) is is_said
