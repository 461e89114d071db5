"""Reading plan texts, and what a place in them shows."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from wherry.findings import Finding, Span
from wherry.plan import Loaded, loads

HEAD = """\
[controller.skid]
connect = "tcp://10.20.0.11"

[controller.hall]
connect = "tcp://10.20.0.12"

"""
WATER = """\
[transfer.water]
from = "skid"
to = "hall"
every = "200 ms"
"""


def cut(text: str, span: Span) -> str:
    """The piece of a text that a place covers."""
    lines = text.removeprefix("\ufeff").replace("\r\n", "\n").split("\n")
    if span.line == span.line_end:
        return lines[span.line - 1][span.column - 1 : span.column_end - 1]
    middle = lines[span.line : span.line_end - 1]
    return "\n".join(
        [lines[span.line - 1][span.column - 1 :], *middle, lines[span.line_end - 1][: span.column_end - 1]]
    )


@pytest.fixture
def cut_out() -> Callable[[str, Span], str]:
    return cut


Judge = Callable[..., tuple[str, str, Finding]]


@pytest.fixture
def only_finding() -> Judge:
    """The one finding of a text: its name, the text it points at, and the finding itself."""

    def judge(text: str) -> tuple[str, str, Finding]:
        loaded = loads(text)
        assert len(loaded.findings) == 1, [f"{each.name}: {each.message}" for each in loaded.findings]
        finding = loaded.findings[0]
        assert finding.span is not None
        return finding.name, cut(text, finding.span), finding

    return judge


@pytest.fixture
def with_values() -> Callable[..., str]:
    """A plan around the given values (or other keys) of one transfer."""

    def build(values: str = "", *, transfer: str = "", controllers: str = HEAD, more: str = "") -> str:
        listed = f"values = [\n{values}\n]\n" if values else ""
        return controllers + WATER + transfer + listed + more

    return build


@pytest.fixture
def read() -> Callable[[str], Loaded]:
    """A plan text that must be without findings."""

    def run(text: str) -> Loaded:
        loaded = loads(text)
        assert loaded.findings == (), [f"{each.name}: {each.message}" for each in loaded.findings]
        return loaded

    return run
