"""Whatever a user writes, a plan is read or findings say what is wrong; nothing else ever comes out."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from wherry.errors import PlanError
from wherry.findings import Span
from wherry.plan import Loaded, load, loads

EXAMPLE = (Path(__file__).parents[2] / "examples" / "hatchery.toml").read_text(encoding="utf-8")
LIST = (
    'name,take,put,range,substitute,not_available\n"a",holding 0 float32,holding 1,0 20,0.5,0x8000\nb,40001,coil 3,,,\n'
)
PIECES = [
    '"', "'", "[", "]", "{", "}", "=", ",", ".", "\n", "#", '"""', "\\", "[[", "]]", "nan", "inf", "-1", "1e400",
    "true", "0x10", "2024-12-03", "99999999999999999999", "é", "😀", "\t", "\r\n", "\x00", "\ufeff", "{}", "[]", '""',
    "a.b.c = 1\n", "holding 40001", "string(9)", "..", "all",
]  # fmt: skip


def hold_together(loaded: Loaded) -> None:
    """What must be true of anything that was read."""
    lines = loaded.document.text.split("\n")
    for finding in loaded.findings:
        span = finding.span
        assert isinstance(span, Span)
        assert finding.message
        assert finding.fix
        assert finding.message[0] == finding.message[0].lower()
        assert f"{finding.message}{finding.expected}{finding.found}{finding.fix}".isprintable()
        if span.file == loaded.document.file:
            assert 1 <= span.line <= len(lines)
            assert 1 <= span.column <= len(lines[span.line - 1]) + 1
            assert (span.line, span.column) <= (span.line_end, span.column_end)
    names = {each.name for each in loaded.plan.controllers}
    for transfer in loaded.plan.transfers:
        assert {transfer.source, transfer.destination} <= names
        assert transfer.period_ns > 0
        for value in transfer.values:
            loaded.document.span(value.take.path)
            assert value.take.span.stop <= 65536
            assert value.put.span.stop <= 65536
            hash(value)


@given(st.data())
def test_a_changed_example_is_read_or_refused(data: Any) -> None:
    text = EXAMPLE
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, len(text)))
        length = data.draw(st.integers(0, 12))
        text = text[:at] + data.draw(st.sampled_from(["", *PIECES]) | st.text(max_size=3)) + text[at + length :]
    hold_together(loads(text))


TYPES = st.recursive(
    st.sampled_from(
        ['"x"', "5", "1.5", "true", "nan", "-inf", "2024-12-03", '"200 ms"', '"holding 0"', '"holding 0..9"', "[]"]
    ),
    lambda inner: (
        st.lists(inner, max_size=4).map(lambda parts: f"[{', '.join(parts)}]")
        | st.lists(inner, max_size=3).map(
            lambda parts: (
                "{"
                + ", ".join(f"{key} = {part}" for key, part in zip(("take", "put", "name"), parts, strict=False))
                + "}"
            )
        )
    ),
    max_leaves=5,
)


@given(st.data())
def test_any_value_under_any_key_is_read_or_refused(data: Any) -> None:
    lines = EXAMPLE.split("\n")
    places = [index for index, line in enumerate(lines) if "=" in line.partition("#")[0] and not line.endswith("[")]
    for index in data.draw(st.lists(st.sampled_from(places), min_size=1, max_size=4)):
        key, equals, _ = lines[index].partition("=")
        value = data.draw(TYPES)
        lines[index] = f"{key}{equals} {value}" + (" }," if key.lstrip().startswith("{") else "")
    hold_together(loads("\n".join(lines)))


@given(data=st.data())
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_a_changed_list_is_read_or_refused(data: Any, tmp_path: Path, with_values: Any) -> None:
    text = LIST
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, len(text)))
        text = (
            text[:at]
            + data.draw(st.sampled_from([*PIECES, ";", ",,", "0,5"]))
            + text[at + data.draw(st.integers(0, 9)) :]
        )
    (tmp_path / "water.csv").write_bytes(text.encode("utf-8") + data.draw(st.sampled_from([b"", b"\xff", b"\n"])))
    hold_together(loads(with_values(transfer="values = 'water.csv'\n"), beside=tmp_path))


@given(data=st.binary(max_size=60) | st.text(max_size=60).map(lambda text: text.encode("utf-8", "replace")))
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_any_bytes_are_read_or_refused(data: bytes, tmp_path: Path) -> None:
    (tmp_path / "plan.toml").write_bytes(data)
    try:
        loaded = load(tmp_path / "plan.toml")
    except PlanError:
        return
    hold_together(loaded)


@pytest.mark.parametrize("depth", [100, 300, 900, 5000])
@pytest.mark.parametrize(
    ("open_", "inside", "close"),
    [("values = [{scale = ", "[", "]"), ("values = ", "[", "]"), ("copy = ", "{a = ", "}"), ("x = ", "{a = [", "]}")],
)
def test_brackets_in_brackets(open_: str, inside: str, close: str, depth: int, with_values: Any) -> None:
    end = "}]" if "[{" in open_ else ""
    loaded = loads(with_values(transfer=f"{open_}{inside * depth}1{close * depth}{end}\n"))
    assert loaded.findings
    hold_together(loaded)


@pytest.mark.parametrize("text", ["a{} = 1\n", "[a{}]\nb = 1\n", "[[transfer.water{}]]\n", "[controller.skid{}]\n"])
def test_a_key_of_very_many_parts(text: str) -> None:
    loaded = loads(text.format(".a" * 5000))
    assert loaded.findings
    hold_together(loaded)


@pytest.mark.parametrize("piece", PIECES)
def test_each_piece_in_each_gap_of_a_small_plan(piece: str, with_values: Any) -> None:
    text = with_values('{ name = "a", take = "holding 0", put = "holding 100", range = [0, 1] },')
    for at in range(0, len(text), 3):
        hold_together(loads(text[:at] + piece + text[at:]))
