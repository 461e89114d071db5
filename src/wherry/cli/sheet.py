"""``wherry sheet``: register sheets for the programmers of both sides, and the receiver's half as structured text."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Final

from cyclopts import Parameter

from wherry.cli import output
from wherry.cli.output import Exit
from wherry.cli.run import load_for_run
from wherry.cli.saving import save_whole
from wherry.errors import LocalError
from wherry.paper import sheet_files, typeset
from wherry.paper.sheet import THE_PROGRAM, Connection, Row, Sheet, connections_of, sheet_of
from wherry.paper.structured_text import Block, blocks_of
from wherry.plan.model import Plan

CONNECTIONS_FILE: Final = "connections.csv"
RESERVED: Final = re.compile(r"(?i)(con|prn|aux|nul|com\d|lpt\d)$")
"""Names that no file can have on Windows (common practice, no source)."""


def sheet_command(
    plan: Path,
    *,
    only: Annotated[list[str] | None, Parameter(negative=())] = None,
    save: Path | None = None,
    json: Annotated[bool, Parameter(negative=())] = False,
) -> int:
    """Show every register of a plan on each side, for the programmers of the controllers. Nothing is connected to.

    Answers 0 when all was shown or saved, 2 when the call or the plan is wrong.

    Parameters
    ----------
    plan
        The plan file.
    only
        The controllers to show; may be given several times. All of them unless said.
    save
        A folder for the files: for each controller a PDF, an XLSX and a CSV file, and an ST file with the receiver's
        half in structured text (IEC 61131-3); and the list of connections for the firewall.
    json
        Print one JSON document instead (its keys are in docs/sheet.md).
    """
    ready = load_for_run(plan)
    if ready is None:
        return Exit.WRONG_CALL
    names = chosen(ready, only)
    papers = Papers(
        ready,
        hashlib.sha256(plan.read_bytes()).hexdigest(),
        [sheet_of(ready, ready.controller(name)) for name in names],
        {name: blocks_of(ready, name) for name in names},
        connections_of(ready),
    )
    saved: list[str] = []
    if save is not None:
        typeset.require()
        saved = [each.name for each in save_whole(save, files_of(papers), what="nothing more")]
    if json:
        output.json_document(document(papers, saved))
        return Exit.OK
    if save is None:
        print_sheets(papers)
        output.sentence("With --save FOLDER they become PDF, XLSX, CSV and structured text (ST) files.")
    else:
        output.sentence(f"{output.plural(len(saved), 'file')} saved in {output.quoted(save)}: {', '.join(saved)}.")
    output.sentence(f"Cautions: {' '.join(typeset.CAUTIONS)}")
    return Exit.OK


@dataclass(frozen=True)
class Papers:
    """What is known of the sheets: worked out once for all files. ``digest`` is the plan file's SHA-256."""

    plan: Plan
    digest: str
    sheets: Sequence[Sheet]
    blocks: Mapping[str, tuple[Block, ...]]
    connections: Sequence[Connection]


def chosen(plan: Plan, only: Sequence[str] | None) -> list[str]:
    """The controllers that were asked for, in the order of the plan. LocalError for one that is not there."""
    names = [each.name for each in plan.controllers]
    for name in only or ():
        if name not in names:
            raise LocalError(f"the plan has no controller `{name}`: it has {', '.join(names) or 'none'}")
    return [name for name in names if not only or name in only]


# Files.


def files_of(papers: Papers) -> dict[str, bytes]:
    """Every file by its name. Made whole before the first is written."""
    files: dict[str, bytes] = {}
    for sheet in papers.sheets:
        name = sheet.controller.name
        stem = file_stem(name, files)
        files[f"{stem}.pdf"] = sheet_files.pdf_bytes(
            papers.plan, sheet, papers.connections, papers.blocks[name], papers.digest
        )
        files[f"{stem}.xlsx"] = sheet_files.xlsx_bytes(sheet, papers.connections)
        files[f"{stem}.csv"] = sheet_files.csv_bytes(sheet)
        if papers.blocks[name]:
            files[f"{stem}.st"] = (
                "\n".join(each.text for each in papers.blocks[name]).replace("\n", "\r\n").encode("ascii")
            )
    files[CONNECTIONS_FILE] = sheet_files.connections_csv(papers.connections)
    return files


def file_stem(name: str, taken: dict[str, bytes]) -> str:
    """A name of a controller as a file can have it on any system, unlike those before it."""
    stem = re.sub(r"[^A-Za-z0-9_-]+", "-", name).strip("-") or "controller"
    if RESERVED.match(stem) or stem.lower() == Path(CONNECTIONS_FILE).stem:
        stem = f"{stem}-controller"
    used = {Path(each).stem.lower() for each in taken}
    number, found = 2, stem
    while found.lower() in used:
        number, found = number + 1, f"{stem}-{number}"
    return found


# Shown.


def print_sheets(papers: Papers) -> None:
    """Two tables for each controller, and who talks to whom."""
    for sheet in papers.sheets:
        name = sheet.controller.name
        if not sheet.rows:
            output.sentence(f"{name}: the plan neither reads nor writes anything here.")
            continue
        read = [row for row in sheet.rows if row.written_by == THE_PROGRAM]
        print_rows(f"{name}: read by Wherry, written by {name} itself", read, with_loss=False)
        written = [row for row in sheet.rows if row.written_by != THE_PROGRAM]
        print_rows(f"{name}: written by Wherry", written, with_loss=True)
        for each in sheet.on_stop:
            output.data(output.paragraph(f"  {each}", hanging=4))
        output.data()
    lines = [
        (each.controller, each.host, str(each.port), each.protocol, "yes" if each.writes else "no")
        for each in papers.connections
    ]
    heads: list[tuple[str, output.Justify]] = [
        ("to", "left"),
        ("address", "left"),
        ("port", "right"),
        ("protocol", "left"),
        ("writes", "left"),
    ]
    output.table(heads, lines, title="connections, all opened by Wherry", shrink=(0, 1))


def print_rows(title: str, rows: Sequence[Row], *, with_loss: bool) -> None:
    """One table of places; nothing when there are none."""
    if not rows:
        return
    heads = ["place", "reference", "type", "name", "number to value", *(["on a loss"] if with_loss else [])]
    shown = []
    for row in rows:
        kind = " ".join(filter(None, (row.type, row.order)))
        value = " ".join(filter(None, (row.number_to_value, row.unit)))
        loss = row.on_loss.removeprefix("becomes ").replace("keeps its last value", "kept")
        shown.append((row.place, row.reference, kind, row.name, value, *([loss] if with_loss else [])))
    output.table([(each, "left") for each in heads], shown, title=title, shrink=(3, 4), drop=(4,))
    output.data()


def document(papers: Papers, saved: Sequence[str]) -> dict[str, Any]:
    """The JSON answer."""
    return {
        "plan": papers.plan.file,
        "title": papers.plan.title,
        "plan_sha256": papers.digest,
        "controllers": {
            each.controller.name: {
                "rows": [row.cells() for row in each.rows],
                "if_wherry_stops": list(each.on_stop),
                "structured_text": {block.name: block.text for block in papers.blocks[each.controller.name]},
            }
            for each in papers.sheets
        },
        "connections": [
            {
                "controllers": each.controller,
                "host": each.host,
                "port": each.port,
                "protocol": each.protocol,
                "units": list(each.units),
                "connections": each.connections,
                "writes": each.writes,
            }
            for each in papers.connections
        ],
        "cautions": list(typeset.CAUTIONS),
        "saved": list(saved),
        "exit_code": int(Exit.OK),
    }
