"""``wherry fit`` as a user calls it: what it prints and answers, from a file and from a device on loopback."""

from __future__ import annotations

import asyncio
import json
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
from tests.importing.test_sunspec_wire import fill, plan_of

from wherry.cli.main import dispatch, main
from wherry.cli.output import Exit
from wherry.fit.pattern import CONSTANTS
from wherry.plan import loads
from wherry.plan.model import Point, Table
from wherry.simulate.controller import simulate_plan
from wherry.transports.tcp import TcpNetwork
from wherry.values.codec import writer
from wherry.values.types import NUMBERS, Order

READINGS = """\
# host: 10.20.0.11
at_s,table,start,words
0,holding,100,0000 0174 41a4 cccd 0000 0000 0001 09c4
10,holding,100,0000 02a1 41b1 999a 0000 0000 0001 09c6
20,holding,100,0000 0051 419f 3333 0000 0000 0001 09c9
"""
LEVEL = ["tank level shows 3.72 m", "tank level shows 6.73 m", "tank level shows 0.81 m"]
WARM = ["water temperature shows 20.60", "water temperature shows 22.20", "water temperature shows 19.90"]


@pytest.fixture
def file(tmp_path: Path) -> str:
    path = tmp_path / "skid.csv"
    path.write_text(READINGS)
    return str(path)


def test_everything_decided(file: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert dispatch(["fit", file, *LEVEL, "tank level within 0..10", *WARM]) == Exit.OK
    lines = capsys.readouterr().out.splitlines()
    assert lines[0] == (
        "tank level: holding 101 (40102) int16, / 100: decided (4 ways fit, and within the range this one reads right "
        "whichever is true)"
    )
    assert lines[1] == "  known: shows 3.72 (reading 1), 6.73 (reading 2), 0.81 (reading 3) m; within 0..10 m"
    assert "water temperature: holding 102 (40103) float32 ABCD: decided (one way fits)" in lines
    assert (
        '  { name = "tank level", take = "holding 101 int16", put = "", take_scale = [0, 100, 0, 1], unit = "m", '
        "range = [0, 10] },  # decided: table, order, scale; no difference: address, type"
    ) in lines
    assert any(
        line.startswith("holding 101") and "3.72, 6.73, 0.81" in line and "0174, 02A1, 0051" in line for line in lines
    )


def test_what_is_not_decided_names_what_decides(file: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert dispatch(["fit", file, *LEVEL]) == Exit.NO
    said = capsys.readouterr().out
    assert "tank level: undecided (4 ways fit; decided: table holding" in said
    assert "to decide: read again when it is between -327.68 and 0 m or between -21474836.48 and -327.68 m" in said
    assert "if that is inside -327.68..327.67 m, holding 101 (40102) int16, / 100 is right whichever is true" in said


def test_the_lines_are_lines_of_a_plan(file: str, capsys: pytest.CaptureFixture[str]) -> None:
    dispatch(["fit", file, *LEVEL, "tank level within 0..10", *WARM])
    said = capsys.readouterr().out
    values = said[said.index("values = [") :].replace('put = ""', 'put = "holding 0 float32"', 1)
    values = values.replace('put = ""', 'put = "holding 2 float32"', 1)
    plan = loads(
        '[controller.skid]\nconnect = "tcp://10.20.0.11"\n[controller.hall]\nconnect = "tcp://10.20.0.12"\n'
        f'[transfer.t]\nfrom = "skid"\nto = "hall"\nevery = "1 s"\n{values}'
    )
    assert [finding for finding in plan.findings if finding.level == "error"] == []
    assert [str(each.take) for each in plan.plan.transfers[0].values] == ["holding 101 int16", "holding 102 float32"]


def test_facts_of_a_file_and_json(file: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    facts = tmp_path / "facts.txt"
    facts.write_text("# seen at the panel\n" + "\n".join([*LEVEL, "tank level within 0..10", 'serial reads "A\u00e4"']))
    assert dispatch(["fit", file, "--facts", str(facts), "--json"]) == Exit.NO
    document = json.loads(capsys.readouterr().out)
    assert (document["readings"], document["exit_code"], document["types"]) == (3, 1, "usual")
    (level,) = document["quantities"]
    assert (level["decided"], level["take"], level["take_scale"]) == (True, "holding 101 int16", [0, 100, 0, 1])
    assert level["facts"][0] == {"fact": "table", "holds": "holding", "status": "decided", "others": []}
    assert level["ranked"][0]["words"] == [["0174"], ["02A1"], ["0051"]]
    assert [(each["name"], each["decided"], each["ways"]) for each in document["others"]] == [("serial", False, 0)]


def test_one_area_under_both_functions(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "both.csv"
    head, *rows = READINGS.splitlines()[1:]
    path.write_text("\n".join([head, *(line for row in rows for line in (row, row.replace("holding", "input")))]))
    assert dispatch(["fit", str(path), *WARM, "--present"]) == Exit.NO
    said = capsys.readouterr().out
    assert (
        "water temperature: undecided (2 ways fit; decided: address 102, type float32, order ABCD and scale 1)" in said
    )
    assert "input 102 and holding 102 hold the same in every reading" in said
    assert dispatch(["fit", str(path), *WARM, "--present", "water temperature among holding 0..65535"]) == Exit.OK
    assert "water temperature: holding 102 (40103) float32 ABCD: decided (one way fits)" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        ([], 'write: wherry fit READINGS.csv "tank level shows 3.72 m"'),
        (["FILE"], "nothing is known"),
        (["FILE", "level show 5"], "did you mean `shows`?"),
        (["FILE", "level shows 5", "--same", "colour"], "what may be the same is order, table, type, offset or scale"),
        (["FILE", "level shows 5", "--types", "odd"], "write usual or all"),
        (["nowhere.csv", "level shows 5"], "does not exist"),
        (["tcp://127.0.0.1:1", "level shows 5"], "say what to read of the controller"),
        (["tcp://127.0.0.1:1", "level shows 5", "--read", "holding 0..9"], "say --yes to go on without asking"),
        (
            ["tcp://127.0.0.1:1", "level shows 5", "--read", "holding 0..9", "--readings", "2"],
            "nobody can be asked before each reading",
        ),
    ],
)
def test_wrong_calls(
    arguments: list[str], says: str, file: str, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("sys.argv", ["wherry", "fit", *(file if each == "FILE" else each for each in arguments)])
    with pytest.raises(SystemExit) as ended:
        main()
    assert ended.value.code == Exit.WRONG_CALL
    assert says in capsys.readouterr().err


@pytest.fixture
def device() -> Iterator[str]:
    """A controller with the test pattern (CDAB) from holding 20 on, and a hole, on a free port of loopback."""
    ready, over = threading.Event(), threading.Event()
    where: list[str] = []
    registers = {5: 372}
    at = 20
    for constant in CONSTANTS:
        data = writer(Point(Table.HOLDING, 0, NUMBERS[constant.type], Order.CDAB))(constant.value)
        for offset in range(0, len(data), 2):
            registers[at] = int.from_bytes(data[offset : offset + 2], "big")
            at += 1

    async def serve() -> None:
        simulated = await simulate_plan(
            plan_of(registers), TcpNetwork(), only=["skid"], any_port=True, declared_only=True
        )
        skid = simulated.controllers["skid"]
        for mover in list(skid.moving.movers):
            skid.moving.pin(mover.table, mover.address, mover.count)
        fill(skid, registers)
        where.append(f"tcp://{skid.host}:{skid.port}")
        ready.set()
        await asyncio.get_running_loop().run_in_executor(None, over.wait)
        assert skid.counts.writes == 0
        await simulated.stop()

    thread = threading.Thread(target=lambda: asyncio.run(serve()))
    thread.start()
    assert ready.wait(20)
    yield where[0]
    over.set()
    thread.join()


def test_the_pattern_is_read_from_a_device(device: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    saved = tmp_path / "pattern.csv"
    call = ["fit", device, "--pattern", "--read", "holding 0..45", "--rate", "1000", "--yes"]
    assert dispatch([*call, "--save", str(saved)]) == Exit.OK
    said = capsys.readouterr()
    assert "Nothing is written." in said.err
    assert "numbers of 32 bits are kept in the order CDAB\nnumbers of 64 bits are kept in the order CDAB" in said.out
    rows = [line.split() for line in said.out.splitlines()]
    assert ["pattern_int", "int16", "-13035", "holding", "20", "40021", "ABCD", "or", "CDAB"] in rows
    # What was saved gives the same again, without the device.
    assert dispatch(["fit", str(saved), "--pattern"]) == Exit.OK
    assert capsys.readouterr().out == said.out


def test_a_device_is_read_several_times(device: str, capsys: pytest.CaptureFixture[str]) -> None:
    call = ["fit", device, "level shows 3.72", "level at holding 5 uint16", "--read", "holding 0..9", "--yes"]
    assert dispatch([*call, "--readings", "2", "--every", "20ms", "--rate", "1000", "--json"]) == Exit.OK
    document = json.loads(capsys.readouterr().out)
    assert document["readings"] == 2
    assert document["quantities"][0]["take"] == "holding 5 uint16"


def test_the_pattern_is_printed(capsys: pytest.CaptureFixture[str]) -> None:
    assert dispatch(["fit", "--pattern"]) == Exit.OK
    assert "    pattern_dint  : DINT := -1698898192;" in capsys.readouterr().out
    assert dispatch(["fit", "--pattern", "--json"]) == Exit.OK
    assert len(json.loads(capsys.readouterr().out)["constants"]) == len(CONSTANTS)
