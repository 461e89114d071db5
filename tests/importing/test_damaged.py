"""Damaged register tables: every fault that is put in is told with its sheet, row and column, and with a question."""

from __future__ import annotations

import datetime
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.importing.tables import csv_file, workbook_file

from wherry.errors import WherryError
from wherry.importing.notation import Notation
from wherry.importing.table import Options, TableImport, import_table
from wherry.importing.trouble import Level
from wherry.plan.model import Table
from wherry.values.types import BOOL, FLOAT32, INT16, UINT16, UINT32, Order

HEADINGS: list[object] = [
    "Register",
    "Parameter",
    "Table",
    "Data type",
    "Words",
    "Bit",
    "Scaling",
    "Unit",
    "Range",
    "R/W",
]
REGISTER, NAME, TABLE, TYPE, WORDS, BIT, SCALE, UNIT, RANGE, ACCESS = range(10)

SOUND: list[list[object]] = [
    ["40001", "Tank 1 oxygen", "holding", "FLOAT32 CDAB", "2", "", "", "mg/L", "0..20", "R"],
    ["40003", "Tank 1 temperature", "holding", "INT16", "1", "", "0.1", "degC", "-5 to 40", "R"],
    ["40004", "Pump speed", "holding", "UINT16", "1", "", "0.01", "Hz", "0-60", "R/W"],
    ["40005", "Feed counter", "holding", "UINT32 ABCD", "2", "", "1", "", "", "R"],
    ["40007", "Pump 1 running", "holding", "bool", "1", "0", "", "", "", "R"],
    ["40007", "Pump 2 running", "holding", "bool", "1", "1", "", "", "", "R"],
    ["40008", "Mode", "holding", "enum16", "1", "", "", "", "0=off, 1=on", "R/W"],
    ["30001", "Flow", "input", "INT16", "1", "", "/10", "L/s", "-100..100", "R"],
    ["10001", "Float switch", "discrete", "bool", "", "", "", "", "", "R"],
    ["00001", "Pump command", "coil", "bool", "", "", "", "", "", "R/W"],
]

OPTIONS = Options(notation=Notation.REFERENCE_5)


def with_cell(row: int, column: int, content: object) -> list[list[object]]:
    """The sound table with another content in one cell."""
    rows = [list(each) for each in SOUND]
    rows[row][column] = content
    return rows


# Each: the row and column that are changed, what is put there, where it must be told, words of what is told.
FAULTS: list[tuple[int, int, object, str, str]] = [
    (1, REGISTER, "", "A3", "the address is missing"),
    (1, REGISTER, "4000l", "A3", "is no address"),
    (1, REGISTER, "410003", "A3", "410003 has 6 digits, and not 5"),
    (1, REGISTER, "40000", "A3", "counted from 1"),
    (1, REGISTER, "50003", "A3", "stands for no table"),
    (1, REGISTER, "30003", "A3", "by its first digit, and the row says `holding`"),
    (1, REGISTER, "40003.16", "A3", "has bits 0 to 15"),
    (0, REGISTER, "40001-40003", "A2", "is 3 registers, and float32 takes 2"),
    (1, REGISTER, "40001", "A3", "and 40001 (float32) of"),
    (2, REGISTER, "40003", "A4", "and 40003 (int16) of"),
    (1, NAME, "", "B3", "the name is missing"),
    (1, NAME, "Pump speed", "B4", "is also the name of"),
    (1, NAME, "Temp\ufffdrature", "B3", "signs of a wrong encoding"),
    (1, TABLE, "memory", "C3", "names no table"),
    (1, TABLE, "03/04", "C3", "more than one table"),
    (1, TYPE, "", "D3", "the type is missing"),
    (1, TYPE, "integer", "D3", "whether it is signed"),
    (1, TYPE, "quux", "D3", "not known"),
    (1, TYPE, "FLOAT32", "E3", "float32 takes 2, and the length says 1"),
    (0, TYPE, "float inverse", "D2", "says `inverse`"),
    (0, TYPE, "float32 little endian", "D2", "does not name one order"),
    (8, TYPE, "uint16", "D10", "holds single bits"),
    (4, BIT, "", "D6", "without the number of its bit"),
    (4, BIT, "16", "F6", "no bit of a register"),
    (1, WORDS, "0", "E3", "no number of registers"),
    (1, WORDS, "two", "E3", "no number of registers"),
    (1, SCALE, "abc", "G3", "is no number"),
    (1, SCALE, "0", "G3", "is zero"),
    (1, SCALE, "1,000", "G3", "decimal comma"),
    (1, RANGE, "40 to -5", "I3", "goes from 40 to -5"),
    (1, RANGE, "-5000 to 40", "I3", "cannot hold -5000 to 40"),
    (2, RANGE, "-1..60", "I4", "cannot hold -1 to 60"),
    (1, RANGE, "5 to", "I3", "is no range"),
    (1, ACCESS, "sometimes", "J3", "no kind of access"),
    (1, ACCESS, "W", "J3", "can only be written"),
    (7, ACCESS, "R/W", "J9", "the table `input` cannot"),
    (7, UNIT, "0.1 L/s", "H9", "a number and a unit"),
    (0, UNIT, "10 mg/L", "H2", "a number and a unit"),
    (1, UNIT, "Â°C", "H3", "signs of a wrong encoding"),
]


def places(result: TableImport) -> list[tuple[str, str]]:
    return [(each.place.removeprefix("Map!").removeprefix("Map, "), each.what) for each in result.problems]


def test_the_sound_table_is_sound(tmp_path: Path) -> None:
    for file in (
        csv_file(tmp_path, [list(HEADINGS), *SOUND]),
        csv_file(tmp_path, [list(HEADINGS), *SOUND], "semicolon.csv", ";"),
    ):
        result = import_table(file, OPTIONS)
        assert result.problems == []
        assert [each.type for each in result.points] == [
            FLOAT32, INT16, UINT16, UINT32, BOOL, BOOL, UINT16, INT16, BOOL, BOOL,
        ]  # fmt: skip
        assert [each.table for each in result.points[-3:]] == [Table.INPUT, Table.DISCRETE, Table.COIL]
        assert result.points[0].order is Order.CDAB
        assert result.points[1].factor == Fraction(1, 10)
        assert result.points[7].factor == Fraction(1, 10)
        assert result.points[2].is_writable
        assert [each.bit for each in result.points[4:6]] == [0, 1]


@pytest.mark.parametrize("fault", FAULTS, ids=lambda fault: f"{fault[3]} {fault[4][:30]}")
@pytest.mark.parametrize("kind", ["csv", "xlsx"])
def test_every_fault_is_told_where_it_is(tmp_path: Path, fault: tuple[int, int, object, str, str], kind: str) -> None:
    row, column, content, where, words = fault
    rows = [list(HEADINGS), *with_cell(row, column, content)]
    result = import_table(csv_file(tmp_path, rows) if kind == "csv" else workbook_file(tmp_path, rows), OPTIONS)
    wanted = where if kind == "xlsx" else f"row {where[1:]}, column {where[0]}"
    told = places(result)
    assert any(place == wanted and words in what for place, what in told), told
    assert all(each.question.endswith("?") for each in result.problems)
    assert all(each.sheet == ("Map" if kind == "xlsx" else "") for each in result.problems)
    # No other row is blamed, but for the one it collides with.
    assert len({each.row for each in result.problems}) == (2 if "lie over each other" in told[0][1] else 1)
    assert len(result.points) + result.damaged_rows == len(SOUND)
    # What is damaged is not there, and what is left is as it was.
    damaged = {each.row for each in result.problems if each.level is Level.DAMAGED}
    assert not damaged & {each.source[1] for each in result.points}


def test_what_only_a_spreadsheet_does(tmp_path: Path) -> None:
    """A date made of ``1-2``, a bit number whose zero is lost, cells merged over several rows."""
    rows = [list(HEADINGS), *with_cell(1, REGISTER, datetime.date(2026, 1, 2))]
    assert "made from what was typed" in places(import_table(workbook_file(tmp_path, rows), OPTIONS))[0][1]
    rows = [list(HEADINGS), *with_cell(1, REGISTER, 40003.1)]
    assert "bit 10 whose zero is lost" in places(import_table(workbook_file(tmp_path, rows), OPTIONS))[0][1]
    rows = [list(HEADINGS), *with_cell(5, REGISTER, "")]
    result = import_table(workbook_file(tmp_path, rows, merged=["A6:A7"]), OPTIONS)
    assert result.problems == []
    assert [(each.address, each.bit) for each in result.points[4:6]] == [(6, 0), (6, 1)]


def test_a_factor_in_the_unit_and_a_byte_in_a_register(tmp_path: Path) -> None:
    rows = [list(HEADINGS), *with_cell(3, UNIT, "0.1 kWh")]
    rows[4][SCALE] = ""
    rows[7][TYPE] = "uint8"
    result = import_table(csv_file(tmp_path, rows), OPTIONS)
    assert result.problems == []
    assert (result.points[3].factor, result.points[3].unit) == (Fraction(1, 10), "kWh")
    assert result.points[3].remarks == ("factor 0.1 from the unit `0.1 kWh`",)
    assert result.points[6].remarks == ("8 bits in a register: the other byte is taken to be 0",)


def test_cells_that_moved_are_told(tmp_path: Path) -> None:
    rows = [list(HEADINGS), *with_cell(1, NAME, "Tank 1")]
    rows[2].insert(2, " temperature")  # a comma that was not put in quotes
    result = import_table(csv_file(tmp_path, rows), OPTIONS)
    assert ("row 3, column K", "`R` stands beyond the last heading: the cells of this row may have moved") in places(
        result
    )
    assert 3 not in {each.source[1] for each in result.points}


def test_a_quote_that_is_left_open_is_told(tmp_path: Path) -> None:
    file = csv_file(tmp_path, [list(HEADINGS), *SOUND])
    file.write_text(file.read_text().replace("Tank 1 temp", '"Tank 1 temp'))
    result = import_table(file, OPTIONS)
    assert any("row 3" in each and "left open" in each for each in result.remarks)


def test_bare_factors_are_asked_for(tmp_path: Path) -> None:
    rows = [list(HEADINGS), *SOUND]
    rows = [[*each[:SCALE], "10" if at == 2 else "", *each[SCALE + 1 :]] for at, each in enumerate(rows)]
    rows[0] = list(HEADINGS)
    file = csv_file(tmp_path, rows)
    result = import_table(file, OPTIONS)
    assert [(each.option, each.choices) for each in result.asks] == [("--scale", ("multiply", "divide"))]
    for word, factor in (("multiply", Fraction(10)), ("divide", Fraction(1, 10))):
        result = import_table(file, Options(notation=Notation.REFERENCE_5, scale=word))
        assert result.asks == []
        assert result.points[1].factor == factor


def test_titles_sections_and_reserved_rows(tmp_path: Path) -> None:
    rows: list[list[object]] = [
        ["Recirculation skid", "", ""],
        [],
        ["Address (PDU)", "Name", "Format"],
        ["Holding registers (FC 03)", "", ""],
        ["0", "oxygen", "float"],
        ["2", "reserved", ""],
        ["3", "level", "int16"],
        ["Input registers (FC 04)", "", ""],
        ["0", "flow", "int16"],
        ["Address (PDU)", "Name", "Format"],
        ["1", "pressure", "int16"],
    ]
    result = import_table(csv_file(tmp_path, rows), Options())
    assert result.asks == []
    assert [(str(each.table), each.address, each.name) for each in result.points] == [
        ("holding", 0, "oxygen"), ("holding", 3, "level"), ("input", 0, "flow"), ("input", 1, "pressure"),
    ]  # fmt: skip
    assert result.reserved == 1
    assert result.points[0].remarks == ("order not stated: ABCD is assumed",)


def test_several_sheets_each_with_its_table(tmp_path: Path) -> None:
    from openpyxl import Workbook  # type: ignore[import-untyped]

    book = Workbook()
    for name, number in (("Holding", 0), ("Input registers", 3), ("Notes", None)):
        page = book.create_sheet(name)
        page.append(["Read this first"] if number is None else ["Offset", "Name", "Type"])
        if number is not None:
            page.append([number, name, "int16"])
            page.append([number + 1, f"{name} 2", "int16"])
    file = tmp_path / "map.xlsx"
    book.save(file)
    result = import_table(file, Options(notation=Notation.ADDRESS))
    assert [(str(each.table), each.address) for each in result.points] == [
        ("holding", 0), ("holding", 1), ("input", 3), ("input", 4),
    ]  # fmt: skip
    assert result.remarks == ["the sheet `Notes` has no row of headings with an address: it is left out"]
    assert len(import_table(file, Options(notation=Notation.ADDRESS, sheet="holding")).points) == 2


@pytest.mark.parametrize(
    "make",
    [
        lambda folder: folder / "nowhere.csv",
        lambda folder: _written(folder / "empty.csv", b""),
        lambda folder: _written(folder / "blank.csv", b"\n\n,,,\n"),
        lambda folder: _written(folder / "text.csv", b"Dear colleague,\nplease find enclosed\n"),
        lambda folder: _written(folder / "broken.xlsx", b"PK\x03\x04 nothing"),
        lambda folder: _written(folder / "binary.csv", bytes(range(256))),
        lambda folder: folder,
    ],
)
def test_files_that_are_no_register_table(tmp_path: Path, make: Callable[[Path], Path]) -> None:
    with pytest.raises(WherryError):
        import_table(make(tmp_path), Options())


def _written(file: Path, data: bytes) -> Path:
    file.write_bytes(data)
    return file


TEXT = st.text(st.characters(exclude_characters="\0", exclude_categories=["Cs"]), max_size=12)
CELL = st.one_of(
    st.sampled_from([str(each) for row in SOUND for each in row]),
    TEXT,
    st.sampled_from(
        ["=1/0", "#REF!", "-1", "1e999", "999999999999", "0x", "h", "bit", "..", "40001..", "²", "\u0661", "½"]
    ),
)


@settings(max_examples=60)
@given(rows=st.lists(st.lists(CELL, min_size=1, max_size=12), max_size=12), notation=st.sampled_from([None, *Notation]))
def test_any_cells_are_read_to_an_end(
    tmp_path_factory: pytest.TempPathFactory, rows: list[list[str]], notation: Notation | None
) -> None:
    """Whatever stands in the cells: points that are registers, or problems with a place."""
    file = csv_file(tmp_path_factory.mktemp("map"), [HEADINGS, *rows])
    result = import_table(file, Options(notation=notation))
    for each in result.points:
        assert 0 <= each.address <= 65536 - each.type.registers
        assert each.take
    for problem in result.problems:
        assert problem.row >= 1
        assert problem.question
