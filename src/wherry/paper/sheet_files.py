"""A sheet as files: CSV and XLSX for the programming system, PDF for the cabinet."""

from __future__ import annotations

import csv
import io
import zipfile
from collections.abc import Sequence
from typing import Any, Final

from wherry.errors import MissingExtraError
from wherry.paper import typeset
from wherry.paper.sheet import COLUMNS, Connection, Sheet
from wherry.paper.structured_text import Block
from wherry.plan.model import Plan

HEADINGS: Final = {
    "place": "place (from 0)",
    "reference": "reference (from 1)",
    "count": "items",
    "type": "type",
    "order": "order",
    "name": "name",
    "number_to_value": "number to value",
    "unit": "unit",
    "range": "range",
    "written_by": "written by",
    "transfer": "transfer",
    "period": "period",
    "on_loss": "on a loss",
    "note": "note",
}
ZIP_DATE: Final = (1980, 1, 1, 0, 0, 0)
"""The earliest that a ZIP file knows: the same sheet is the same bytes."""
FORMULA_SIGNS: Final = ("=", "+", "-", "@", "\t", "\r")
"""A cell that begins with one of these is a formula to a spreadsheet (common practice, no source)."""


def harmless(text: str) -> str:
    """The text as a spreadsheet shows it and does not compute it. Names come from files that others wrote."""
    return f"'{text}" if text.startswith(FORMULA_SIGNS) else text


def csv_bytes(sheet: Sheet) -> bytes:
    """The rows with a heading; UTF-8 with a mark, which spreadsheets need to read it as such."""
    rows = (row.cells() for row in sheet.rows)
    return _csv([list(COLUMNS), *([cells[each] for each in COLUMNS] for cells in rows)])


def connections_csv(connections: Sequence[Connection]) -> bytes:
    """Who talks to whom on which port."""
    return _csv(connection_cells(connections))


def _csv(rows: list[list[str]]) -> bytes:
    out = io.StringIO(newline="")
    csv.writer(out).writerows([[harmless(each) for each in row] for row in rows])
    return b"\xef\xbb\xbf" + out.getvalue().encode()


def xlsx_bytes(sheet: Sheet, connections: Sequence[Connection]) -> bytes:
    """A workbook: registers, connections, and what happens when Wherry stops."""
    try:
        from openpyxl import Workbook  # type: ignore[import-untyped]
        from openpyxl.styles import Alignment, Font  # type: ignore[import-untyped]
        from openpyxl.utils import get_column_letter  # type: ignore[import-untyped]
    except ImportError:
        raise MissingExtraError(
            "the XLSX file needs a part that is not installed: pip install 'wherry[sheet]'"
        ) from None
    book = Workbook()
    first = book.active
    assert first is not None
    first.title = "registers"
    tables: list[tuple[Any, list[list[str]]]] = [
        (
            first,
            [[HEADINGS[each] for each in COLUMNS], *([row.cells()[each] for each in COLUMNS] for row in sheet.rows)],
        ),
        (book.create_sheet("connections"), connection_cells(connections)),
        (book.create_sheet("if Wherry stops"), [["what happens"], *([each] for each in sheet.on_stop)]),
        (book.create_sheet("cautions"), [["cautions"], *([each] for each in typeset.CAUTIONS)]),
    ]
    for page, rows in tables:
        for row in rows:
            page.append([harmless(each) for each in row])
        for number in range(1, len(rows[0]) + 1):
            longest = max(len(row[number - 1]) for row in rows)
            page.column_dimensions[get_column_letter(number)].width = min(60, max(8, longest + 2))
            page.cell(1, number).font = Font(bold=True)
        for cells in page.iter_rows():
            for cell in cells:
                cell.alignment = Alignment(wrap_text=True, vertical="top")
        page.freeze_panes = "A2"
    return _same_each_time(book)


def _same_each_time(book: Any) -> bytes:
    """The workbook without the instant at which it was made."""
    import datetime

    book.properties.creator = "wherry"
    book.properties.created = book.properties.modified = datetime.datetime(*ZIP_DATE, tzinfo=datetime.UTC)
    made, plain = io.BytesIO(), io.BytesIO()
    book.save(made)
    with zipfile.ZipFile(made) as source, zipfile.ZipFile(plain, "w", zipfile.ZIP_DEFLATED) as target:
        for name in source.namelist():
            data = source.read(name)
            if name == "docProps/core.xml":
                data = _without_instant(data)
            target.writestr(zipfile.ZipInfo(name, ZIP_DATE), data, zipfile.ZIP_DEFLATED)
    return plain.getvalue()


def _without_instant(core: bytes) -> bytes:
    """Saving stamps the workbook as modified now."""
    import re

    return re.sub(rb"(<dcterms:modified[^>]*>)[^<]*", rb"\g<1>1980-01-01T00:00:00Z", core)


def connection_cells(connections: Sequence[Connection]) -> list[list[str]]:
    """Heading and lines of the firewall's list."""
    heading = ["from", "to", "address", "port", "protocol", "units", "connections", "writes"]
    lines = [
        [
            "Wherry",
            each.controller,
            each.host,
            str(each.port),
            each.protocol,
            ", ".join(map(str, each.units)),
            str(each.connections),
            "yes" if each.writes else "no, reads only",
        ]
        for each in connections
    ]
    return [heading, *lines]


PDF_COLUMNS: Final = (
    "place",
    "reference",
    "type",
    "name",
    "number_to_value",
    "unit",
    "range",
    "written_by",
    "transfer",
    "on_loss",
    "note",
)
"""Narrow enough for A4 on its side: the order stands with the type, the period with the transfer."""

BODY: Final = """\
#set page(paper: "a4", flipped: true, margin: (x: 14mm, top: 14mm, bottom: 16mm), footer: context [
  #set text(size: 8pt)
  #data.title #h(1fr) plan #data.plan, SHA-256 #raw(data.digest) #h(1fr)
  page #counter(page).display() of #counter(page).final().first()
])
= #data.title
#data.plan_title. #data.introduction

#caution(data.cautions)

== Registers and bits
#table(columns: (auto, auto, auto, 1.2fr, auto, auto, auto, auto, auto, 1fr, 2fr),
  table.header(..data.headings.map(each => strong(each))),
  ..data.rows.flatten().map(each => [#each]))
Places count from 0, as they travel; references count from 1. A number times and plus what stands under "number to
value" is the value in its unit.

== If Wherry stops
#for each in data.on_stop [- #each]

== Connections, for the firewall
#table(columns: data.connections.first().len(), table.header(..data.connections.first().map(each => strong(each))),
  ..data.connections.slice(1).flatten().map(each => [#each]))
Wherry opens each connection; nothing is opened towards it.

#if data.blocks.len() > 0 [
  == For this controller's program
  A function block for each transfer that ends here (IEC 61131-3, structured text). The programmer who is responsible
  for the controller reads it, adapts it and tries it out before it is used.
  #for each in data.blocks [
    === #each.name, for #raw(each.transfer)
    #raw(each.text, block: true)
  ]
]
#v(8mm)
#table(columns: (2fr, 2fr, 1fr), stroke: none, inset: (x: 0pt, y: 3pt),
  [Given to: #box(width: 1fr, line(length: 100%, stroke: 0.4pt))],
  [Signature: #box(width: 1fr, line(length: 100%, stroke: 0.4pt))],
  [Date: #box(width: 1fr, line(length: 100%, stroke: 0.4pt))])
"""


def pdf_data(
    plan: Plan, sheet: Sheet, connections: Sequence[Connection], blocks: tuple[Block, ...], digest: str
) -> dict[str, Any]:
    """What the PDF of one controller says."""
    controller = sheet.controller
    return {
        "title": f"Register sheet of {controller.name}",
        "plan_title": plan.title or "A plan without a title",
        "plan": plan.file.replace("\\", "/").rsplit("/", 1)[-1],
        "digest": digest,
        "introduction": (
            f"What Wherry reads from and writes to {controller.name} (unit {controller.unit} at {controller.host}, "
            f"port {controller.port}), for the programmer of that controller."
        ),
        "cautions": list(typeset.CAUTIONS),
        "headings": [HEADINGS[each] for each in PDF_COLUMNS],
        "rows": [_pdf_row(row.cells()) for row in sheet.rows],
        "on_stop": list(sheet.on_stop) or ["Nothing: the plan neither reads nor writes here."],
        "connections": [
            line for line in connection_cells(connections) if line[1] == "to" or controller.name in line[1].split(", ")
        ],
        "blocks": [{"name": each.name, "transfer": each.transfer.name, "text": each.text} for each in blocks],
    }


def _pdf_row(cells: dict[str, str]) -> list[str]:
    joined = dict(cells)
    joined["type"] = " ".join(filter(None, (cells["type"], cells["order"])))
    joined["transfer"] = ", every ".join(filter(None, (cells["transfer"], cells["period"])))
    return [joined[each] for each in PDF_COLUMNS]


def pdf_bytes(
    plan: Plan, sheet: Sheet, connections: Sequence[Connection], blocks: tuple[Block, ...], digest: str
) -> bytes:
    """The sheet of one controller as PDF."""
    return typeset.pdf(BODY, pdf_data(plan, sheet, connections, blocks, digest))
