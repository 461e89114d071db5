"""Rows of headings as makers write them, and what each column is taken for."""

from __future__ import annotations

from pathlib import Path

import pytest
from tests.importing.tables import csv_file

from wherry.importing.headings import Column, is_headings, read_headings
from wherry.importing.notation import Notation
from wherry.importing.sheets import Cell, column_of, letters
from wherry.importing.table import Options, import_table
from wherry.plan.model import Table
from wherry.values.types import INT16, UINT16

ROWS = [
    ("Register;Parameter;Data type;R/W;Scaling;Unit;Range",
     "register address; name; type; access; scale; unit; range"),
    ("Modbus Address;Name;Data Type;R/W;Unit;Multiplier;Notes", "address name type access unit scale -"),
    ("Reg. No.;Signal;Format;Length;Unit", "address name type length unit"),
    ("Register Address;Number of Registers;Parameter;Data Format;Unit", "address length name type unit"),
    ("Address (Register);Input Register Parameter;Units;Format;Mode", "address name unit type -"),
    ("Start Address (hex);Size;R/W;Function codes;Name;Type;Units;Scale Factor",
     "address length access table name type unit scale"),
    ("No.;Address;Name;Type", "- address name type"),
    ("#;Register;Label;Data type;Divisor;Unit;Min;Max;Default;R/W",
     "- address name type scale unit low high - access"),
    ("Offset;Description;Words;Datatype;Range", "address name length type range"),
    ("Adresse;Bezeichnung;Datentyp;Einheit;Faktor;Zugriff", "address name type unit scale access"),
    ("PDU Address;Object type;Variable;Bit;Comment", "address table name bit -"),
    ("Modbus Register;Parameter Name;Function Code;Data Type;Resolution;Unit;Value range",
     "address name table type scale unit range"),
    ("Index;Address;Point;Type;Read/Write", "- address name type access"),
    ("Parameter number;Parameter name;Modbus address;Data type;Unit", "- name address type unit"),
    ("Holding Register;Description;Units", "address name unit"),
    ("Coil;Description", "address name"),
    ("Input Register;Value;Unit;Type", "address name unit type"),
    ("Signal Name;Read/Write;Type;Unit;Gain;Address;Number of registers;Scope",
     "name access type unit scale address length -"),
]  # fmt: skip


@pytest.mark.parametrize(("headings", "wanted"), ROWS[1:], ids=lambda text: text[:40])
def test_headings_as_makers_write_them(headings: str, wanted: str) -> None:
    cells = [Cell(each) for each in headings.split(";")]
    assert is_headings(cells)
    found = {at: str(column) for column, at in read_headings(cells, 0).columns.items()}
    assert [found.get(at, "-") for at in range(len(cells))] == wanted.split()
    assert read_headings(cells, 0).second_address is None


@pytest.mark.parametrize(
    "text", ["Note: all registers are read only", "40001;oxygen;float", "Revision;2", "", "Name;Type"]
)
def test_what_is_no_row_of_headings(text: str) -> None:
    assert not is_headings([Cell(each) for each in text.split(";")])


def test_two_addresses_are_in_the_order_in_which_they_stand() -> None:
    headings = read_headings([Cell(each) for each in ("Offset (hex)", "Register", "Name")], 0)
    assert (headings.columns[Column.ADDRESS], headings.second_address) == (0, 1)


def test_a_column_of_row_numbers_is_no_address(tmp_path: Path) -> None:
    """It would agree with 40001, 40002 and so on as if it proved them."""
    rows = [["No.", "Address", "Name", "Type"], *([str(1 + at), str(40001 + at), f"v{at}", "int16"] for at in range(9))]
    assert import_table(csv_file(tmp_path, rows), Options()).decision.notation is None


def test_what_stands_below_decides_between_table_and_type(tmp_path: Path) -> None:
    rows = [["Address", "Name", "Type"], ["0", "a", "Holding"], ["5", "b", "Input"], ["6", "c", "holding register"]]
    result = import_table(csv_file(tmp_path, rows), Options(notation=Notation.ADDRESS, type=UINT16))
    assert [each.table for each in result.points] == [Table.HOLDING, Table.INPUT, Table.HOLDING]
    rows = [["Address", "Name", "Register type"], ["0", "a", "INT16"], ["5", "b", "S16"]]
    result = import_table(csv_file(tmp_path, rows), Options(notation=Notation.ADDRESS, table=Table.HOLDING))
    assert [each.type for each in result.points] == [INT16, INT16]


def test_columns_that_the_user_names(tmp_path: Path) -> None:
    rows = [["Quux", "Foo", "Bar"], ["0", "a", "INT16"], ["5", "b", "S16"]]
    columns = {Column.ADDRESS: "A", Column.NAME: "foo", Column.TYPE: "C"}
    options = Options(heading_row=1, columns=columns, table=Table.HOLDING)
    result = import_table(csv_file(tmp_path, rows), options)
    assert [(each.address, each.name, each.type) for each in result.points] == [(0, "a", INT16), (5, "b", INT16)]
    # Without a row of headings at all.
    columns = {Column.ADDRESS: "A", Column.NAME: "B", Column.TYPE: "C"}
    result = import_table(csv_file(tmp_path, rows[1:]), Options(columns=columns, table=Table.HOLDING))
    assert [(each.address, each.name) for each in result.points] == [(0, "a"), (5, "b")]


@pytest.mark.parametrize(
    ("at", "text"), [(0, "A"), (25, "Z"), (26, "AA"), (51, "AZ"), (52, "BA"), (701, "ZZ"), (702, "AAA")]
)
def test_letters_of_columns(at: int, text: str) -> None:
    assert letters(at) == text
    assert column_of(text) == at
