"""``wherry import``: what it prints, writes and answers, for files and for a device on loopback."""

from __future__ import annotations

import asyncio
import json
import shlex
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
from tests.importing.conftest import COMMON, TANK, hatchery_device
from tests.importing.tables import csv_file
from tests.importing.test_sunspec_wire import fill, plan_of

from wherry.checks.check import check
from wherry.cli.main import dispatch, main
from wherry.cli.output import Exit
from wherry.plan import load
from wherry.simulate.controller import simulate_plan
from wherry.transports.tcp import TcpNetwork

ROWS = [
    ["Recirculation skid, register list C"],
    [],
    ["Register", "Parameter", "Data type", "R/W", "Scaling", "Unit", "Range"],
    ["Holding registers (function 03)"],
    ["40001", "Tank 1 oxygen", "FLOAT32", "R", "", "mg/L", "0..20"],
    ["40003", "Tank 1 temperature", "INT16", "R", "0.1", "degC", "-5 to 40"],
    ["40004", "Pump speed", "UINT16", "R/W", "0.01", "Hz", "0-60"],
    ["4000l", "Pump current", "UINT16", "R", "0.01", "A", ""],
    ["40006", "reserved", "", "", "", "", ""],
    ["40007", "Energy", "UINT32 CDAB", "R", "1", "kWh", ""],
    ["40009", "Status word", "", "R", "", "", ""],
    ["Input registers (function 04)"],
    ["30001", "Flow", "int", "R", "0.1", "L/s", "-10..100"],
]


@pytest.fixture
def table(tmp_path: Path) -> Path:
    return csv_file(tmp_path, ROWS, "skid.csv")


def test_what_is_not_decided_is_asked_and_nothing_is_written(
    table: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    saved = tmp_path / "points.csv"
    assert dispatch(["import", str(table), "--save", str(saved)]) == Exit.WRONG_CALL
    printed = capsys.readouterr().out
    assert (
        "the rows do not decide how registers are numbered: say --notation (address | number | reference-5)" in printed
    )
    assert "then `40001` of row 5 is holding 40001 (440002)" in printed
    assert "then `40001` of row 5 is holding 0 (40001)" in printed
    assert "not reference-6" in printed
    assert "nothing was written" in printed
    assert not saved.exists()


def test_a_table_becomes_a_list_and_the_list_a_plan_that_is_sound(
    table: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    saved = tmp_path / "points.csv"
    call = ["import", str(table), "--notation", "reference-5", "--put", "holding 100", "--save", str(saved)]
    assert dispatch(call) == Exit.NO  # a row was left out
    printed = capsys.readouterr().out
    assert "so 40001 is holding 0 (40001); 30001 is input 0 (30001)" in printed
    assert "row 8, column A (Register): `4000l` is no address. Which register is it, in numbers?" in printed
    assert "5 points of 7 rows; 2 rows left out; 1 reserved row" in printed
    text = saved.read_text(encoding="utf-8")
    assert "# row 5: 40001; holding 0 is 40001; order not stated: ABCD is assumed\n" in text
    assert "Tank 1 temperature,holding 2 int16,holding 102 int16,0 10000 0 1000,0 1000 0 10000,degC,-5 40,\n" in text
    plan = tmp_path / "water.toml"
    assert dispatch(["new", str(plan), "--from-csv", str(saved)]) == Exit.OK
    loaded = load(plan)
    assert [each.message for each in check(loaded) if each.level == "error"] == []
    assert [(each.name, each.take.address) for each in loaded.plan.transfers[0].values] == [
        ("Tank 1 oxygen", 0), ("Tank 1 temperature", 2), ("Pump speed", 3), ("Energy", 6), ("Flow", 0),
    ]  # fmt: skip
    capsys.readouterr()
    assert dispatch(call) == Exit.WRONG_CALL
    assert "was not touched" in capsys.readouterr().err
    assert dispatch([*call, "--force"]) == Exit.NO


def test_what_the_document_shows_is_what_is_printed(
    table: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    text = (Path(__file__).resolve().parents[2] / "docs" / "import.md").read_text(encoding="utf-8")
    command, *lines = text.split("```console\n")[1].split("```")[0].strip().split("\n")
    monkeypatch.chdir(table.parent)
    assert dispatch(shlex.split(command)[2:]) == Exit.NO
    printed = capsys.readouterr().out.split("\n")
    assert [each for each in lines if each != "..." and each not in printed] == []


def test_the_json_document(table: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert dispatch(["import", str(table), "--notation", "reference-5", "--json"]) == Exit.NO
    document = json.loads(capsys.readouterr().out)
    assert set(document) == {
        "file", "headings", "notation", "notation_because", "notations_possible", "digits", "asks", "rows",
        "rows_left_out", "rows_reserved", "points", "problems", "remarks", "saved",
    }  # fmt: skip
    assert document["points"][1]["take"] == "holding 2 int16"
    assert document["points"][1]["reference"] == "40003"
    assert document["problems"][0]["row"] == 8
    assert document["headings"][0]["columns"]["address"] == "A"


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["nowhere.csv"], "does not exist"),
        (["tcp://127.0.0.1", "--save", "x.xlsx"], "ends in .csv"),
        (["skid.csv", "--column", "adress=A"], "did you mean `address`?"),
        (["skid.csv", "--column", "address=Quux"], "no heading is called so"),
        (["skid.csv", "--sheet", "Other"], "there is no sheet `Other`"),
        (["skid.csv", "--notation", "references"], "--notation"),
        (["skid.csv", "--type", "int15"], "there is no such type"),
        (["skid.csv", "--heading-row", "0"], "counts from 1"),
        (["skid.csv", "--heading-row", "99"], "no column of addresses"),
        (["skid.csv", "--notation", "reference-5", "--put", "coil 1"], "put into holding registers"),
        (["skid.csv", "--notation", "reference-5", "--put", "holding 65530"], "do not fit"),
        (["tcp://127.0.0.1", "--unit", "300"], "--unit 300"),
        (["tcp://127.0.0.1", "--rate", "0"], "--rate 0"),
        (["tcp://127.0.0.1", "--models", "nowhere"], "does not exist"),
    ],
)
def test_wrong_calls(
    table: Path, arguments: list[str], words: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(table.parent)
    monkeypatch.setattr("sys.argv", ["wherry", "import", *arguments])
    with pytest.raises(SystemExit) as ended:
        main()
    assert ended.value.code == Exit.WRONG_CALL
    printed = capsys.readouterr()
    assert words in printed.err
    assert printed.out == ""


@pytest.fixture
def device() -> Iterator[str]:
    """The SunSpec device of our own on a free port of loopback; its address."""
    ready, over = threading.Event(), threading.Event()
    where: list[str] = []

    async def serve() -> None:
        registers = hatchery_device()
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


@pytest.fixture
def models(tmp_path: Path) -> Path:
    for number, group in ((1, COMMON), (64100, TANK)):
        (tmp_path / f"model_{number}.json").write_text(json.dumps({"id": number, "group": group}))
    return tmp_path


def test_a_device_on_loopback(device: str, models: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    saved = tmp_path / "tank.csv"
    call = ["import", device, "--models", str(models), "--yes", "--rate", "200", "--put", "holding 100"]
    assert dispatch([*call, "--save", str(saved)]) == Exit.OK
    printed = capsys.readouterr().out
    assert "SunSpec map at holding 40000: Trout, Skid, V2.1, 0815" in printed
    assert "3.72  m" in printed
    assert "FEEDING" in printed
    assert 'identity = { registers = [{ at = "holding address 40004 string(4)", is = "Trou" }' in printed
    assert "# model 64100: Lvl; holding 40020 is 440021; uint16; Level; scale factor -2 in register 40029\n" in (
        saved.read_text(encoding="utf-8")
    )
    assert dispatch([*call, "--json"]) == Exit.OK
    document = json.loads(capsys.readouterr().out)
    assert set(document) == {
        "device", "unit", "base", "requests", "identity", "models", "points", "remarks", "controller_line", "saved",
    }  # fmt: skip
    values = {each["name"]: each["value"] for each in document["points"]}
    assert values["64100 Lvl"] == 3.72
    assert document["models"][1]["not_implemented"] == ["Tmp"]
    # Without definitions only the models are told.
    assert dispatch(["import", device, "--yes", "--rate", "200"]) == Exit.NO
    assert "say --models DIR" in capsys.readouterr().err


def test_a_device_without_a_map(device: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert dispatch(["import", device, "--yes", "--rate", "200", "--base", "40004"]) == Exit.NO
    assert capsys.readouterr().out == (
        "no SunSpec map: the marker `SunS` is not in the holding registers where --base says (1 request)\n"
    )


def test_nobody_to_ask(device: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert dispatch(["import", device]) == Exit.WRONG_CALL
    printed = capsys.readouterr()
    assert "it may be the device's only one" in printed.err
    assert "say --yes to go on without asking" in printed.err
    assert printed.out == ""
