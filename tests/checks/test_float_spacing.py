"""How far floats lie apart, against the machine's own; and when a step that they cannot follow is an error."""

from __future__ import annotations

import math
import struct
from collections.abc import Callable
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wherry.checks.intervals import float_reach, float_spacing
from wherry.findings import Level

PLAN = """
[controller.skid]
connect = "tcp://10.20.0.11"
[controller.hall]
connect = "tcp://10.20.0.12"
[transfer.water]
from = "skid"
to = "hall"
every = "200 ms"
on_loss = "hold"
values = [{ name = "oxygen", take = "holding 0 float32", put = "holding 100 float32", step = 0.5 }]
"""


@given(st.floats(5e-324, 1e308))
def test_the_spacing_of_float64_is_the_machines(number: float) -> None:
    assert float_spacing(64, Fraction(number)) == Fraction(number) - Fraction(math.nextafter(number, 0))


@given(st.integers(1, 0x7F7F_FFFF))
def test_the_spacing_of_float32_is_that_of_its_bits(pattern: int) -> None:
    below, number = (Fraction(struct.unpack(">f", struct.pack(">I", each))[0]) for each in (pattern - 1, pattern))
    assert float_spacing(32, number) == float_spacing(32, -number) == number - below


@given(st.sampled_from([32, 64]), st.floats(1e-30, 1e30))
def test_the_reach_of_a_step_is_the_last_number_at_which_it_suffices(bits: int, step: float) -> None:
    reach = float_reach(bits, Fraction(step))
    assert float_spacing(bits, reach) <= step < float_spacing(bits, reach * Fraction(1001, 1000))


@pytest.mark.parametrize(
    ("change", "level"),
    [
        ("", Level.WARNING),
        (", range = [0, 1e6]", None),
        (", range = [0, 8388608]", None),
        (", range = [0, 8388609]", Level.ERROR),
        (", range = [-8388609, 0]", Level.ERROR),
        (', range = [0, 8388609], on_step = "hold"', Level.ERROR),
    ],
)
def test_it_is_an_error_within_a_declared_range_and_else_a_warning(
    judge: Callable[..., tuple[Any, ...]], change: str, level: Level | None
) -> None:
    found = [each for each in judge(PLAN.replace("step = 0.5", f"step = 0.5{change}")) if each.name == "step-unfit"]
    assert [each.level for each in found] == ([] if level is None else [level])
    assert all("8,388,608" in f"{each.message} {each.found}" for each in found)
