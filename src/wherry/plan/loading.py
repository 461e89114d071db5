"""Read a plan: the text, its data, its shape, its meaning."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from wherry.errors import PlanError
from wherry.findings import Finding
from wherry.limits import PLAN_BYTES_MAX
from wherry.plan.document import Document
from wherry.plan.files import read_bytes
from wherry.plan.model import Plan
from wherry.plan.resolve import resolve
from wherry.plan.resolve_profile import read_profiles
from wherry.plan.shape import examine
from wherry.plan.tables import put_lists_in
from wherry.plan.toml_errors import not_toml

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
        return Loaded(document, Plan("", (), (), file), (not_toml(broken, text, file),))
    document = Document(text, file, data, folder)
    findings = put_lists_in(document)
    table, shape_findings = examine(document.data)
    profiles, profile_findings = read_profiles(document, table)
    plan, meaning_findings = resolve(table, document.data, file, profiles)
    findings += shape_findings + profile_findings + meaning_findings
    located = sorted(map(document.locate, findings), key=_place)
    return Loaded(document, plan, tuple(located))


def _place(finding: Finding) -> tuple[str, int, int, str]:
    assert finding.span is not None
    return (finding.span.file, finding.span.line, finding.span.column, finding.name)
