"""``wherry report``: what a record shows, as one HTML file and one PDF."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

from cyclopts import Parameter

from wherry.cli import output
from wherry.cli.output import Exit
from wherry.cli.saving import save_whole
from wherry.errors import LocalError
from wherry.paper import report_html, report_pdf
from wherry.paper.report import report
from wherry.paper.report_pages import pages
from wherry.record.figures import Session, sessions
from wherry.record.reading import Record


def report_command(
    record: Path,
    *,
    session: int | None = None,
    save: Path | None = None,
    json: Annotated[bool, Parameter(negative=())] = False,
) -> int:
    """Write a report of a record: one HTML file and one PDF. The same record gives the same files, byte by byte.

    Answers 0 when no criterion of the plan was broken, 1 when one was, 2 when the record cannot be used.

    Parameters
    ----------
    record
        The file that `wherry run` or `wherry rehearse --record` wrote.
    session
        Which command's part of it, by the number that `wherry record` shows as entry; the last one unless said.
    save
        The folder for the two files; beside the record unless said.
    json
        Print the whole report as one JSON document, and write no files.
    """
    with Record(record) as opened:
        with output.progress("verifying") as on_progress:
            verdict = opened.verify(on_progress)
        if verdict.troubles:
            raise LocalError(f"{record} is not as it was written ({verdict.troubles[0]}): nothing is reported from it")
        found = read_sessions(opened)
        document = report(opened, chosen(found, session, record), found)
    code = Exit.NO if any(each["result"] == "NOT kept" for each in document["criteria"]) else Exit.OK
    document["exit_code"] = int(code)
    if json:
        output.json_document(document)
        return code
    files = save_files(document, record, save or record.parent)
    output.data(f"{document['title']}: {document['kind']}")
    for each in document["summary"]:
        output.sentence(f"  {each}")
    for each in document["not_tested"]:
        output.sentence(f"  Not tested: {each}")
    output.sentence(f"Saved: {', '.join(output.quoted(each) for each in files)}.")
    return code


def read_sessions(opened: Record) -> list[Session]:
    """What each command wrote. LocalError when entries do not hold what they should."""
    try:
        return sessions(opened.entries())
    except (KeyError, TypeError, ValueError, AttributeError) as broken:
        raise LocalError(f"{opened.path} does not hold what a record holds ({broken}); see --verify") from None


def chosen(found: list[Session], number: int | None, record: Path) -> Session:
    """The session that was asked for. LocalError when it is not there."""
    if not found:
        raise LocalError(f"{record} holds nothing that a command wrote: there is nothing to report")
    if number is None:
        return found[-1]
    for each in found:
        if each.opened.number == number:
            return each
    numbers = ", ".join(str(each.opened.number) for each in found[-20:])
    raise LocalError(f"no command of {record} began with entry {number}: there are {numbers}")


def save_files(document: dict[str, Any], record: Path, folder: Path) -> list[Path]:
    """Write both files, each whole or not at all. LocalError when the disk does not take them."""
    printed = pages(document)
    made = {
        "html": report_html.html(printed),
        "pdf": report_pdf.pdf(printed, document["record"]["head"]),
    }
    names = {f"{record.stem}.report.{ending}": data for ending, data in made.items()}
    return save_whole(folder, names, what="no report")
