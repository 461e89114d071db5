"""The pages of the rules: their fixed headings, their examples, and the reference that is made of all of them."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass

from wherry.checks.registry import all_rules
from wherry.checks.rule import Rule

HEADINGS = ("What it finds", "Why it matters", "Bad", "Good", "How to mend it")

_BLOCK = re.compile(r"^```(\w+)(?: (\S+))?\n(.*?)^```$", re.MULTILINE | re.DOTALL)
_HEADING = re.compile(r"^### (.+)$", re.MULTILINE)

INTRODUCTION = """\
# Findings

What `wherry check` can find in a plan. `wherry check --explain NAME` prints one entry. This page is generated from the
rules themselves: `python -m wherry.checks.pages docs/findings.md`. A name is stable: it never comes to mean something
else.

* An **error** means that the plan must not run: `check` answers 1 and `run` refuses to start.
* A **warning** means that it runs, and that somebody should look at it first.
* A **note** tells what follows from the plan and is easily overlooked.

In the bad examples the line below the fault points at the place that is reported.
"""


@dataclass(frozen=True)
class Example:
    """A plan as a page shows it, with the files that lie beside it."""

    text: str
    files: dict[str, str]


def sections(rule: Rule) -> dict[str, str]:
    """The text under each heading of a page, in order."""
    parts = _HEADING.split(rule.page)
    return {heading: text.strip() for heading, text in zip(parts[1::2], parts[2::2], strict=True)}


def example(rule: Rule, heading: str) -> Example:
    """The plan under a heading (``Bad`` or ``Good``): the TOML block, and named blocks as files."""
    blocks = _BLOCK.findall(sections(rule)[heading])
    plans = [text for language, name, text in blocks if language == "toml" and not name]
    assert len(plans) == 1, f"one plan under {heading} of {rule.name}"
    return Example(plans[0], {name: text for _, name, text in blocks if name})


def explain(rule: Rule) -> str:
    """One page, as it is printed."""
    return f"{rule.name} ({rule.level}): {rule.summary}\n\n{rule.page.strip()}"


def reference(rules: Iterable[Rule]) -> str:
    """The text of ``docs/findings.md``."""
    rules = list(rules)
    lines = [INTRODUCTION, "| finding | level | |", "| --- | --- | --- |"]
    lines += [f"| [{rule.name}](#{rule.name}) | {rule.level} | {rule.summary} |" for rule in rules]
    parts = ["\n".join(lines)]
    parts += [f"## {rule.name}\n\n{rule.level}: {rule.summary}.\n\n{rule.page.strip()}" for rule in rules]
    return "\n\n".join(parts) + "\n"


if __name__ == "__main__":
    import sys
    from pathlib import Path

    Path(sys.argv[1]).write_text(reference(all_rules()), encoding="utf-8")
