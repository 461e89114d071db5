"""Read a plan: the text, its data, its shape, its meaning."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from wherry.errors import PlanError
from wherry.findings import Finding, Level, Span
from wherry.limits import PLAN_BYTES_MAX
from wherry.plan.document import Document
from wherry.plan.files import read_bytes
from wherry.plan.model import Plan
from wherry.plan.resolve import resolve
from wherry.plan.shape import examine
from wherry.plan.tables import put_lists_in
from wherry.plan.wording import printable

BOM = "\ufeff"


@dataclass(frozen=True)
class Loaded:
    """A plan as read: the file with its places, the resolved plan, and what is wrong with the file, sorted by place."""

    document: Document
    plan: Plan
    findings: tuple[Finding, ...]


def load(path: str | Path) -> Loaded:
    """Read a plan file and the lists beside it.

    Raises PlanError only if the file itself cannot be read; whatever is wrong inside it is a finding.
    """
    path = Path(path)
    data = read_bytes(path, PLAN_BYTES_MAX, "the plan")
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError as broken:
        line = data.count(b"\n", 0, broken.start) + 1
        raise PlanError(
            f"{path}:{line}: the plan is not UTF-8 text (byte {data[broken.start]:#04x}); save it as UTF-8"
        ) from None
    return loads(text, str(path), path.parent)


def loads(text: str, file: str = "plan.toml", beside: str | Path | None = None) -> Loaded:
    """Read a plan from text. ``beside`` is the folder in which its lists lie; without it they are missing."""
    text = text.removeprefix(BOM).replace("\r\n", "\n")
    folder = None if beside is None else Path(beside)
    try:
        data: Mapping[str, Any] = tomllib.loads(text)
    except (ValueError, RecursionError) as broken:
        # ValueError: a number of thousands of digits; RecursionError: brackets in brackets without end.
        document = Document(text, file, {}, folder)
        return Loaded(document, Plan("", (), (), file), (_not_toml(broken, text, file),))
    document = Document(text, file, data, folder)
    findings = put_lists_in(document)
    table, shape_findings = examine(document.data)
    plan, meaning_findings = resolve(table, document.data, file)
    findings += shape_findings + meaning_findings
    located = sorted(map(document.locate, findings), key=_place)
    return Loaded(document, plan, tuple(located))


def _place(finding: Finding) -> tuple[str, int, int, str]:
    assert finding.span is not None
    return (finding.span.file, finding.span.line, finding.span.column, finding.name)


_AT = re.compile(r" \(at (?:line (\d+), column (\d+)|end of document)\)$")


def _not_toml(broken: Exception, text: str, file: str) -> Finding:
    """What the TOML reader says, with its place and in our manner."""
    message = str(broken)
    match = _AT.search(message)
    lines = text.split("\n")
    line, column = len(lines), len(lines[-1]) + 1
    if match is not None:
        message = message[: match.start()]
        if match[1]:
            line, column = int(match[1]), int(match[2])
    elif isinstance(broken, RecursionError):
        message, line, column = "brackets lie too deep inside one another", 1, 1
    else:
        message, line, column = "a number has too many digits", 1, 1
    message = printable(message[:1].lower() + message[1:])
    span = Span(file, line, column, line, column + 1)
    return Finding(
        "not-toml",
        Level.ERROR,
        f"the file cannot be read as TOML: {message}",
        (),
        expected="TOML",
        fix=_toml_fix(message, lines[line - 1] if line <= len(lines) else ""),
        span=span,
    )


def _toml_fix(message: str, line: str) -> str:
    """What to do about the usual mistakes."""
    if "overwrite" in message or "twice" in message or "duplicate" in message:
        return "each key and each table may be there once: take the second one away, or name it otherwise"
    if "'='" in message:
        return "write `key = value`, one to a line, or `[table]`"
    if "invalid value" in message:
        return 'put text in quotes: `every = "200 ms"`'
    if (
        "unclosed" in message
        or "unterminated" in message
        or "newline" in message
        or "illegal character '\\n'" in message
    ):
        return "close the quotes or brackets that are open on this line or before it"
    if "\\" in line and "escape" in message:
        return "write a backslash twice, or put the text in single quotes"
    return "mend the line; the rest of the file is read once it is"
