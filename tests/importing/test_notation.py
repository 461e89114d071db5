"""More than forty ways to print where registers are: each with what it means, or refused with all it may mean."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.importing.tables import csv_file

from wherry.importing.notation import Notation
from wherry.importing.table import Options, TableImport, import_table
from wherry.plan.model import REFERENCE_DIGIT, Table

ADDRESS, NUMBER, FIVE, SIX = Notation
HOLDING, INPUT, DISCRETE, COIL = Table.HOLDING, Table.INPUT, Table.DISCRETE, Table.COIL

Case = tuple[str, str, list[str], Notation | None, list[int]]

DECIDED: list[Case] = [
    # heading, table's title, printed, notation, addresses
    ("Register", "Holding registers", ["0", "1", "2", "5"], ADDRESS, [0, 1, 2, 5]),
    ("Register", "Holding registers", ["400001", "400002", "400010"], SIX, [0, 1, 9]),
    ("Register", "", ["400001", "400002", "300010"], SIX, [0, 1, 9]),
    ("Register", "", ["465536", "465535", "465534"], SIX, [65535, 65534, 65533]),
    ("Register", "", ["4x0001", "4x0002"], FIVE, [0, 1]),
    ("Register", "", ["4x00001", "4x00002"], SIX, [0, 1]),
    ("Register", "", ["3x0007", "4X0009"], FIVE, [6, 8]),
    ("Register", "", ["4:0001", "4:0002"], FIVE, [0, 1]),
    ("Address (PDU)", "Holding registers", ["100", "101", "103"], ADDRESS, [100, 101, 103]),
    ("PDU address", "Holding registers", ["40000", "40001"], ADDRESS, [40000, 40001]),
    ("Address (0-based)", "Holding registers", ["10", "12"], ADDRESS, [10, 12]),
    ("Address", "Holding registers, addresses are zero based", ["10", "12"], ADDRESS, [10, 12]),
    ("Address", "Holding registers, counting starts at 0", ["10", "12"], ADDRESS, [10, 12]),
    ("Address", "Holding registers, counted from 1", ["10", "12"], NUMBER, [9, 11]),
    ("Register (1-based)", "Input registers", ["1", "2"], NUMBER, [0, 1]),
    ("Address", "Holding registers", ["0x0000", "0x0001", "0x001F"], ADDRESS, [0, 1, 31]),
    ("Address", "Holding registers", ["0000h", "000Ah", "0010h"], ADDRESS, [0, 10, 16]),
    ("Address (hex)", "Holding registers", ["0000", "0010", "001A"], ADDRESS, [0, 16, 26]),
    ("Address", "Holding registers", ["0000", "000A", "000B", "0010"], ADDRESS, [0, 10, 11, 16]),
    ("Address", "Holding registers", ["16#0000", "16#000A"], ADDRESS, [0, 10]),
    ("Address", "Holding registers", ["0", "HR 1", "HR2"], ADDRESS, [0, 1, 2]),
    ("Address", "", ["hr:0", "hr:12"], ADDRESS, [0, 12]),
    ("Offset", "Coils", ["0", "1", "2"], ADDRESS, [0, 1, 2]),
]  # fmt: skip

REFUSED: list[Case] = [
    ("Register", "Holding registers", ["40001", "40002"], None, []),
    ("Register", "Holding registers", ["40000", "40001"], None, []),
    ("Register", "Input registers", ["30001", "30002"], None, []),
    ("Register", "", ["40001", "30001"], None, []),
    ("Register", "Holding registers", ["1", "2", "3"], None, []),
    ("Register", "Holding registers", ["100", "101"], None, []),
    ("Register", "Coils", ["1", "2"], None, []),
    ("Register", "Discrete inputs", ["10001", "10002"], None, []),
    ("Register", "Holding registers: 1-based numbers, subtract 1 for the zero-based address", ["7", "8"], None, []),
    ("Register", "Holding registers, one PDU at most, all values from 0 to 100", ["7", "8"], None, []),
    ("Register", "Holding registers", ["0x0010", "0x0012"], None, []),
    ("Register", "Holding registers", ["10h", "12h"], None, []),
    ("Address (hex)", "Holding registers", ["10", "1A"], None, []),
    ("Register", "Holding registers", ["HR1", "HR2"], None, []),
    ("Register", "Holding registers", ["00010", "00011", "00013"], None, []),
    ("Register", "Holding registers", ["0010", "0020"], None, []),
    ("Register", "Holding registers", ["65535", "65534"], None, []),
    ("Register", "Holding registers", ["40001", "40002", "400030"], None, []),
    ("Register", "Holding registers", ["40001-40001", "40003"], None, []),
    ("Register", "", ["1", "10001", "30001", "40001"], None, []),
]  # fmt: skip

assert len(DECIDED) + len(REFUSED) == 43


def imported(folder: Path, case: Case, options: Options | None = None) -> TableImport:
    heading, title, printed, _, _ = case
    rows = [[title, "", ""], [heading, "Name", "Type"]]
    rows += [
        [each, f"value {at}", "" if "oil" in title or "iscrete" in title else "uint16"]
        for at, each in enumerate(printed)
    ]
    return import_table(csv_file(folder, rows), options or Options())


@pytest.mark.parametrize("case", DECIDED, ids=lambda case: f"{case[0]} {case[2][0]} {case[2][1]}")
def test_what_decides_is_taken(tmp_path: Path, case: Case) -> None:
    result = imported(tmp_path, case)
    asked = [each.option for each in result.asks]
    assert asked in ([], ["--table"])
    assert result.decision.notation is case[3]
    if not asked:
        assert [each.address for each in result.points] == case[4]
        assert result.problems == []
    assert result.decision.how


@pytest.mark.parametrize("case", REFUSED, ids=lambda case: f"{case[0]} {case[1]} {case[2][0]} {case[2][1]}")
def test_what_does_not_decide_is_asked_with_every_reading(tmp_path: Path, case: Case) -> None:
    result = imported(tmp_path, case)
    ask = result.asks[0]
    assert ask.option == "--notation"
    assert len(ask.choices) > 1
    assert result.points == []
    assert [str(each) for each in result.decision.readings] == list(ask.choices)
    # Two readings are two different registers.
    assert len({each.split(" is ")[1] for each in result.decision.readings.values()}) > 1


def test_the_user_decides(tmp_path: Path) -> None:
    case = REFUSED[0]
    for notation, address in ((ADDRESS, 40001), (NUMBER, 40000), (FIVE, 0)):
        result = imported(tmp_path, case, Options(notation=notation))
        assert [each.address for each in result.points] == [address, address + 1]
        assert all(each.table is HOLDING for each in result.points)


def test_two_columns_of_numbers_decide_each_other(tmp_path: Path) -> None:
    rows = [["Register", "Offset (hex)", "Name", "Type"]]
    rows += [[str(40001 + at), f"{at:04X}", f"value {at}", "int16"] for at in range(0, 40, 3)]
    result = import_table(csv_file(tmp_path, rows), Options())
    assert (result.decision.notation, result.decision.second) == (FIVE, ADDRESS)
    assert [each.address for each in result.points] == list(range(0, 40, 3))
    rows[5][1] = "00FF"
    result = import_table(csv_file(tmp_path, rows), Options())
    assert [(each.row, each.what) for each in result.problems] == [
        (6, "`40013` is address 12, and `00FF` beside it is address 255")
    ]


def test_digits_that_may_be_hexadecimal_are_asked_for(tmp_path: Path) -> None:
    case: Case = ("Register", "Holding registers", ["0000", "0010", "0020"], None, [])
    result = imported(tmp_path, case)
    assert [each.option for each in result.asks] == ["--digits"]
    result = imported(tmp_path, case, Options(is_hex=True))
    assert [each.address for each in result.points] == [0, 16, 32]
    result = imported(tmp_path, case, Options(is_hex=False))
    assert [each.address for each in result.points] == [0, 10, 20]


def test_one_misprint_does_not_decide(tmp_path: Path) -> None:
    """Forty reference numbers, and one with a digit too many: it is not taken for the notation of all."""
    printed = [str(40001 + at) for at in range(40)]
    printed[20] = "400021"
    case: Case = ("Register", "Holding registers", printed, None, [])
    assert imported(tmp_path, case).decision.notation is None
    result = imported(tmp_path, case, Options(notation=FIVE))
    assert len(result.points) == 39
    assert [(each.row, each.column) for each in result.problems] == [(23, "A")]


EXAMPLES = int(os.environ.get("WHERRY_IMPORT_EXAMPLES", "150"))


def printed(table: Table, address: int, notation: Notation, *, is_hex: bool, is_padded: bool) -> str:
    """A register as a maker prints it."""
    number = address + (notation is not ADDRESS)
    if notation.is_reference:
        return f"{REFERENCE_DIGIT[table]}{number:0{notation.digits - 1}d}"
    if is_hex:
        return f"0x{number:X}"
    return f"{number:05d}" if is_padded else str(number)


Truth = tuple[Notation, list[tuple[Table, int]], list[list[str]], int | None]


@st.composite
def printed_tables(draw: st.DrawFn) -> Truth:
    """Registers of a device, and how a maker may print them: perhaps in two columns, perhaps with one misprint (the
    position of its row)."""
    notation, second = draw(st.sampled_from(list(Notation))), draw(st.sampled_from([None, *Notation]))
    tables = draw(st.lists(st.sampled_from([HOLDING, INPUT]), min_size=1, max_size=2, unique=True))
    address_max = 9998 if FIVE in (notation, second) else 65534
    places = draw(
        st.lists(
            st.tuples(st.sampled_from(tables), st.integers(0, draw(st.sampled_from([20, 300, address_max])))),
            min_size=1, max_size=40, unique=True,
        )
    )  # fmt: skip
    if draw(st.booleans()):
        places.sort()
    is_hex = not notation.is_reference and draw(st.booleans())
    says_table, is_padded = draw(st.booleans()), draw(st.booleans())
    rows: list[list[str]] = [["Register", "Offset", "Table", "Name", "Type"]]
    for at, (table, address) in enumerate(places):
        first = printed(table, address, notation, is_hex=is_hex, is_padded=is_padded)
        other = "" if second is None else printed(table, address, second, is_hex=False, is_padded=False)
        rows.append([first, other, str(table) if says_table else "", f"value {at}", "uint16"])
    misprint = None
    if len(rows) > 3 and draw(st.booleans()):
        misprint = draw(st.integers(1, len(rows) - 1))
        text = rows[misprint][0]
        at = draw(st.integers(0, len(text) - 1))
        wrong = text[:at] + draw(st.sampled_from("0123456789lO")) + text[at + draw(st.integers(0, 1)) :]
        # A first row of 0 says that a table is counted from zero, and nothing else could.
        rows[misprint][0] = wrong if wrong.strip("0") else text
    return notation, places, rows, misprint


@settings(max_examples=EXAMPLES)
@given(truth=printed_tables())
def test_never_another_notation_than_the_true_one(tmp_path_factory: pytest.TempPathFactory, truth: Truth) -> None:
    notation, places, rows, misprint = truth
    file = csv_file(tmp_path_factory.mktemp("map"), rows)
    result = import_table(file, Options())
    if result.decision.notation is None:
        assert notation in result.decision.possible
    else:
        assert result.decision.notation is notation, result.decision.how
    told = import_table(file, Options(notation=notation, is_hex=False))
    if misprint is None and (rows[1][2] or notation.is_reference):
        assert [(each.table, each.address) for each in told.points] == places
        assert told.problems == []
