"""Lists of values beside the plan: CSV and XLSX."""

from __future__ import annotations

import builtins
import csv
import io
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wherry.errors import MissingExtraError
from wherry.findings import Finding
from wherry.plan import Loaded, load, loads
from wherry.plan.csv_list import CsvList
from wherry.plan.lists import ListError
from wherry.plan.model import Direction, Scale

HEADINGS = "name,take,put"
ROW = "tank 1 oxygen,holding 0 float32 CDAB,holding 100 int16"

ReadList = Callable[..., Loaded]


@pytest.fixture
def plan_of(with_values: Callable[..., str]) -> Callable[[str], str]:
    def build(name: str) -> str:
        return with_values(transfer=f"values = '{name}'\n")

    return build


@pytest.fixture
def read_list(tmp_path: Path, plan_of: Callable[[str], str]) -> ReadList:
    """A plan with the given CSV beside it, loaded."""

    def run(text: str | bytes, name: str = "water.csv") -> Loaded:
        (tmp_path / name).write_bytes(text if isinstance(text, bytes) else text.encode("utf-8"))
        return loads(plan_of(name), beside=tmp_path)

    return run


@pytest.fixture
def only_row_finding(read_list: ReadList, tmp_path: Path) -> Callable[..., tuple[str, str, str, Finding]]:
    """The one finding of a list: its name, its file, ``line:column-end`` and itself."""

    def run(text: str | bytes) -> tuple[str, str, str, Finding]:
        loaded = read_list(text)
        assert len(loaded.findings) == 1, loaded.findings
        finding = loaded.findings[0]
        span = finding.span
        assert span is not None
        assert Path(span.file) == tmp_path / "water.csv"
        return finding.name, Path(span.file).name, f"{span.line}:{span.column}-{span.column_end}", finding

    return run


FULL = """\
name;take;put;take_scale;scale;unit;put_unit;range;not_available;clamp;rounding;substitute;group
# a comment; with anything; in it
water temperature;holding 2 int16;holding 101 float32;0 200 0 20;;degC;degF;0 20;0x8000 32767;TRUE;half away;4.5;tank 1

"pump ""1""; running";holding 12.3;coil 5;;;;;;;;;false;
feed text;holding 20 string(4);holding 200 string(4);;[0, 1, 0, 1];;;[0, 20];[0x8000, -1];;;12;
"""


@pytest.mark.parametrize("mark", ["", "\ufeff"])
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_columns_are_the_keys_of_a_value(mark: str, end: str, read_list: ReadList) -> None:
    loaded = read_list(mark + FULL.replace("\n", end))
    assert loaded.findings == ()
    first, second, third = loaded.plan.transfers[0].values
    assert (first.name, str(first.take), first.take_scale) == (
        "water temperature",
        "holding 2 int16",
        Scale(0, 200, 0, 20),
    )
    assert (first.unit, first.put_unit, first.range, first.not_available) == ("degC", "degF", (0, 20), (0x8000, 32767))
    assert (first.clamp, first.rounding.value, first.substitute, first.group) == (True, "half away", 4.5, "tank 1")
    assert (second.name, second.take.bit, second.substitute) == ('pump "1"; running', 3, False)
    assert (third.scale, third.range, third.not_available) == (Scale(0, 1, 0, 1), (0, 20), (0x8000, -1))
    assert third.substitute == "12", "text stays text where text is put"
    assert [value.path for value in loaded.plan.transfers[0].values][2] == ("transfer", "water", "values", 2)


def test_steps_and_counters_in_columns(read_list: ReadList) -> None:
    loaded = read_list(
        "name,take,put,jump,counter,modulus\ndoses,holding 4,holding 104,2.5,up,65536\na,holding 5,holding 105,,,\n"
    )
    assert loaded.findings == ()
    doses, other = loaded.plan.transfers[0].values
    assert (doses.jump, doses.counter, doses.modulus) == (2.5, Direction.UP, 65536)
    assert not other.is_watched


@pytest.mark.parametrize(
    ("text", "place", "message", "fix"),
    [
        (f"{HEADINGS}\n{ROW},7\n", "2:56-57", "more cells than there are columns (3)", "take the cell away"),
        (f"{HEADINGS}\na,holding 0\n", "2:1-12", "the cell of `put` is empty",
         "write `put`, or begin the row with `#`"),
        (f"{HEADINGS}\na,,holding 0\n", "2:3-3", "the cell of `take` is empty", "write `take`"),
        (f"{HEADINGS},rnage\n{ROW},0 1\n", "1:15-20", "`rnage` is no column of a list of values", "write `range`"),
        (f"{HEADINGS},\n{ROW},x\n", "1:15-15", "a column has no heading", "take the column away"),
        (f"{HEADINGS},put\n{ROW},\n", "1:15-18", "two columns are called `put`", "take one of them away"),
        (f"name;take\n{ROW}\n", "1:1-10", "the list has no column `put`", "write `put` as a heading"),
        (f"name\ttake\tput\n{ROW}\n", "1:1-14", "have tabs between them", 'save the list again as "CSV UTF-8"'),
        ("", "1:1-1", "the list is empty", "write the headings in the first row"),
        (f"{HEADINGS},range\nä,holding 0,holding 1,0\n", "2:23-24", "`range` takes 2 numbers, not 1", "like `0 20`"),
        (f"{HEADINGS};clamp\n", "1:1-20", "", ""),
        ("name;take;put;scale\nä;holding 0;holding 1; 0,5 1 0 1 \n", "2:24-33", "`0,5` has a decimal comma",
         "write `0.5`"),
        ("name;take;put;range\nä;holding 0;holding 1;0,5\n", "2:23-26", "can be 2 numbers, or one with", "write `0 5`"),
        ("name;take;put;substitute\na;holding 0;holding 1;1,5\n", "2:23-26", "has a decimal comma", "write `1.5`"),
        (f'{HEADINGS},range\na,holding 0,holding 1,"0 x"\n', "2:23-28", "`x` is no number", "write a number"),
        (f"{HEADINGS},clamp\na,holding 0,holding 1,WAHR\n", "2:23-27", "neither true nor false",
         "write `true` or `false`"),
        (f'{HEADINGS}\na,"holding 0,holding 1\n', "2:3-4", "a quote that is never closed", "close the quote"),
        (f'{HEADINGS}\na "b",holding 0,holding 1\n', "2:3-4", "does not begin with one",
         "put the whole cell in quotes"),
        (f'{HEADINGS}\n"a" b,holding 0,holding 1\n', "2:4-5", "` ` follows the closing quote",
         "write `,` after the quote"),
        (f"{HEADINGS}\na,holding 0,holding 1\n\xe9\n".encode("latin-1"), "3:1-2", "is not UTF-8 text: byte 0xe9",
         'save the list again as "CSV UTF-8"'),
        (f"{HEADINGS}\n".encode("utf-16"), "1:1-2", "is not UTF-8 text: byte 0xff", "save the list again"),
    ],
)  # fmt: skip
def test_a_broken_row_has_its_line_and_column(
    text: str | bytes, place: str, message: str, fix: str, read_list: ReadList, only_row_finding: Any
) -> None:
    if not message:
        # Commas in a line that has a semicolon are part of the first heading: all three columns are missing.
        assert {each.name for each in read_list(text).findings} == {"broken-row"}
        return
    name, _, at, finding = only_row_finding(text)
    assert (name, at) == ("broken-row", place)
    assert message in finding.message
    assert fix in finding.fix
    assert finding.expected


@pytest.mark.parametrize(
    ("row", "name", "place"),
    [
        ("ä,holding 0 floot32,holding 1", "bad-address", "3:13-20"),
        ("ä,  holding 0 floot32 ,holding 1", "bad-address", "3:15-22"),
        ('"ä ""b""",holding 0 floot32,holding 1', "bad-address", "3:21-28"),
        ('ä,"holding 0 floot32",holding 1', "bad-address", "3:14-21"),
        ("ä,holding 0,holding 40001", "ambiguous-number", "3:21-26"),
        ("ä,holding 0..9,holding 0..8", "copy-length-differs", "3:16-28"),
        ("ä,holding 0,holding 1,20 0", "bad-value", "3:23-27"),
        ("ä,holding 0,holding 1,,half", "bad-value", "3:24-28"),
        ("ä,holding 0,holding 1,,,8000h", "bad-value", "3:25-30"),
        ("first,holding 0,holding 1", "duplicate-name", "3:1-6"),
    ],
)
def test_what_is_wrong_with_a_cell_is_found_in_its_file(row: str, name: str, place: str, only_row_finding: Any) -> None:
    text = (
        f"{HEADINGS},range,rounding,not_available\nfirst,holding 7,holding 107,,,\n{row}\nlast,holding 8,holding 108\n"
    )
    found_name, file, at, _ = only_row_finding(text)
    assert (found_name, file, at) == (name, "water.csv", place)


def test_a_broken_row_is_left_out_and_the_rest_is_read(read_list: ReadList) -> None:
    loaded = read_list(f"{HEADINGS}\na,holding 0,holding 1\nb,,\nc,holding 2 x,holding 3\nd,holding 4,holding 5\n")
    assert [(each.name, each.span.line) for each in loaded.findings if each.span] == [
        ("broken-row", 3), ("broken-row", 3), ("bad-address", 4),
    ]  # fmt: skip
    values = loaded.plan.transfers[0].values
    assert [each.name for each in values] == ["a", "d"]
    # Places are those of the file, whatever was left out before.
    span = loaded.document.span(values[1].take.path)
    assert (span.line, span.column, span.column_end) == (5, 3, 12)
    assert loaded.document.line(span) == "d,holding 4,holding 5"
    assert loaded.document.span(values[1].path, on_key=True).line == 5
    assert loaded.document.span((*values[1].path, "take"), on_key=True).line == 1
    assert loaded.document.span((*values[1].path, "unit")).line == 5


def test_a_list_without_rows_carries_nothing(read_list: ReadList) -> None:
    (finding,) = read_list(f"{HEADINGS}\n# nothing yet\n").findings
    assert (finding.name, finding.message) == ("missing-key", "transfer `water` carries nothing")


def test_the_line_that_names_the_delimiter_is_no_row(read_list: ReadList) -> None:
    loaded = read_list("sep=;\r\nname;take;put\r\na;holding 0;holding 1\r\n")
    assert loaded.findings == ()
    assert loaded.document.span(loaded.plan.transfers[0].values[0].path).line == 3


@pytest.mark.parametrize(
    ("name", "message", "fix"),
    [
        ("watr.csv", "the list {folder}/watr.csv does not exist", "write `water.csv`"),
        ("zzz.csv", "the list {folder}/zzz.csv does not exist", "put the list beside the plan, or correct its name"),
        ("folder.csv", "the list {folder}/folder.csv is a folder, not a file", "put the list beside the plan"),
        ("water.csv/x.csv", "the list {folder}/water.csv/x.csv does not exist", "put the list beside the plan"),
        ("no/water.csv", "the list {folder}/no/water.csv does not exist", "put the list beside the plan"),
        ("water.ods", 'the list "water.ods" is neither CSV nor XLSX', "save it as CSV or XLSX"),
        ("water", 'the list "water" is neither CSV nor XLSX', "save it as CSV or XLSX"),
        ("", 'the list "" is neither CSV nor XLSX', "save it as CSV or XLSX"),
    ],
)
def test_a_list_that_is_not_there(
    name: str, message: str, fix: str, tmp_path: Path, plan_of: Callable[[str], str]
) -> None:
    (tmp_path / "water.csv").write_text(f"{HEADINGS}\n{ROW}\n")
    (tmp_path / "folder.csv").mkdir()
    (finding,) = loads(plan_of(name), beside=tmp_path).findings
    assert finding.name == "missing-file"
    assert message.format(folder=tmp_path) in finding.message
    assert fix in finding.fix
    assert finding.span is not None
    assert (finding.span.line, finding.span.column) == (11, 10)


def test_a_plan_without_a_folder_has_no_lists(plan_of: Callable[[str], str]) -> None:
    (finding,) = loads(plan_of("water.csv")).findings
    assert (finding.name, finding.fix) == ("missing-file", "write the values into the plan")


@pytest.mark.parametrize("name", ["lists/water.csv", r"lists\water.csv"])
def test_both_kinds_of_slashes_lead_to_the_list(name: str, tmp_path: Path, plan_of: Callable[[str], str]) -> None:
    (tmp_path / "lists").mkdir()
    (tmp_path / "lists" / "water.csv").write_text(f"{HEADINGS}\n{ROW}\n")
    (tmp_path / "plan.toml").write_text(plan_of(name))
    loaded = load(tmp_path / "plan.toml")
    assert loaded.findings == ()
    assert [each.name for each in loaded.plan.transfers[0].values] == ["tank 1 oxygen"]


# Workbooks.


@pytest.fixture
def workbook(tmp_path: Path) -> Callable[[list[list[Any]]], Path]:
    def write(rows: list[list[Any]]) -> Path:
        from openpyxl import Workbook  # type: ignore[import-untyped]

        book = Workbook()
        sheet = book.active
        for row in rows:
            sheet.append(row)
        book.create_sheet("other").append(["not", "this"])
        path = tmp_path / "water.xlsx"
        book.save(path)
        return path

    return write


def test_the_first_sheet_of_a_workbook_is_a_list(workbook: Any, tmp_path: Path, plan_of: Callable[[str], str]) -> None:
    workbook(
        [
            ["name", "take", "put", "range", "clamp", "substitute", "not_available"],
            ["# comment", "x", None, None, None, None, None],
            [],
            ["tank 1 oxygen", "holding 0 float32", 40101, "0 20", True, 0.5, 32768],
            ["tank 2 oxygen", "holding 2 float32", "holding 102", None, None, 7, None],
        ]
    )
    loaded = loads(plan_of("water.xlsx"), beside=tmp_path)
    assert loaded.findings == ()
    first, second = loaded.plan.transfers[0].values
    assert (str(first.put), first.range, first.clamp, first.substitute) == ("holding 100 uint16", (0, 20), True, 0.5)
    assert (first.not_available, second.substitute) == ((32768,), 7)
    span = loaded.document.span(first.put.path)
    assert (Path(span.file).name, span.line, span.column) == ("water.xlsx", 4, 3)
    assert loaded.document.line(span) == ""


def test_a_cell_that_the_spreadsheet_made_a_date_of(workbook: Any, tmp_path: Path, plan_of: Any) -> None:
    import datetime

    workbook([["name", "take", "put"], ["a", datetime.date(2024, 12, 3), "holding 1"]])
    (finding,) = loads(plan_of("water.xlsx"), beside=tmp_path).findings
    assert finding.name == "broken-row"
    assert finding.span is not None
    assert (finding.span.line, finding.span.column) == (2, 2)
    assert "format the cells as text" in finding.fix


@pytest.mark.parametrize("data", [b"", b"not a workbook", b"PK\x03\x04" + bytes(200)])
def test_what_is_no_workbook_is_said_to_be_none(data: bytes, read_list: ReadList) -> None:
    (finding,) = read_list(data, "water.xlsx").findings
    assert finding.name == "missing-file"
    assert "no XLSX workbook" in finding.message


def test_without_the_extra_the_message_says_how_to_install_it(
    workbook: Any, tmp_path: Path, plan_of: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    workbook([["name", "take", "put"]])
    original = builtins.__import__

    def refuse(name: str, *rest: Any, **more: Any) -> Any:
        if name == "python_calamine":
            raise ImportError(name)
        return original(name, *rest, **more)

    monkeypatch.setattr(builtins, "__import__", refuse)
    with pytest.raises(MissingExtraError, match=r"pip install 'wherry\[sheet\]'"):
        loads(plan_of("water.xlsx"), beside=tmp_path)


# Against the standard library's reader, and against anything.

CELLS = st.lists(st.lists(st.text('ab",;# \n\té', max_size=5), min_size=1, max_size=4), min_size=1, max_size=5)


@given(CELLS, st.sampled_from([",", ";"]))
def test_what_is_written_by_the_standard_library_is_read(cells: list[list[str]], delimiter: str) -> None:
    written = io.StringIO(newline="")
    csv.writer(written, delimiter=delimiter, quoting=csv.QUOTE_ALL, lineterminator="\r\n").writerows(cells)
    text = f"head{delimiter}ing\n" + written.getvalue()
    read = CsvList(text.encode("utf-8"), "a.csv")
    assert read.rows[1:] == [row for row in cells if any(cell.strip() for cell in row)]
    lines = text.replace("\r\n", "\n").split("\n")
    for row, row_cells in enumerate(read.rows[1:], 1):
        for column, cell in enumerate(row_cells):
            span = read.cell_span(row, column)
            rows = lines[span.line - 1 : span.line_end]
            rows[-1] = rows[-1][: span.column_end - 1]
            rows[0] = rows[0][span.column - 1 :]
            assert next(csv.reader(["\n".join(rows)], delimiter=delimiter))[0] == cell or "\n" in cell
            for index, character in enumerate(cell):
                part = read.cell_span(row, column, (index, index + 1))
                left = len(cell) - len(cell.lstrip())
                if left + index < len(cell.rstrip()) and cell[left + index] not in '\n"' and character:
                    assert lines[part.line - 1][part.column - 1] == cell[left + index]


@given(st.text('ab",;#= \n\r\té0x', max_size=60) | st.text(max_size=40))
def test_any_text_is_a_list_or_refused(text: str) -> None:
    try:
        read = CsvList(text.encode("utf-8", "surrogatepass"), "a.csv")
    except ListError:
        return
    for row, cells in enumerate(read.rows):
        assert read.row_span(row).line <= read.row_span(row).line_end
        for column in range(len(cells) + 1):
            read.cell_span(row, column, (0, 3))


def test_writing_on_change_in_columns(read_list: ReadList) -> None:
    loaded = read_list(
        "name,take,put,deadband,shortest,refresh\na,holding 4,holding 104,0.5,2 s,1 min\nb,holding 5,holding 105,,,\n"
        "c,holding 6,holding 106,0,,\n"
    )
    assert loaded.findings == ()
    first, second, third = loaded.plan.transfers[0].values
    assert (first.deadband, first.shortest_ns, first.refresh_ns) == (0.5, 2_000_000_000, 60_000_000_000)
    assert (second.deadband, second.shortest_ns, second.refresh_ns) == (None, 0, None)
    assert (first.is_on_change, second.is_on_change, third.is_on_change) == (True, False, True)


def test_steps_and_reading_back_in_columns(read_list: ReadList) -> None:
    loaded = read_list(
        "name,take,put,step,on_step,verify,verify_at,tolerance\n"
        "a,holding 4,holding 104,0.5,hold,2 s,input 50,1.5\nb,holding 5,holding 105,,,,,\n"
    )
    assert loaded.findings == ()
    first, second = loaded.plan.transfers[0].values
    assert (first.step, first.on_step, first.verify_ns, first.tolerance) == (0.5, "hold", 2_000_000_000, 1.5)
    assert str(first.verify_at) == "input 50 uint16"
    assert (second.step, second.on_step, second.verify_ns, second.verify_at) == (None, "ramp", None, None)
