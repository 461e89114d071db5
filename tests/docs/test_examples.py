"""Every plan that is shown or shipped is sound, as `wherry check` judges it."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from wherry.checks.check import check
from wherry.plan import load, loads

ROOT = Path(__file__).resolve().parents[2]
FENCE = re.compile(r"^```toml\n(.*?)^```$", re.DOTALL | re.MULTILINE)
EXAMPLES = sorted((ROOT / "examples").glob("*.toml"))


def shown_plans() -> list[tuple[str, str]]:
    """Each block of TOML in the documents that is a whole plan, by place."""
    found = []
    for path in (ROOT / "README.md", *sorted((ROOT / "docs").glob("*.md"))):
        if path.name == "findings.md":
            continue  # half of its plans are bad on purpose; tests/checks holds them against their pages
        text = path.read_text(encoding="utf-8")
        for match in FENCE.finditer(text):
            if "[controller." in match[1] and "[transfer." in match[1]:
                line = text.count("\n", 0, match.start()) + 1
                found.append((f"{path.relative_to(ROOT)}:{line}", match[1]))
    return found


SHOWN = shown_plans()


@pytest.mark.parametrize("path", EXAMPLES, ids=[each.name for each in EXAMPLES])
def test_examples_are_sound(path: Path) -> None:
    assert [(each.name, each.message) for each in check(load(path)) if each.level != "note"] == []


@pytest.mark.parametrize("text", [text for _, text in SHOWN], ids=[place for place, _ in SHOWN])
def test_plans_in_documents_are_sound(text: str) -> None:
    assert [(each.name, each.message) for each in check(loads(text)) if each.level == "error"] == []


def test_there_are_examples() -> None:
    assert EXAMPLES
    assert SHOWN
