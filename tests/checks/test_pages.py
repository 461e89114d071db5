"""Every rule has a page; its bad example gives exactly that finding at that place, its good one none of it."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from wherry.checks.pages import HEADINGS, example, explain, reference, sections
from wherry.checks.registry import all_rules, find_rule, nearest_name
from wherry.checks.rule import Rule
from wherry.findings import Finding, Level

RULES = all_rules()
ROOT = Path(__file__).parents[2]

SHAPE_NAMES = {
    "not-toml", "unknown-key", "missing-key", "wrong-kind", "bad-duration", "bad-address", "ambiguous-number",
    "address-outside-table", "width-mismatch", "copy-length-differs", "unknown-controller", "bad-connect", "bad-value",
    "missing-file", "broken-row", "duplicate-name",
}  # fmt: skip

UNTOLD = "storage-unknown"
"""The short examples leave `storage` out, of which every plan is warned; only that rule's own page declares it."""

IN_FILES_BESIDE = {"broken-row": ("tanks.csv", 3, 36)}
"""Places that no mark in the plan can point at: they lie in a file beside it."""


def by_name(rule: Rule) -> str:
    return rule.name


@pytest.mark.parametrize("rule", RULES, ids=by_name)
def test_a_page_has_the_fixed_headings(rule: Rule) -> None:
    parts = sections(rule)
    assert tuple(parts) == HEADINGS
    assert all(parts.values())
    assert rule.summary
    assert rule.summary[0] not in "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
    assert not rule.summary.endswith(".")
    assert max(map(len, rule.page.split("\n"))) <= 120


@pytest.mark.parametrize("rule", RULES, ids=by_name)
def test_the_bad_example_gives_exactly_this_finding_at_its_place(
    rule: Rule, judge: Callable[..., tuple[Finding, ...]], marks: Any, place: Any
) -> None:
    bad = example(rule, "Bad")
    findings = judge(bad.text, bad.files)
    mine = [finding for finding in findings if finding.name == rule.name]
    assert [each.level for each in mine] == [rule.level] * len(mine)
    if rule.name in IN_FILES_BESIDE:
        spans = [each.span for each in mine]
        assert [(Path(each.file).name, each.line, each.column) for each in spans if each] == [
            IN_FILES_BESIDE[rule.name]
        ]
    else:
        assert [place(each) for each in mine] == marks(bad.text)
    assert len(mine) == 1
    others = [each for each in findings if each.name not in (rule.name, UNTOLD) and each.level is not Level.NOTE]
    assert others == [], "the example should show one fault"


@pytest.mark.parametrize("rule", RULES, ids=by_name)
def test_the_good_example_gives_none_of_it(rule: Rule, judge: Callable[..., tuple[Finding, ...]]) -> None:
    good = example(rule, "Good")
    findings = judge(good.text, good.files)
    assert rule.name not in {finding.name for finding in findings}
    assert [each for each in findings if each.level is not Level.NOTE and each.name != UNTOLD] == []


@pytest.mark.parametrize("rule", RULES, ids=by_name)
def test_every_finding_says_what_to_do(rule: Rule, judge: Callable[..., tuple[Finding, ...]]) -> None:
    bad = example(rule, "Bad")
    for finding in judge(bad.text, bad.files):
        assert finding.message[0].islower() or not finding.message[0].isalpha()
        assert not finding.message.endswith(".")
        assert finding.fix
        assert finding.expected or finding.found
        assert all(each.span is not None for each in finding.related), "a related place has a place"


def test_the_reference_is_in_step() -> None:
    text = (ROOT / "docs" / "findings.md").read_text(encoding="utf-8")
    assert text == reference(RULES), "run: python -m wherry.checks.pages docs/findings.md"


def test_names_are_unique_and_findings_of_reading_have_pages() -> None:
    names = [rule.name for rule in RULES]
    assert len(set(names)) == len(names)
    assert set(names) >= SHAPE_NAMES
    assert {rule.name for rule in RULES if rule.check is None} == SHAPE_NAMES


def test_nearest_name() -> None:
    assert nearest_name("range_los") == "range-loss"
    assert nearest_name("qqqqqqqq") == ""
    rule = find_rule("range-loss")
    assert rule is not None
    assert explain(rule).startswith("range-loss (error): ")
