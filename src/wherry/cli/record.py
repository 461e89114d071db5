"""``wherry record``: what a record holds, whether it is whole, and the digest that stands for it."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, Any, Final

from cyclopts import Parameter

from wherry.cli import output
from wherry.cli.output import Exit
from wherry.clock import wall_time_text
from wherry.errors import LocalError
from wherry.record.entries import Entry, Kind
from wherry.record.figures import Session, sessions
from wherry.record.file import RecordFile
from wherry.record.reading import DamagedError, Record, Verdict
from wherry.record.seal import SealState, look

SESSIONS_SHOWN: Final = 10

WRITERS: Sequence[tuple[str, output.Justify]] = (
    ("entry", "right"), ("command", "left"), ("on", "left"), ("began", "left"), ("lasted", "right"),
    ("events", "right"), ("ended", "left"),
)  # fmt: skip
CARRIED: Sequence[tuple[str, output.Justify]] = (
    ("transfer", "left"), ("scheduled", "right"), ("delivered", "right"), ("skipped", "right"), ("failed", "right"),
    ("age p50\nms", "right"), ("age p99\nms", "right"), ("age max\nms", "right"), ("Good\ns", "right"),
    ("Uncertain\ns", "right"), ("Bad\ns", "right"),
)  # fmt: skip


def record_command(
    record: Path,
    *,
    verify: Annotated[bool, Parameter(negative=())] = False,
    head: Annotated[bool, Parameter(negative=())] = False,
    seal: Annotated[bool, Parameter(negative=())] = False,
    json: Annotated[bool, Parameter(negative=())] = False,
) -> int:
    """Tell what a record holds. Changes nothing, but for --seal.

    Parameters
    ----------
    record
        The file that --record of another command wrote.
    verify
        See whether anything was changed since it was written: answers 0 if not, 1 if so, or if it was not closed.
    head
        Print only the number and the digest of the last entry, which stand for the whole record: to be signed.
    seal
        Close a record whose command was killed, so that it can be verified as a whole.
    json
        Print one JSON document, and nothing else on stdout.
    """
    if seal:
        close_afterwards(record)
    try:
        opened = Record(record)
    except DamagedError as damaged:
        if not verify:
            raise
        verdict = Verdict((str(damaged),), SealState.BROKEN, 0, bytes(32), ())
        return tell_damaged(record, verdict, json=json)
    with opened:
        if head and not verify and not json:
            number, digest = opened.head
            output.data(f"{number} {digest.hex()}")
            return Exit.OK
        return tell(opened, verify=verify, json=json)


def tell(record: Record, *, verify: bool, json: bool) -> int:
    """Print what is in it, or what does not fit."""
    verdict = None
    if verify:
        with output.progress("verifying") as on_progress:
            verdict = record.verify(on_progress)
        if verdict.troubles:
            return tell_damaged(record.path, verdict, json=json)
    try:
        found = sessions(record.entries())
    except (KeyError, TypeError, ValueError, AttributeError) as broken:
        raise LocalError(f"{record.path} does not hold what a record holds ({broken}); see --verify") from None
    if verdict is not None:
        troubles = [each for session in found for each in session.contradictions(verdict.gaps)]
        if troubles:
            verdict = Verdict(tuple(troubles), verdict.seal, verdict.number, verdict.head, verdict.gaps)
            return tell_damaged(record.path, verdict, json=json)
    number, digest = record.head
    code = Exit.NO if verdict is not None and not verdict.is_whole else Exit.OK
    answer: dict[str, Any] = {
        "record": str(record.path),
        "entries": number,
        "head": digest.hex(),
        "seal": record.seal.value,
        "is_verified": None if verdict is None else verdict.is_whole,
        "troubles": [],
        "sessions": [each.figures() for each in found],
        "exit_code": int(code),
    }
    if json:
        output.json_document(answer)
    else:
        print_answer(answer, found, verdict)
    return code


def close_afterwards(path: Path) -> None:
    """Write down that the command did not end by itself, and seal the record, unless it is sealed already.

    LocalError when that cannot be done.
    """
    if not path.is_file():
        raise LocalError(f"there is no record {path}")
    try:
        if look(path) is SealState.WHOLE:
            return
        file = RecordFile(path)
        file.append([Entry(Kind.NOTE, 0, wall_time_text(), {"note": "closed afterwards: its command had not done so"})])
        is_sealed = file.close()
    except OSError as failed:
        raise LocalError(f"{path} cannot be sealed: {failed}") from None
    if not is_sealed:
        raise LocalError(f"{path} cannot be sealed while somebody reads it")


def tell_damaged(path: Path, verdict: Verdict, *, json: bool) -> int:
    """Say what does not fit."""
    if json:
        answer = {
            "record": str(path),
            "entries": verdict.number,
            "head": verdict.head.hex(),
            "seal": verdict.seal.value,
            "is_verified": False,
            "troubles": list(verdict.troubles),
            "sessions": [],
            "exit_code": int(Exit.NO),
        }
        output.json_document(answer)
    else:
        output.data(f"{path} IS NOT AS IT WAS WRITTEN:")
        for each in verdict.troubles:
            output.sentence(f"  {each}")
    return Exit.NO


def print_answer(answer: dict[str, Any], found: Sequence[Session], verdict: Verdict | None) -> None:
    """For people."""
    output.data(f"{answer['record']}: {output.plural(answer['entries'], 'entry', 'entries')}, {state_text(answer)}")
    output.data(f"head: {answer['entries']} {answer['head']}")
    if verdict is not None and verdict.gaps:
        gone = sum(gap.last - gap.first + 1 for gap in verdict.gaps)
        output.sentence(f"{output.plural(gone, 'entry', 'entries')} of them were taken out to keep it small.")
    if any(each["is_simulated"] for each in answer["sessions"]):
        output.sentence("Parts of it were written on simulated controllers: see the column `on`.")
    shown = answer["sessions"][-SESSIONS_SHOWN:]
    if len(shown) < len(answer["sessions"]):
        output.data(f"\nThe last {len(shown)} of {len(answer['sessions'])} commands that wrote into it:")
    output.data()
    output.table(WRITERS, [writer_row(each) for each in shown], shrink=(3,))
    if not shown or not shown[-1]["transfers"]:
        return
    output.data(f"\nWhat the last one carried ({shown[-1]['by']}):\n")
    rows = [carried_row(name, each) for name, each in shown[-1]["transfers"].items()]
    output.table(CARRIED, rows, shrink=(0,), drop=(9,))
    for fault in found[-1].closed.data.get("rehearsal", {}).get("broken", []) if found[-1].closed else []:
        output.sentence(f"broken: {fault['bound']}, {fault['subject']}: {fault['message']}")


def state_text(answer: dict[str, Any]) -> str:
    """Whether it is closed, and whether that was looked into."""
    if answer["seal"] == SealState.OPEN:
        return "NOT CLOSED: it is being written, or its command was killed (see --seal)" + (
            "; nothing was changed in what is there" if answer["is_verified"] is not None else ""
        )
    if answer["seal"] == SealState.BROKEN:
        return "CHANGED AFTER IT WAS CLOSED (see --verify)"
    if answer["is_verified"] is None:
        return "closed (see --verify)"
    return "closed, and nothing was changed since"


def writer_row(session: dict[str, Any]) -> list[str]:
    """One command that wrote."""
    return [
        str(session["number"]),
        session["by"],
        "simulated" if session["is_simulated"] else "site",
        session["opened_utc"] or "in virtual time",
        f"{session['duration_s']:,.1f} s",
        f"{sum(session['events'].values()):,}",
        "closed" if session["is_closed"] else "not closed",
    ]


def carried_row(name: str, seen: dict[str, Any]) -> list[str]:
    """One transfer."""
    skipped = seen["skipped_overrun"] + seen["skipped_unarmed"] + seen["skipped_waiting"]
    ages = ("-" if each is None else f"{each:,.1f}" for each in seen["age_ms"].values())
    counts = (seen["scheduled"], seen["delivered"], skipped, seen["failed"])
    times = (seen[f"{each}_s"] for each in ("good", "uncertain", "bad"))
    return [name, *(f"{each:,}" for each in counts), *ages, *(f"{each:,.1f}" for each in times)]
