"""Places are right to the column: whatever is pointed at reads as the very value that is meant."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wherry.findings import Path, Span
from wherry.plan.document import Document
from wherry.plan.positions import Positions, string_starts

Cut = Callable[[str, Span], str]

TEXT = """\
title = "é∑😀" # a comment with "quotes" é
top.dotted.key = 1

[controller.skid]
connect\t=\t'tcp://x'
"quoted key" = 2
limits = { read = 3, gap.x = 4, "wri te" = [ 5, { deep = 6 } ] }

[[transfer.water.values]]
name = "a"
[[transfer.water.values]]
name = "b" # c
take = \"\"\"
holding 0\"\"\"
[transfer.water]
list = [
  1, # one
  # nothing
  2,
  { "é" = "ü", b = "x\\u00e9y" },
]
[transfer.'lit.eral'.sub]
x = 7
"""


@pytest.mark.parametrize(
    ("path", "value", "key"),
    [
        (("title",), '"é∑😀"', "title"),
        (("top", "dotted", "key"), "1", "key"),
        (("controller", "skid", "connect"), "'tcp://x'", "connect"),
        (("controller", "skid", "quoted key"), "2", '"quoted key"'),
        (("controller", "skid", "limits", "read"), "3", "read"),
        (("controller", "skid", "limits", "gap", "x"), "4", "x"),
        (("controller", "skid", "limits", "wri te", 0), "5", "5"),
        (("controller", "skid", "limits", "wri te", 1, "deep"), "6", "deep"),
        (("controller", "skid", "limits", "wri te"), "[ 5, { deep = 6 } ]", '"wri te"'),
        (("transfer", "water", "values", 0, "name"), '"a"', "name"),
        (("transfer", "water", "values", 1, "name"), '"b"', "name"),
        (("transfer", "water", "values", 1, "take"), '"""\nholding 0"""', "take"),
        (("transfer", "water", "list", 1), "2", "2"),
        (("transfer", "water", "list", 2, "é"), '"ü"', '"é"'),
        (("transfer", "lit.eral", "sub", "x"), "7", "x"),
        # a table stands where its name does
        (("controller",), "controller", "controller"),
        (("controller", "skid"), "skid", "skid"),
        (("transfer", "water"), "water", "water"),
        (("transfer", "water", "values", 1), "values", "values"),
        (("top", "dotted"), "dotted", "dotted"),
        # what is not written stands where the nearest thing around it does
        (("controller", "skid", "unit"), "skid", "skid"),
        (
            ("controller", "skid", "limits", "write"),
            '{ read = 3, gap.x = 4, "wri te" = [ 5, { deep = 6 } ] }',
            "limits",
        ),
        (("transfer", "water", "list", 9), None, "list"),
        (("nothing", "at", "all"), "", ""),
        ((), "", ""),
    ],
)
def test_each_node_has_its_place(path: Path, value: str | None, key: str, cut_out: Cut) -> None:
    positions = Positions(TEXT, "plan.toml")
    if value is not None:
        assert cut_out(TEXT, positions.span(path)) == value
    assert cut_out(TEXT, positions.span(path, on_key=True)) == key


@pytest.mark.parametrize(
    ("source", "offset", "pointed"),
    [
        ('"holding 0 floot32"', (10, 17), "floot32"),
        ("'holding 0 floot32'", (10, 17), "floot32"),
        ('"\\u00e9\\té x"', (4, 5), "x"),
        ('"\\u00e9\\té x"', (0, 1), "\\u00e9"),
        ('"\\u00e9\\té x"', (1, 2), "\\t"),
        ("'''\n\nabc'''", (1, 2), "a"),
        ('"""\nab\\\n   \n  cd"""', (2, 4), "cd"),
        ('"""a\\"b"""', (1, 2), '\\"'),
        ('"😀 é x"', (4, 5), "x"),
        ('"abc"', (3, 3), ""),
        ('"abc"', (7, 9), ""),
        ('""', (0, 0), ""),
    ],
)
def test_a_part_of_a_string_has_its_place(source: str, offset: tuple[int, int], pointed: str, cut_out: Cut) -> None:
    text = f"a = 1\n  'é'.b\t= [ 'ä', {source} ] # x"
    span = Positions(text, "plan.toml").span(("é", "b", 1), offset=offset)
    assert cut_out(text, span) == pointed


def test_columns_count_characters_and_a_tab_is_one() -> None:
    document = Document("\t\"é\"\t= 'ü😀' # x", "plan.toml", {})
    assert document.span(("é",)) == Span("plan.toml", 1, 8, 1, 12)
    assert document.span(("é",), on_key=True) == Span("plan.toml", 1, 2, 1, 5)
    assert document.line(document.span(("é",))) == "\t\"é\"\t= 'ü😀' # x"


# Any document: what stands at a place reads as the value that is there.

NAMES = st.sampled_from(["a", "b", "c-d", "é", "x y", 'q"t', "", "e.f"])
SCALARS = st.one_of(st.integers(-(10**6), 10**6), st.booleans(), st.text(st.characters(codec="utf-8"), max_size=6))
VALUES = st.recursive(
    SCALARS, lambda inner: st.lists(inner, max_size=3) | st.dictionaries(NAMES, inner, max_size=3), max_leaves=6
)
DOCUMENTS = st.dictionaries(NAMES, VALUES | st.dictionaries(NAMES, VALUES, max_size=3), max_size=4)
STYLES = st.lists(st.integers(0, 5), min_size=1, max_size=6)


class Writer:
    """Writes a document as TOML in a manner that the styles choose: headers, dotted keys, inline, comments, blanks."""

    def __init__(self, styles: list[int]) -> None:
        self.styles = styles
        self.at = 0

    def style(self) -> int:
        self.at += 1
        return self.styles[self.at % len(self.styles)]

    def key(self, name: str) -> str:
        if name in ("a", "b", "c-d") and self.style() % 2:
            return name
        if "'" not in name and self.style() % 2:
            return f"'{name}'"
        return json.dumps(name)

    def scalar(self, value: Any) -> str:
        if isinstance(value, str):
            plain = value.isprintable() and "'" not in value
            if plain and self.style() == 1:
                return f"'{value}'"
            if plain and self.style() == 2:
                return f"'''\n{value}'''"
            return json.dumps(value).replace("\x7f", "\\u007f") if value.isascii() else quoted(value)
        return str(value).lower()

    def inline(self, value: Any) -> str:
        if isinstance(value, dict):
            return "{" + ", ".join(f" {self.key(name)} = {self.inline(each)} " for name, each in value.items()) + "}"
        if isinstance(value, list):
            between = ("", " ", "\n", " # é\n", "\t")[self.style() % 5]
            return "[" + ",".join(between + self.inline(each) for each in value) + between + "]"
        return self.scalar(value)

    def tables(self, document: dict[str, Any]) -> str:
        lines, last = [], []
        for name, value in document.items():
            if isinstance(value, dict) and value and self.style() % 2:
                last.append(
                    f"[ {self.key(name)} ] # é\n" + "".join(self.pair([inner], each) for inner, each in value.items())
                )
            elif isinstance(value, list) and value and all(isinstance(each, dict) for each in value):
                last += [
                    f"[[{self.key(name)}]]\n" + "".join(self.pair([inner], deep) for inner, deep in each.items())
                    for each in value
                ]
            elif isinstance(value, dict) and value and self.style() == 2:
                lines += [self.pair([name, inner], each) for inner, each in value.items()]
            else:
                lines.append(self.pair([name], value))
        return "".join(lines + last)

    def pair(self, names: list[str], value: Any) -> str:
        return f"{' . '.join(map(self.key, names))}\t= {self.inline(value)}\n"


def quoted(value: str) -> str:
    escaped = {'"': '\\"', "\\": "\\\\"}
    return (
        '"'
        + "".join(escaped.get(each) or (each if each.isprintable() else f"\\U{ord(each):08x}") for each in value)
        + '"'
    )


def paths_in(value: Any, path: Path = ()) -> Iterator[tuple[Path, Any]]:
    yield path, value
    steps: Any = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for step, inner in steps:
        yield from paths_in(inner, (*path, step))


@given(DOCUMENTS, STYLES)
def test_every_value_of_any_document_stands_where_it_is_said_to(document: dict[str, Any], styles: list[int]) -> None:
    text = Writer(styles).tables(document)
    assert tomllib.loads(text) == document, text
    positions = Positions(text, "plan.toml")
    lines = text.split("\n")

    def piece(span: Span) -> str:
        rows = lines[span.line - 1 : span.line_end]
        rows[-1] = rows[-1][: span.column_end - 1]
        rows[0] = rows[0][span.column - 1 :]
        return "\n".join(rows)

    for path, value in paths_in(document):
        place, is_exact = positions.find(path)
        assert is_exact, (path, text)
        if path and place.value is not None:
            assert tomllib.loads(f"x = {piece(positions.span(path))}") == {"x": value}
        if path and isinstance(path[-1], str):
            assert tomllib.loads(f"{piece(positions.span(path, on_key=True))} = 0") == {path[-1]: 0}


@given(st.text(st.characters(codec="utf-8"), max_size=12))
def test_every_character_of_a_string_has_its_place(value: str) -> None:
    source = quoted(value)
    starts = string_starts(source)
    assert len(starts) == len(value) + 1
    for index, character in enumerate(value):
        assert tomllib.loads(f'x = "{source[starts[index] : starts[index + 1]]}"') == {"x": character}
