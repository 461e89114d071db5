"""Register sheets: every place of the plan on its side, the same in each kind of file."""

from __future__ import annotations

import csv
import io
import json
import zipfile
from pathlib import Path

import pytest

from wherry.cli.main import dispatch
from wherry.cli.sheet import file_stem
from wherry.errors import LocalError, PlanError
from wherry.paper import sheet_files, typeset
from wherry.paper.sheet import COLUMNS, THE_CARRIER, THE_PROGRAM, Sheet, connections_of, formula, sheet_of
from wherry.paper.structured_text import blocks_of
from wherry.plan import load, loads
from wherry.plan.model import Plan, Span, Table
from wherry.values.scaling import Line, exact

EXAMPLE = Path(__file__).parents[2] / "examples" / "hatchery.toml"
RICH = """
title = "Feeding *#$[ & <b>"
[controller.skid]
connect = "tcp://127.0.0.1:15021"
identity = { registers = [ { at = "holding 900", is = 77 } ] }
[controller.hall]
connect = "tcp://127.0.0.1:15022"
lease = "10 s"
[controller.feeder]
connect = "tcp://127.0.0.1:15022"
unit = 2
storage = "volatile"

[transfer.water]
from = "skid"
to = "hall"
every = "500 ms"
on_loss = "substitute"
alive = "holding 9"
alive_put = "holding 99"
guard = "holding 8"
status = "holding 90"
[[transfer.water.values]]
name = "=2+3"
take = "holding 0 int16"
put = "holding 100 int16"
scale = [0, 20, 0, 2000]
unit = "mg/L"
range = [0, 20]
substitute = 4
step = 0.5
verify = "2 s"
verify_at = "input 7 int16"
[[transfer.water.values]]
name = "pump #1 $x$"
take = "coil 3"
put = "holding 101.4"
substitute = true
[[transfer.water.values]]
name = "litres"
take = "holding 4 uint32"
put = "holding 102 uint32 CDAB"
counter = "up"
deadband = 2
refresh = "4 s"
substitute = 0
[command.feed]
from = "hall"
to = "feeder"
every = "200 ms"
request = "holding 20"
values = [ { name = "portion", take = "holding 21", put = "holding 39", unit = "g", range = [0, 500] } ]
put = "holding 40"
acknowledge = "holding 50"
result = "holding 51"
answer = "holding 30"
expiry = "5 s"
"""


def rich() -> Plan:
    loaded = loads(RICH, "rich.toml")
    assert loaded.findings == ()
    return loaded.plan


def cells(sheet: Sheet, column: str) -> dict[str, str]:
    return {row.place: row.cells()[column] for row in sheet.rows}


def test_each_place_of_the_plan_is_on_its_side() -> None:
    plan = rich()
    places = {each.name: cells(sheet_of(plan, each), "written_by") for each in plan.controllers}
    assert places["skid"] == dict.fromkeys(
        ("coil 3", "holding 0", "holding 4..5", "holding 8", "holding 9", "holding 900"), THE_PROGRAM
    )
    own = ("input 7", "holding 20", "holding 21")
    given = [f"holding {each}" for each in (30, 31, 32, 90, 91, 92, 93, 99, 100)] + [
        "holding 101.4",
        "holding 102..103",
    ]
    assert places["hall"] == {**dict.fromkeys(own, THE_PROGRAM), **dict.fromkeys(given, THE_CARRIER)}
    assert places["feeder"] == {
        "holding 39": THE_CARRIER,
        "holding 40": THE_CARRIER,
        "holding 50": THE_PROGRAM,
        "holding 51": THE_PROGRAM,
    }


def test_a_row_says_how_where_and_what_if_not() -> None:
    hall = sheet_of(rich(), rich().controller("hall"))
    assert cells(hall, "reference")["holding 102..103"] == "40103..40104"
    assert cells(hall, "reference")["holding 101.4"] == "40102.4"
    assert cells(hall, "number_to_value")["holding 100"] == "x 0.01"
    assert cells(hall, "unit")["holding 100"] == "mg/L"
    assert cells(hall, "range")["holding 100"] == "0 .. 20"
    assert cells(hall, "order")["holding 102..103"] == "CDAB"
    losses = cells(hall, "on_loss")
    assert losses["holding 100"] == "becomes 4 mg/L"
    assert losses["holding 101.4"] == "becomes 1 (on)"
    assert losses["holding 99"] == "keeps its last value", "the source's own counter is never replaced"
    notes = cells(hall, "note")
    assert "at most 0.5 in a period" in notes["holding 100"]
    assert "nobody else may write it" in notes["holding 100"]
    assert "written when it changes, and every 4 s" in notes["holding 102..103"]
    assert "storage is unknown" in notes["holding 102..103"]
    assert "2 Good, 1 Uncertain, 0 Bad" in notes["holding 91"]
    feeder = sheet_of(rich(), rich().controller("feeder"))
    assert "storage" not in cells(feeder, "note")["holding 39"]


def test_what_several_transfers_read_is_one_row() -> None:
    text = EXAMPLE.read_text().replace('copy    = { take = "holding 30..39", put = "holding 300..309" }', "")
    text += 'values = [ { name = "tank 1 oxygen", take = "holding 0 float32 CDAB", put = "holding 300 float32" } ]\n'
    skid = sheet_of(loads(text, "x").plan, loads(text, "x").plan.controller("skid"))
    (row,) = [each for each in skid.rows if each.span == Span(Table.HOLDING, 0, 2)]
    assert row.transfer == "water, block"


def test_the_page_if_wherry_stops() -> None:
    plan = rich()
    hall = " ".join(sheet_of(plan, plan.controller("hall")).on_stop)
    assert "holding 90 (40091) stands still" in hall
    assert "does not say what hall does" in hall
    assert "keeps what it was given for 10 s" in hall
    assert "cannot notice a stop" in " ".join(sheet_of(plan, plan.controller("skid")).on_stop)


def test_units_of_one_address_are_one_connection() -> None:
    first, second = connections_of(rich())
    assert (first.controller, first.port, first.writes, first.units) == ("skid", 15021, False, (1,))
    assert (second.controller, second.port, second.writes, second.units) == ("hall, feeder", 15022, True, (1, 2))


@pytest.mark.parametrize(
    ("factor", "offset", "text"),
    [(1, 0, ""), (0.01, 0, "x 0.01"), (1, -273.15, "- 273.15"), (2, 0.5, "x 2 + 0.5"), (-1, 0, "x -1")],
)
def test_a_line_as_people_write_it(factor: float, offset: float, text: str) -> None:
    assert formula(Line(exact(factor), exact(offset))) == text


def test_the_workbook_and_the_csv_file_say_what_the_sheet_says() -> None:
    openpyxl = pytest.importorskip("openpyxl")
    plan = rich()
    sheet = sheet_of(plan, plan.controller("hall"))
    wanted = [[sheet_files.harmless(row.cells()[each]) for each in COLUMNS] for row in sheet.rows]
    read = list(csv.reader(io.StringIO(sheet_files.csv_bytes(sheet).decode("utf-8-sig"))))
    assert read[0] == list(COLUMNS)
    assert read[1:] == wanted
    book = openpyxl.load_workbook(io.BytesIO(sheet_files.xlsx_bytes(sheet, connections_of(plan))))
    assert book.sheetnames == ["registers", "connections", "if Wherry stops", "cautions"]
    rows = [[cell or "" for cell in row] for row in book["registers"].iter_rows(values_only=True)]
    assert rows[1:] == wanted
    names = [row[COLUMNS.index("name")] for row in rows[1:]]
    assert "'=2+3" in names, "a name is never a formula"
    assert all(cell.data_type != "f" for page in book for row in page.iter_rows() for cell in row)


def test_the_same_sheet_is_the_same_bytes_and_carries_no_instant() -> None:
    pytest.importorskip("typst")
    pytest.importorskip("openpyxl")
    plan = rich()
    sheet, blocks = sheet_of(plan, plan.controller("hall")), blocks_of(plan, "hall")
    first, second = (sheet_files.pdf_bytes(plan, sheet, connections_of(plan), blocks, "ab" * 32) for _ in range(2))
    assert first == second
    assert first.startswith(b"%PDF-")
    assert b"CreationDate" not in first
    book = sheet_files.xlsx_bytes(sheet, connections_of(plan))
    with zipfile.ZipFile(io.BytesIO(book)) as parts:
        assert {each.date_time for each in parts.infolist()} == {sheet_files.ZIP_DATE}
        assert b"2026" not in parts.read("docProps/core.xml")


def test_the_pdf_is_given_every_row_and_caution() -> None:
    plan = rich()
    sheet = sheet_of(plan, plan.controller("hall"))
    data = sheet_files.pdf_data(plan, sheet, connections_of(plan), blocks_of(plan, "hall"), "ab" * 32)
    assert [row[0] for row in data["rows"]] == [row.place for row in sheet.rows]
    assert all(len(row) == len(data["headings"]) for row in data["rows"])
    assert data["cautions"] == list(typeset.CAUTIONS)
    assert [each["name"] for each in data["blocks"]] == ["CarriedWater"]
    for key in data:
        assert f"data.{key}" in typeset.PREAMBLE + sheet_files.BODY, f"{key} is not printed"


# The command.


def test_files_are_saved_for_each_controller(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    pytest.importorskip("typst")
    folder = tmp_path / "new folder" / "sheets"
    assert dispatch(["sheet", str(EXAMPLE), "--save", str(folder)]) == 0
    saved = {each.name for each in folder.iterdir()}
    parts = {f"{name}.{kind}" for name in ("skid", "hall", "oxygen") for kind in ("pdf", "xlsx", "csv")}
    assert saved == {*parts, "hall.st", "oxygen.st", "connections.csv"}
    (block, *_) = blocks_of(load(EXAMPLE).plan, "hall")
    text = (folder / "hall.st").read_bytes().decode("ascii")
    assert text.count("\n") == text.count("\r\n")
    assert block.text in text.replace("\r\n", "\n")
    assert "12 files saved" in capsys.readouterr().out


def test_json_holds_rows_text_and_connections(capsys: pytest.CaptureFixture[str]) -> None:
    assert dispatch(["sheet", str(EXAMPLE), "--only", "hall", "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    assert list(answer["controllers"]) == ["hall"]
    assert set(answer["controllers"]["hall"]["rows"][0]) == set(COLUMNS)
    assert "FUNCTION_BLOCK CarriedWater" in answer["controllers"]["hall"]["structured_text"]["CarriedWater"]
    assert [each["port"] for each in answer["connections"]] == [15021, 15022, 15023]
    assert answer["cautions"]


def test_shown_it_fits_a_hundred_columns(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    plan = tmp_path / "rich.toml"
    plan.write_text(RICH)
    for path in (EXAMPLE, plan):
        assert dispatch(["sheet", str(path)]) == 0
        out = capsys.readouterr().out
        tables = out[: out.index("With --save")]
        assert max(map(len, tables.splitlines())) <= 100
        assert "not a safety function" in out


def test_wrong_calls_are_sentences(tmp_path: Path) -> None:
    with pytest.raises(LocalError, match="no controller `hal`: it has skid, hall, oxygen"):
        dispatch(["sheet", str(EXAMPLE), "--only", "hal"])
    with pytest.raises(PlanError):
        dispatch(["sheet", str(tmp_path / "none.toml")])
    pytest.importorskip("typst")
    (tmp_path / "file").write_text("")
    with pytest.raises(LocalError, match="can be saved in"):
        dispatch(["sheet", str(EXAMPLE), "--save", str(tmp_path / "file")])


@pytest.mark.parametrize(
    ("name", "stem"),
    [("hall", "hall"), ("../etc/passwd", "etc-passwd"), ("CON", "CON-controller"), ("Becken 1/2", "Becken-1-2")],
)
def test_file_names_are_sound_on_every_system(name: str, stem: str) -> None:
    assert file_stem(name, {}) == stem
    assert file_stem(name, {f"{stem.upper()}.pdf": b""}) == f"{stem}-2"


def test_the_list_of_connections_keeps_its_name() -> None:
    assert file_stem("connections", {}) == "connections-controller"
