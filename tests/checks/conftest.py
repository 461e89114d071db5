"""Reading the examples: plan texts in which the line below a fault points at its place."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

import pytest

from wherry.checks.check import check
from wherry.findings import Finding
from wherry.plan import loads

MARK = re.compile(r"^#( *)(\^+)(?: ([a-z-]+))?$")


@dataclass(frozen=True, order=True)
class Mark:
    """A place that a plan text points at. ``name`` is empty where the mark does not say which finding it means."""

    line: int
    column: int
    column_end: int
    name: str = ""


def marks_in(text: str) -> list[Mark]:
    """Every mark: a comment line of carets below the line that it points into."""
    found: list[Mark] = []
    line_before = 0
    for number, line in enumerate(text.split("\n"), 1):
        match = MARK.match(line)
        if match is None:
            line_before = number
            continue
        column = 2 + len(match[1])
        found.append(Mark(line_before, column, column + len(match[2]), match[3] or ""))
    return found


def place_of(finding: Finding, name: str = "") -> Mark:
    assert finding.span is not None, f"{finding.name} has no place"
    return Mark(finding.span.line, finding.span.column, finding.span.column_end, name)


Judge = Callable[..., tuple[Finding, ...]]


@pytest.fixture
def judge(tmp_path: Path) -> Judge:
    """Every finding about a plan text, with the given files beside it."""

    def run(text: str, files: Mapping[str, str] | None = None) -> tuple[Finding, ...]:
        for name, content in (files or {}).items():
            (tmp_path / name).write_text(content, encoding="utf-8")
        return check(loads(text, file="plan.toml", beside=tmp_path))

    return run


@pytest.fixture
def marks() -> Callable[[str], list[Mark]]:
    return marks_in


@pytest.fixture
def place() -> Callable[..., Mark]:
    return place_of
