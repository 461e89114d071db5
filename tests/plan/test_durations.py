"""Durations: a number and a unit, nothing else."""

from __future__ import annotations

import contextlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wherry.plan.durations import PATTERN, UNITS_NS, duration_text, parse_duration, parse_life
from wherry.plan.wording import TextError


@pytest.mark.parametrize(
    ("text", "duration_ns"),
    [
        ("200 ms", 200_000_000),
        ("200ms", 200_000_000),
        ("5 us", 5_000),
        ("1.5 s", 1_500_000_000),
        ("2 min", 120_000_000_000),
        ("1 h", 3_600_000_000_000),
        ("0.3 us", 300),
        ("0 s", 0),
        ("7 ns", 7),
        ("8784 h", 8784 * 3_600_000_000_000),
    ],
)
def test_a_duration_is_whole_nanoseconds(text: str, duration_ns: int) -> None:
    assert parse_duration(text) == duration_ns


@pytest.mark.parametrize(
    ("text", "fix"),
    [
        ("200", "write `200 ms` or `200 s`, whichever is meant"),
        ("", "write a number, a space and a unit, for example `200 ms`"),
        ("ms", "write a number, a space and a unit, for example `200 ms`"),
        ("-5 s", "write a duration of zero or more"),
        ("5 sec", "write `5 s`"),
        ("5 m", "write `5 min`"),
        ("5 MS", "write `5 ms`"),
        ("5 µs", "write `5 us`"),
        ("5 parsecs", "write one of ns, us, ms, s, min or h after the number"),
        ("1,5 s", "write `1.5 s`: the decimal sign is a point"),
        (" 5 s", "write `5 s`, with one space and none around it"),
        ("5  s", "write `5 s`, with one space and none around it"),
        ("0.5 ns", "write a duration within these bounds"),
        ("9000 h", "write a duration within these bounds"),
        ("1e3 s", "write a number, a space and a unit, for example `200 ms`"),
        ("5 s\n", "write `5 s`, with one space and none around it"),
        ("\u0665 s", "write a number, a space and a unit, for example `200 ms`"),
    ],
)
def test_anything_else_is_refused_with_a_way_to_mend_it(text: str, fix: str) -> None:
    with pytest.raises(TextError) as caught:
        parse_duration(text)
    assert caught.value.name == "bad-duration"
    assert caught.value.fix == fix


@given(st.text(max_size=20))
def test_any_text_is_read_or_refused(text: str) -> None:
    with contextlib.suppress(TextError):
        assert parse_duration(text) >= 0


@given(st.integers(1, 10**6), st.sampled_from(sorted(UNITS_NS)))
def test_what_is_written_is_read_again(number: int, unit: str) -> None:
    duration_ns = min(number * UNITS_NS[unit], UNITS_NS["h"] * 8000)
    assert parse_duration(duration_text(duration_ns)) == duration_ns


@given(st.from_regex(PATTERN, fullmatch=True))
def test_the_published_pattern_is_what_is_read(text: str) -> None:
    refused = None
    try:
        parse_duration(text)
    except TextError as caught:
        refused = caught.message
    assert refused is None or "finer" in refused or "longer" in refused


@pytest.mark.parametrize(
    ("text", "life_ns"),
    [("10 y", 10 * 31_557_600 * 10**9), ("180 d", 180 * 86400 * 10**9), ("0.5y", 31_557_600 * 10**9 // 2)],
)
def test_how_long_a_device_must_last(text: str, life_ns: int) -> None:
    assert parse_life(text) == life_ns


@pytest.mark.parametrize(
    ("text", "fix"),
    [
        ("10 years", "write `10 y`"),
        ("10", "write a number and `y` or `d`, for example `10 y`"),
        ("0 y", "write a number and `y` or `d`, for example `10 y`"),
        ("101 y", "write a number and `y` or `d`, for example `10 y`"),
        ("-1 y", "write a number and `y` or `d`, for example `10 y`"),
    ],
)
def test_what_is_no_time_that_a_device_lasts(text: str, fix: str) -> None:
    with pytest.raises(TextError) as caught:
        parse_life(text)
    assert caught.value.fix == fix
