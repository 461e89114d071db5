"""Two real register maps, printed as tables in several ways, come back as the registers they are.

Source: nielsbasjes/modbus-devices at 8a1f0c3 (Apache-2.0), SDM630 and ThermiaGenesis13, kept outside the repository.
Their authors wrote addresses from zero with the table before them (``hr:00012``), in expressions of their own.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path
from typing import NamedTuple

import pytest
from tests.importing.conftest import REGISTER_MAPS
from tests.importing.tables import csv_file, workbook_file

from wherry.importing.notation import Notation
from wherry.importing.table import Options, import_table
from wherry.plan.model import REFERENCE_DIGIT, Table

SPACES = {"c": Table.COIL, "di": Table.DISCRETE, "ir": Table.INPUT, "hr": Table.HOLDING}
TYPES = {"ieee754_32": "float32", "int16": "int16", "uint16": "uint16", "int32": "int32", "uint32": "uint32",
         "boolean": "bool", "enum": "uint16"}  # fmt: skip


class Register(NamedTuple):
    name: str
    table: Table
    address: int
    type: str
    factor: Fraction
    unit: str


def registers_of(name: str) -> list[Register]:
    """The plain fields of a map: one value of one type at one place, perhaps divided."""
    path = REGISTER_MAPS / "source_maps" / f"{name}.yaml"
    if not path.exists():
        pytest.skip(f"the map {name} is not here: it is kept outside the repository, in {path.parent}")
    found: list[Register] = []
    taken: set[tuple[Table, int]] = set()
    pattern = re.compile(r"^ {6}- id: +'(.*?)'$(.*?)(?=^ {6}- id:|^ {2}- id:|\Z)", re.DOTALL | re.MULTILINE)
    for match in pattern.finditer(path.read_text(encoding="utf-8")):
        expression = re.search(r"expression: +'(\w+)\((c|di|ir|hr):(\d+)(?: # \d)?[^)]*\)(?: ?/ ?(\d+))?'", match[2])
        if expression is None or expression[1] not in TYPES:
            continue
        place = (SPACES[expression[2]], int(expression[3]))
        if place in taken:
            continue
        taken.add(place)
        unit = re.search(r"unit: +'(.*?)'", match[2])
        divided = Fraction(1, int(expression[4] or 1))
        found.append(Register(match[1], *place, TYPES[expression[1]], divided, unit[1] if unit else ""))
    return found


Printing = Callable[[Register], list[object]]

PRINTINGS: list[tuple[str, list[object], Printing, Notation]] = [
    ("reference", ["Register", "Parameter", "Data type", "Multiplier", "Unit"],
     lambda each: [f"{REFERENCE_DIGIT[each.table]}{each.address + 1:04d}", each.name, each.type,
                   f"{float(each.factor):g}", each.unit],
     Notation.REFERENCE_5),
    ("six digits", ["Modicon address", "Description", "Format", "Divisor", "Einheit"],
     lambda each: [f"{REFERENCE_DIGIT[each.table]}{each.address + 1:05d}", each.name, each.type.upper(),
                   str(1 / each.factor), each.unit],
     Notation.REFERENCE_6),
    ("from zero", ["Function code", "PDU address", "Signal", "Type", "Scaling", "Eng. unit"],
     lambda each: [{Table.COIL: "01", Table.DISCRETE: "02", Table.HOLDING: "03", Table.INPUT: "04"}[each.table],
                   str(each.address), each.name, each.type.replace("uint", "U").replace("float32", "REAL"),
                   "" if each.factor == 1 else f"/{1 / each.factor}", each.unit],
     Notation.ADDRESS),
    ("hexadecimal from one", ["Table", "Register (hex)", "Tag", "Datatype", "Factor", "Unit"],
     lambda each: [f"{each.table}s", f"{each.address + 1:04X}", each.name, each.type, f"{float(each.factor):g}",
                   each.unit],
     Notation.NUMBER),
    ("with prefixes", ["Address", "Name", "Type", "Multiplier", "Unit"],
     lambda each: [f"{next(key for key, table in SPACES.items() if table is each.table).upper().replace('C', 'CO')}"
                   f"{each.address}", each.name, each.type, f"{float(each.factor):g}", each.unit],
     Notation.ADDRESS),
]  # fmt: skip


@pytest.mark.parametrize("name", ["SDM630", "ThermiaGenesis13"])
@pytest.mark.parametrize("printing", PRINTINGS, ids=lambda printing: printing[0])
@pytest.mark.parametrize("kind", ["csv", "xlsx"])
def test_a_real_map_comes_back(
    tmp_path: Path, name: str, printing: tuple[str, list[object], Printing, Notation], kind: str
) -> None:
    registers = registers_of(name)
    assert len(registers) >= 80
    _, headings, print_row, notation = printing
    rows: list[list[object]] = [[f"{name}: registers"], headings, *map(print_row, registers)]
    write = csv_file if kind == "csv" else workbook_file
    result = import_table(write(tmp_path, rows), Options(notation=notation))
    assert [(each.what, each.place) for each in result.problems if each.level == "damaged"] == []
    assert result.asks == []
    assert [(each.table, each.address, str(each.type), each.factor, each.unit) for each in result.points] == [
        (each.table, each.address, "bool" if each.table.is_bits else each.type, each.factor, each.unit)
        for each in registers
    ]
    # Left to itself it takes the true notation, or asks.
    assert import_table(write(tmp_path, rows), Options()).decision.notation in (None, notation)
