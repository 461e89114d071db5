"""How ``wherry check`` shows findings, requests and defaults: for people as text, for programs as plain data."""

from __future__ import annotations

import unicodedata
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import Any, Final

from wherry.checks.defaults import Default
from wherry.checks.load import Load
from wherry.checks.notation import percent, references
from wherry.checks.requests import RequestRow
from wherry.cli import output
from wherry.findings import Finding, Level, Span
from wherry.plan.durations import duration_text
from wherry.plan.model import Plan, reference_number

SHOWN_PER_NAME_MAX = 20
"""Findings of one name that are shown in full; a fault in a list of values repeats on every row."""
TAB_COLUMNS = 4
CARRIED_COLUMNS = 27

ERRORS_TOLD: Final = 5
STYLES = {Level.ERROR: "bold red", Level.WARNING: "bold yellow", Level.NOTE: "bold cyan"}

LineOf = Callable[[Span], str]
"""The first line of a place as it is in its file; empty if it cannot be shown."""


# Findings, for people.


def print_findings(findings: Sequence[Finding], line_of: LineOf) -> None:
    """Every finding with its place, like a compiler; the rest of a long row of equal ones is counted."""
    seen: Counter[str] = Counter()
    for finding in findings:
        seen[finding.name] += 1
        if seen[finding.name] <= SHOWN_PER_NAME_MAX:
            print_finding(finding, line_of)
    for name, count in seen.items():
        if count > SHOWN_PER_NAME_MAX:
            output.data(f"... and {count - SHOWN_PER_NAME_MAX:,} more of {name} (--json lists all)\n")


def print_finding(finding: Finding, line_of: LineOf) -> None:
    """One finding."""
    head = f"{finding.level}[{finding.name}]"
    if output.in_terminal():
        from rich.text import Text

        shown = output.lines_of(f"{head}: {finding.message}", hanging=2)
        output.console().print(Text.assemble((head, STYLES[finding.level]), shown[len(head) :]), soft_wrap=True)
    else:
        output.data(f"{head}: {finding.message}")
    for line in body(finding, line_of):
        output.data(line)
    output.data()


def body(finding: Finding, line_of: LineOf) -> list[str]:
    """What stands below the first line of a finding."""
    lines: list[str] = []
    margin = ""
    span = finding.span
    if span is not None:
        margin = " " * len(str(span.line))
        lines.append(f"{margin} --> {place(span)}")
        text = line_of(span)
        if text:
            shown, caret = pointed(text, span, output.width() - len(margin) - 3)
            lines += [f"{margin} |", f"{span.line} | {shown}".rstrip(), f"{margin} | {caret}"]
    for word, said in (("expected", finding.expected), ("found", finding.found), ("fix", finding.fix)):
        if said:
            lines.append(output.lines_of(f"{margin} = {word + ':':<9} {said}", hanging=len(margin) + 13))
    for related in finding.related:
        where = f": {place(related.span)}" if related.span is not None else ""
        lines.append(output.lines_of(f"{margin} = see:      {related.message}{where}", hanging=len(margin) + 13))
    return lines


def place(span: Span) -> str:
    """``plan.toml:14:52``."""
    return f"{span.file}:{span.line}:{span.column}"


def pointed(text: str, span: Span, width: int) -> tuple[str, str]:
    """A source line and the carets under the place, cut so that the place can be seen within ``width`` columns."""
    end = span.column_end - 1 if span.line_end == span.line else len(text)
    before, token = visible(text[: span.column - 1]), visible(text[span.column - 1 : end])
    after = visible(text[max(end, span.column - 1) :])
    room = width - columns(token)
    if columns(before) + columns(token) + columns(after) > width:
        if columns(token) > width - 8:
            token, after = token[: width - 8] + "...", ""
            room = 5
        keep = max(0, min(columns(before), room // 2 if columns(after) > room // 2 else room - columns(after) - 4))
        before = before if columns(before) <= keep else "..." + before[len(before) - max(0, keep - 3) :]
        left = width - columns(before) - columns(token)
        after = after if columns(after) <= left else after[: max(0, left - 3)] + "..."
    return before + token + after, " " * columns(before) + "^" * max(1, columns(token))


def visible(text: str) -> str:
    """The text with tabs as spaces and without anything that could disturb a terminal."""
    text = text.replace("\t", " " * TAB_COLUMNS)
    return text if text.isprintable() else "".join(each if each.isprintable() else "?" for each in text)


def columns(text: str) -> int:
    """How wide a text is on a screen."""
    if text.isascii():
        return len(text)
    wide = sum(unicodedata.east_asian_width(each) in "WF" for each in text)
    return len(text) + wide - sum(unicodedata.combining(each) != 0 for each in text)


def summary(file: str, plan: Plan, findings: Iterable[Finding]) -> str:
    """The one sentence at the end."""
    counts = Counter(finding.level for finding in findings)
    values = sum(len(each.values) for each in plan.transfers)
    what = (
        f"{output.plural(values, 'value')} of {output.plural(len(plan.transfers), 'transfer')} "
        f"between {output.plural(len(plan.controllers), 'controller')}"
    )
    said = [output.plural(counts[level], str(level)) for level in Level if counts[level]]
    listed = said[0] if len(said) == 1 else f"{', '.join(said[:-1])} and {said[-1]}" if said else ""
    if counts[Level.ERROR]:
        return f"{file} must not run: {listed} in {what}."
    return f"{file} is sound: {what}{f', with {listed}' if listed else ''}."


# Requests, for people.


def print_requests(rows: Sequence[RequestRow], loads: Iterable[Load]) -> None:
    """Every request of one period as a table, and what that asks of each controller."""
    output.table(
        (
            ("controller", "left"), ("request", "left"), ("numbers", "left"), ("count", "right"),
            ("carries", "left"), ("every", "right"),
        ),
        [
            (
                output.short(row.controller, 14), f"{'write' if row.is_write else 'read'} {row.span}",
                references(row.span), str(row.span.count), carried(row), duration_text(row.period_ns),
            )
            for row in rows
        ],
        shrink=(4, 0),
    )  # fmt: skip
    output.data()
    for load in loads:
        output.sentence(load_sentence(load))
    output.data()


def load_sentence(load: Load) -> str:
    """``hall: 15.0 requests a second, 5.2 ms each (assumed), utilisation 7.8 %``."""
    assumed = "" if load.controller.response.is_declared else " (assumed)"
    return (
        f"{load.controller.name}: {load.requests_per_s:.1f} requests a second, {load.busy_ms_per_request:.1f} ms each"
        f"{assumed}, utilisation {percent(load.utilisation)}"
    )


def carried(row: RequestRow) -> str:
    """The first value of a request, and how many more."""
    more = f" + {len(row.carries) - 1}" if len(row.carries) > 1 else ""
    return output.short(row.carries[0][1], CARRIED_COLUMNS - len(more)) + more


def print_defaults(found: Iterable[Default]) -> None:
    """Every default in use."""
    output.table((("where", "left"), ("default", "left"), ("holds", "left")), [(d.where, d.key, d.text) for d in found])
    output.data()


# For programs. The keys are documented in docs/check.md and stable.


def finding_data(finding: Finding) -> dict[str, Any]:
    """One finding as plain data."""
    return {
        "name": finding.name,
        "level": str(finding.level),
        "message": finding.message,
        **span_data(finding.span),
        "path": list(finding.path),
        "expected": finding.expected,
        "found": finding.found,
        "fix": finding.fix,
        "related": [
            {"message": each.message, **span_data(each.span), "path": list(each.path)} for each in finding.related
        ],
    }


def span_data(span: Span | None) -> dict[str, Any]:
    """A place as plain data; nulls where there is none."""
    return {
        "file": span.file if span else None,
        "line": span.line if span else None,
        "column": span.column if span else None,
        "line_end": span.line_end if span else None,
        "column_end": span.column_end if span else None,
    }


def request_data(row: RequestRow) -> dict[str, Any]:
    """One request as plain data."""
    return {
        "controller": row.controller,
        "action": "write" if row.is_write else "read",
        "function": row.function,
        "table": str(row.span.table),
        "address": row.span.start,
        "count": row.span.count,
        "number_first": reference_number(row.span.table, row.span.start),
        "number_last": reference_number(row.span.table, row.span.last),
        "period_ms": row.period_ns / 1e6,
        "carries": [{"transfer": transfer, "value": value} for transfer, value in row.carries],
    }


def load_data(load: Load) -> dict[str, Any]:
    """The load of one controller as plain data."""
    return {
        "requests_per_s": round(load.requests_per_s, 3),
        "busy_ms_per_request": round(load.busy_ms_per_request, 3),
        "response_is_declared": load.controller.response.is_declared,
        "utilisation": round(load.utilisation, 4),
    }


def default_data(default: Default) -> dict[str, Any]:
    """One default as plain data."""
    return {"where": default.where, "key": default.key, "holds": default.text}


def tell_errors(path: Path, errors: Sequence[Finding], nothing_was: str) -> None:
    """Say on stderr what is wrong with a plan that another command was given: the first few errors, and where."""
    for finding in errors[:ERRORS_TOLD]:
        place = f"{finding.span.file}:{finding.span.line}:{finding.span.column}: " if finding.span else ""
        output.error(f"{place}{finding.message} [{finding.name}]")
    output.error(
        f"{path} has {output.plural(len(errors), 'error')}: {nothing_was}", f"see: wherry check {output.quoted(path)}"
    )
