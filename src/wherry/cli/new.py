"""``wherry new``: write a commented starter plan."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Annotated

from cyclopts import Parameter

from wherry.cli import output
from wherry.cli.output import Exit
from wherry.errors import PlanError
from wherry.findings import Finding
from wherry.limits import PERIOD_NS_MAX, PERIOD_NS_MIN
from wherry.plan import loads
from wherry.plan.connect import parse_connect
from wherry.plan.durations import duration_text, parse_duration
from wherry.plan.starter import Answers, starter, toml_string

FINDINGS_SHOWN_MAX = 5


def new_command(
    file: Path,
    *,
    from_csv: Path | None = None,
    force: Annotated[bool, Parameter(negative=())] = False,
) -> int:
    """Write a commented starter plan. In a terminal it asks for names, addresses and the period.

    Parameters
    ----------
    file
        The plan to write, for example water.toml.
    from_csv
        A CSV (or XLSX) list of values with the columns name, take and put; the plan will refer to it.
    force
        Write over a file that is there already.
    """
    if file.exists() and not force:
        output.error(f"{file} is there already, and was not touched", "give another name, or --force to write over it")
        return Exit.WRONG_CALL
    answers = Answers(values_file=_beside(from_csv, file) if from_csv else "")
    if sys.stdin.isatty() and output.in_terminal():
        try:
            answers = ask(answers, input)
        except EOFError:
            output.error("the questions were not answered: nothing was written")
            return Exit.WRONG_CALL
    text = starter(answers)
    loaded = loads(text, str(file), file.parent)
    if loaded.findings:
        _refuse(from_csv or file, file, loaded.findings)
        return Exit.WRONG_CALL
    _write(file, text, force=force)
    count = sum(len(transfer.values) for transfer in loaded.plan.transfers)
    output.data(f"wrote {file}: {answers.source} to {answers.destination}, {output.plural(count, 'value')}")
    output.data(f"change what is an example in it, then: wherry check {output.quoted(file)}")
    return Exit.OK


def ask(answers: Answers, read: Callable[[str], str]) -> Answers:
    """Ask for each part of a first plan; an empty answer takes the default. EOFError if nobody answers."""
    title = _asked("What is the plan for?", answers.title, _title, read)
    source = _asked("Name of the controller that values are taken from", answers.source, _name, read)
    source_connect = _asked(f"Address of {source}", answers.source_connect, _connect, read)
    destination = _asked("Name of the controller that they are put into", answers.destination, _name_but(source), read)
    destination_connect = _asked(f"Address of {destination}", answers.destination_connect, _connect, read)
    every = _asked("How often? The period", answers.every, _period, read)
    return Answers(title, source, source_connect, destination, destination_connect, every, answers.values_file)


def _asked(question: str, default: str, good: Callable[[str], str], read: Callable[[str], str]) -> str:
    """The answer to one question; asked again until it is a good one."""
    while True:
        answer = read(f"{question} [{default}]: ").strip() or default
        try:
            return good(answer)
        except PlanError as wrong:
            output.talk(f"  {wrong}")


def _title(answer: str) -> str:
    if not answer.isprintable():
        raise PlanError("the title holds a character that cannot be printed")
    return answer


def _name(answer: str) -> str:
    plan = loads(f"[controller.{toml_string(answer)}]\nconnect = 'tcp://127.0.0.1'\n")
    wrong = [finding for finding in plan.findings if finding.path[:1] == ("controller",)]
    if wrong or not plan.plan.controllers:
        raise PlanError(wrong[0].message if wrong else f"`{answer}` is no name")
    return answer


def _name_but(other: str) -> Callable[[str], str]:
    def good(answer: str) -> str:
        if answer == other:
            raise PlanError(f"`{answer}` is the name of the other one")
        return _name(answer)

    return good


def _connect(answer: str) -> str:
    connect = answer if "://" in answer else f"tcp://{answer}"
    parse_connect(connect)
    return connect


def _period(answer: str) -> str:
    if not PERIOD_NS_MIN <= parse_duration(answer) <= PERIOD_NS_MAX:
        raise PlanError(f"a period is from {duration_text(PERIOD_NS_MIN)} to {duration_text(PERIOD_NS_MAX)}")
    return answer


def _beside(list_file: Path, plan: Path) -> str:
    """The list's name as the plan must write it: relative to the plan, with slashes."""
    try:
        return Path(os.path.relpath(list_file, plan.parent)).as_posix()
    except ValueError:  # another drive
        return list_file.absolute().as_posix()


def _refuse(file: Path, plan: Path, findings: tuple[Finding, ...]) -> None:
    """Say what is wrong with the list."""
    for finding in findings[:FINDINGS_SHOWN_MAX]:
        assert finding.span is not None
        span = finding.span
        # The plan is not written yet: a place in it would lead nowhere.
        place = "" if span.file == str(plan) else f"{span.file}:{span.line}:{span.column}: "
        output.error(f"{place}{finding.message} [{finding.name}]", finding.fix)
    more = len(findings) - FINDINGS_SHOWN_MAX
    and_more = f" (and {more} more)" if more > 0 else ""
    output.error(f"{file} has {output.plural(len(findings), 'fault')}{and_more}: nothing was written")


def _write(file: Path, text: str, *, force: bool) -> None:
    """Write the plan; a file that has come to be in the meantime is not written over without ``force``."""
    if file.is_dir():
        raise PlanError(f"{file} is a folder; give the name of a file in it, for example {file / 'water.toml'}")
    if not file.parent.is_dir():
        raise PlanError(f"the folder {file.parent} does not exist: nothing was written; make it first")
    try:
        if not force:
            with file.open("xb") as opened:
                opened.write(text.encode("utf-8"))
            return
        beside = file.with_name(f".{file.name}.new")
        beside.write_bytes(text.encode("utf-8"))
        beside.replace(file)
    except (OSError, ValueError) as failed:  # ValueError: a name that no system could have
        raise PlanError(f"{file} cannot be written: {getattr(failed, 'strerror', None) or failed}") from None
