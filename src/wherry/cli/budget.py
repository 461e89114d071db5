"""``wherry budget``: can the plan be carried, how loaded is each controller, and how old can a value get?"""

from __future__ import annotations

import json as json_module
from pathlib import Path
from typing import Annotated, Any, Final

from cyclopts import Parameter

from wherry import drawing
from wherry.budget.advice import advise
from wherry.budget.document import advice_data, document
from wherry.budget.picture import pictures
from wherry.budget.room import room_data
from wherry.checks.check import check
from wherry.cli import budget_block, budget_view, output
from wherry.cli.check_view import tell_errors
from wherry.cli.output import Exit
from wherry.cli.saving import make_folder
from wherry.errors import LocalError
from wherry.findings import Level
from wherry.plan import load
from wherry.plan.document import Document
from wherry.plan.durations import duration_text
from wherry.plan.model import Plan
from wherry.timing.budget import Budget
from wherry.timing.budget import budget as budget_of
from wherry.timing.conditions import Measured, read_measured

ABOUT_TIME: Final = frozenset({"rate-unreachable", "period-unreachable"})
"""Findings that a budget is the answer to: a plan that has them is worth computing all the same."""
REPORT_FILE: Final = "budget.json"
TIMEOUT_SHARE: Final = 1.1
"""A reply can be read a little after its time, when the computer was held up."""
MEASURED_BYTES_MAX: Final = 64 * 1024 * 1024


def budget_command(
    plan: Path,
    *,
    measured: Path | None = None,
    save: Path | None = None,
    exchange_block: Annotated[list[str] | None, Parameter(negative=())] = None,
    force: Annotated[bool, Parameter(negative=())] = False,
    json: Annotated[bool, Parameter(negative=())] = False,
) -> int:
    """Compute whether a plan can be carried and how old its values get, before anything is wired.

    Answers 0 when everything is in time, 1 when something is late or over its limits, 2 when the call or the plan is
    wrong. Nothing is connected to.

    Parameters
    ----------
    plan
        The plan file.
    measured
        What `wherry run --json` printed: its response times take the place of those that the plan declares.
    save
        A folder for the whole document, and pictures of the requests and of the ages of values. With
        --exchange-block: for the plan with the new places, and the mapping from old places to new ones as CSV.
    exchange_block
        Propose a compact block in this controller, whose program you write, in place of the answer; NAME:1000 begins it
        at holding 1000. May be given several times.
    force
        With --exchange-block: write over files that are there already.
    json
        Print one JSON document instead (its keys are in docs/budget.md).
    """
    seen = None if measured is None else read_measured_file(measured)
    ready = load_for_budget(plan)
    if ready is None:
        return Exit.WRONG_CALL
    read, resolved = ready
    if seen is not None and not any(each.name in seen.responses for each in resolved.controllers):
        raise LocalError(
            f"{output.quoted(measured)} tells of no response of this plan's controllers: give what `wherry run --json` "
            "printed for this plan, when they had answered"
        )
    if seen is not None:
        refuse_overlong(seen, resolved, measured)
    if save is not None:
        if not exchange_block:
            drawing.require()
        make_folder(save)
    if exchange_block:
        return budget_block.exchange_block(
            read, resolved, exchange_block, seen, save=save, force=force, json=json, permitted=ABOUT_TIME
        )
    if force:
        raise LocalError("--force goes with --exchange-block only")
    found = budget_of(resolved, seen)
    answer: dict[str, Any] = document(found)
    answer["room"] = room_data(found)
    answer["advice"] = [advice_data(each) for each in advise(found)]
    code = Exit.OK if answer["is_in_time"] else Exit.NO
    answer["exit_code"] = int(code)
    if save is not None:
        save_all(save, answer, found)
    if json:
        output.json_document(answer)
    else:
        budget_view.print_report(answer, saved_in="" if save is None else str(save))
    return code


def refuse_overlong(seen: Measured, plan: Plan, file: Path | None) -> None:
    """LocalError when a reply is said to have taken longer than any is waited for."""
    for each in plan.controllers:
        found = seen.responses.get(each.name)
        if found is not None and found.worst_ns > TIMEOUT_SHARE * each.limits.timeout_ns:
            took, timeout = duration_text(found.worst_ns), duration_text(each.limits.timeout_ns)
            raise LocalError(
                f"{output.quoted(file or '')} says that {each.name} took {took} to answer, and no reply is waited for "
                f"longer than {timeout} (limits.timeout): give the record of a run of this plan"
            )


def save_all(folder: Path, answer: dict[str, Any], found: Budget) -> None:
    """The document and the pictures. LocalError when the disk does not take them."""
    text = json_module.dumps(answer, indent=1, ensure_ascii=False, allow_nan=False) + "\n"
    for name, data in {REPORT_FILE: text.encode("utf-8"), **pictures(found)}.items():
        try:
            (folder / name).write_bytes(data)
        except OSError as failed:
            raise LocalError(
                f"{output.quoted(folder / name)} cannot be written ({failed.strerror or failed})"
            ) from None


def load_for_budget(path: Path) -> tuple[Document, Plan] | None:
    """The plan, if nothing but its times may be wrong with it; else says what is."""
    loaded = load(path)
    errors = [each for each in check(loaded) if each.level is Level.ERROR and each.name not in ABOUT_TIME]
    if errors:
        tell_errors(path, errors, "nothing was computed")
        return None
    if not loaded.plan.transfers and not loaded.plan.commands:
        raise LocalError(f"{path} carries nothing: there is nothing to compute")
    return loaded.document, loaded.plan


def read_measured_file(path: Path) -> Measured:
    """The response times that a run has shown. LocalError when the file does not hold them."""
    try:
        with path.open("rb") as file:
            data = file.read(MEASURED_BYTES_MAX + 1)
    except OSError as failed:
        raise LocalError(f"{output.quoted(path)} cannot be read ({failed.strerror or failed})") from None
    if len(data) > MEASURED_BYTES_MAX:
        raise LocalError(f"{output.quoted(path)} is too long to be what `wherry run --json` prints")
    try:
        answer = json_module.loads(data)
    except (ValueError, RecursionError):
        raise LocalError(f"{output.quoted(path)} is not JSON: give what `wherry run --json` printed") from None
    if not isinstance(answer, dict):
        raise LocalError(f"{output.quoted(path)} is not what `wherry run --json` prints")
    return read_measured(answer)
