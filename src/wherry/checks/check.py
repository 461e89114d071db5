"""Judge a loaded plan: the findings of reading it, and those of every rule, each with its place, sorted."""

from __future__ import annotations

from typing import TYPE_CHECKING

from wherry.checks.registry import all_rules
from wherry.checks.rule import Judged
from wherry.findings import Finding, Level

if TYPE_CHECKING:
    from wherry.plan import Loaded

LEVEL_ORDER = {Level.ERROR: 0, Level.WARNING: 1, Level.NOTE: 2}


def check(loaded: Loaded) -> tuple[Finding, ...]:
    """Every finding about a plan, located in its file and sorted by place; the plan may run if none is an error."""
    judged = Judged.of(loaded)
    findings = list(loaded.findings)
    for rule in all_rules():
        if rule.check is not None:
            findings.extend(rule.check(judged))
    located = [finding if finding.span else loaded.document.locate(finding) for finding in findings]
    located.sort(key=_place)
    return tuple(located)


def _place(finding: Finding) -> tuple[str, int, int, int, str, str]:
    span = finding.span
    if span is None:
        return ("", 0, 0, LEVEL_ORDER[finding.level], finding.name, finding.message)
    return (span.file, span.line, span.column, LEVEL_ORDER[finding.level], finding.name, finding.message)
