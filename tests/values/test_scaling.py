"""Straight lines and rounding, against the same thing said another way."""

from __future__ import annotations

from decimal import ROUND_CEILING, ROUND_DOWN, ROUND_FLOOR, ROUND_HALF_EVEN, ROUND_HALF_UP, Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wherry.values.scaling import IDENTITY, Line, Rounding, Scale, divided, exact, line_of, rounded

DECIMAL_NAMES = {
    Rounding.EVEN: ROUND_HALF_EVEN,
    Rounding.AWAY: ROUND_HALF_UP,  # what the decimal module calls half up is away from zero
    Rounding.DOWN: ROUND_FLOOR,
    Rounding.UP: ROUND_CEILING,
    Rounding.ZERO: ROUND_DOWN,
}
TABLE = [
    # number, half even, half away, down, up, toward zero
    ("0.5", 0, 1, 0, 1, 0),
    ("1.5", 2, 2, 1, 2, 1),
    ("2.5", 2, 3, 2, 3, 2),
    ("-0.5", 0, -1, -1, 0, 0),
    ("-1.5", -2, -2, -2, -1, -1),
    ("-2.5", -2, -3, -3, -2, -2),
    ("2.4", 2, 2, 2, 3, 2),
    ("-2.6", -3, -3, -3, -2, -2),
    ("7", 7, 7, 7, 7, 7),
]


@pytest.mark.parametrize("row", TABLE, ids=lambda row: row[0])
def test_rounding_table(row: tuple[str, int, int, int, int, int]) -> None:
    number = Fraction(row[0])
    for rounding, expected in zip(Rounding, row[1:], strict=True):
        assert rounded(number, rounding) == expected
        assert rounded(float(number), rounding) == expected
        assert divided(rounding)(number.numerator, number.denominator) == expected


def test_half_even_is_the_first_and_the_name_in_a_plan() -> None:
    assert next(iter(Rounding)) is Rounding.EVEN
    assert Rounding("half even") is Rounding.EVEN


@given(number=st.integers(-(2**70), 2**70), over=st.integers(1, 2**40), rounding=st.sampled_from(Rounding))
def test_division_and_rounding_agree(number: int, over: int, rounding: Rounding) -> None:
    assert divided(rounding)(number, over) == rounded(Fraction(number, over), rounding)


@given(number=st.floats(-1e9, 1e9), rounding=st.sampled_from(Rounding))
def test_floats_round_as_the_decimal_numbers_they_are(number: float, rounding: Rounding) -> None:
    expected = int(Decimal(number).quantize(Decimal(1), DECIMAL_NAMES[rounding]))
    assert rounded(number, rounding) == expected


def test_away_is_exact_next_to_a_half() -> None:
    assert rounded(0.49999999999999994, Rounding.AWAY) == 0  # plus one half it would be 1.0


def test_numbers_of_a_plan_are_decimals() -> None:
    assert exact(0.1) == Fraction(1, 10)
    assert exact(7) == 7
    assert exact(Fraction(1, 3)) == Fraction(1, 3)
    assert exact(1e300) == 10**300


def test_line_of_a_scale() -> None:
    line = line_of(Scale(0.1, 0.2, 10, 30))
    assert line == Line(Fraction(200), Fraction(-10))
    assert line.at(exact(0.15)) == 20
    assert line_of(None) is IDENTITY
    assert IDENTITY.is_identity
    assert not line.is_identity
    assert not Line(Fraction(1), Fraction(1)).is_identity


ends = st.floats(-1e6, 1e6)


@given(scale=st.builds(Scale, ends, ends, ends, ends), number=st.fractions(-(10**6), 10**6))
def test_there_and_back_is_the_same_number(scale: Scale, number: Fraction) -> None:
    if scale.from_low == scale.from_high or scale.to_low == scale.to_high:
        return
    back = Scale(scale.to_low, scale.to_high, scale.from_low, scale.from_high)
    assert line_of(scale).then(line_of(back)).is_identity
    assert line_of(back).at(line_of(scale).at(number)) == number
    times, plus, over = line_of(scale).whole_parts
    assert over > 0
    assert (number * times + plus) / over == line_of(scale).at(number)


def test_a_flat_scale_is_our_own_mistake() -> None:
    with pytest.raises(AssertionError):
        line_of(Scale(5, 5, 0, 1))
