"""The cases beside this file: plan texts with the findings of one rule marked in them.

A case is a heading and a TOML block. A block without ``[controller`` is put behind two plain controllers, one without
``[transfer`` into a plain transfer between them. A mark says which place is meant; the rule is the file's name.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from wherry.checks.registry import find_rule
from wherry.findings import Finding

CASES = Path(__file__).parent / "cases"
CONTROLLERS = """\
[controller.skid]
connect = "tcp://10.20.0.11"
[controller.hall]
connect = "tcp://10.20.0.12"
"""
TRANSFER = """\
[transfer.water]
from = "skid"
to = "hall"
every = "200 ms"
on_loss = "hold"
"""


def cases() -> Iterator[Any]:
    for file in sorted(CASES.glob("*.md")):
        for title, text in re.findall(r"^## (.+?)\n\n```toml\n(.*?)^```$", file.read_text(), re.MULTILINE | re.DOTALL):
            yield pytest.param(file.stem, text, id=f"{file.stem}: {title}")


def whole(text: str) -> str:
    if "[transfer" not in text:
        text = TRANSFER + text
    return text if "[controller" in text else CONTROLLERS + text


@pytest.mark.parametrize(("name", "text"), list(cases()))
def test_case(name: str, text: str, judge: Callable[..., tuple[Finding, ...]], marks: Any, place: Any) -> None:
    plan = whole(text)
    found = [place(each) for each in judge(plan) if each.name == name]
    assert found == sorted(marks(plan))


def test_every_rule_with_cases_exists() -> None:
    assert all(find_rule(file.stem) for file in CASES.glob("*.md"))
