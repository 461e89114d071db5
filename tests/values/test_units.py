"""Units: what converts, exactly; what does not, and what is said about it."""

from __future__ import annotations

import subprocess
import sys
from fractions import Fraction

import pytest

from wherry.errors import LocalError
from wherry.values.scaling import IDENTITY, Line
from wherry.values.units import UnitError, unit_line

CONVERSIONS = [
    # All are exact by definition (SI Brochure, 9th edition: prefixes, litre, hour; degF, gallon and foot by the
    # yard and pound agreement of 1959). from, to, factor, offset
    ("degC", "degF", Fraction(9, 5), 32),
    ("degF", "degC", Fraction(5, 9), Fraction(-160, 9)),
    ("degC", "K", 1, Fraction(27315, 100)),
    ("°C", "°F", Fraction(9, 5), 32),
    ("delta_degC", "delta_degF", Fraction(9, 5), 0),
    ("degC/min", "degF/min", Fraction(9, 5), 0),
    ("bar", "kPa", 100, 0),
    ("mbar", "Pa", 100, 0),
    ("mg/L", "g/m3", 1, 0),
    ("mg/l", "ug/L", 1000, 0),
    ("mg/L", "kg/m**3", Fraction(1, 1000), 0),
    ("L/min", "m3/h", Fraction(6, 100), 0),
    ("l/s", "m³/h", Fraction(36, 10), 0),
    ("m3/h", "L/s", Fraction(10, 36), 0),
    ("m3/d", "L/min", Fraction(1000, 1440), 0),
    ("%", "1", Fraction(1, 100), 0),
    ("ppm", "%", Fraction(1, 10000), 0),
    ("uS/cm", "mS/m", Fraction(1, 10), 0),
    ("µS/cm", "μS/cm", 1, 0),
    ("kWh", "MJ", Fraction(36, 10), 0),
    ("t/h", "kg/s", Fraction(1000, 3600), 0),
    ("km/h", "m/s", Fraction(10, 36), 0),
    ("um3", "km3", Fraction(1, 10**27), 0),
    ("m/s2", "cm/s2", 100, 0),
    ("h", "min", 60, 0),
    ("Hz", "1/min", 60, 0),
    ("gpm", "L/min", Fraction("3.785411784"), 0),
    ("cfm", "m3/min", Fraction("0.3048") ** 3, 0),
]


@pytest.mark.parametrize(("source", "target", "factor", "offset"), CONVERSIONS)
def test_conversions(source: str, target: str, factor: Fraction, offset: Fraction) -> None:
    assert unit_line(source, target) == Line(Fraction(factor), Fraction(offset))


@pytest.mark.parametrize(("source", "target"), [each[:2] for each in CONVERSIONS])
def test_there_and_back_changes_nothing(source: str, target: str) -> None:
    assert unit_line(source, target).then(unit_line(target, source)).is_identity


def test_an_irrational_factor_is_as_good_as_a_float() -> None:
    line = unit_line("rpm", "rad/s")
    assert float(line.factor) == pytest.approx(0.10471975511965977, rel=1e-15)


REFUSED = [
    ("L/min", "bar", "`L/min` does not convert to `bar`"),
    ("kg/h", "L/h", "`kg/h` does not convert to `L/h`"),
    ("m", "kPa", "`m` (meter) does not convert to `kPa`"),
    ("rpm", "Hz", "revolutions"),  # 60 rpm would be 6.28 Hz
    ("Hz", "rpm", "revolutions"),
    ("dBm", "mW", "straight line"),
    ("degC", "delta_degF", "does not convert"),
    ("C", "F", "`C` (coulomb) does not convert to `F` (farad); did you mean `degC`?; did you mean `degF`?"),
    ("mgO2/L", "mg/L", "the unit `mgO2/L` is not known"),
    ("bar", "barg", "the unit `barg` is not known"),
    ("degc", "degF", "the unit `degc` is not known; did you mean `degree_Celsius`?"),
    ("Celsius", "degF", "did you mean `degree_Celsius`?"),
    ("bar(", "Pa", "not known"),
    ("5 bar", "Pa", "not known"),
    ("2", "1", "not known"),
    ("x" * 500, "m", "not known"),
    ("__import__('os')", "m", "not known"),
    # Each of these would take for ever to work out.
    ("m**9**9**9", "m", "not known"),
    ("(m**9)**9", "m", "not known"),
    ("km⁹⁹⁹⁹⁹⁹⁹⁹", "m⁹⁹⁹⁹⁹⁹⁹⁹", "not known"),
    ("km**99999999", "m**99999999", "not known"),
]


@pytest.mark.parametrize(("source", "target", "words"), REFUSED)
def test_refusals_say_why(source: str, target: str, words: str) -> None:
    with pytest.raises(UnitError) as caught:
        unit_line(source, target)
    assert words in str(caught.value)
    assert isinstance(caught.value, LocalError)
    assert len(str(caught.value)) < 250


def test_units_that_need_no_conversion_need_not_be_known() -> None:
    assert unit_line("NTU", "NTU") is IDENTITY
    assert unit_line("NTU", "") is IDENTITY
    assert unit_line("", "") is IDENTITY


@pytest.mark.slow
def test_pint_is_imported_only_when_two_names_meet() -> None:
    code = (
        "import sys\n"
        "from wherry.values.units import unit_line\n"
        "unit_line('bar', 'bar'); unit_line('bar', '')\n"
        "assert 'pint' not in sys.modules\n"
        "unit_line('bar', 'kPa')\n"
        "assert 'pint' in sys.modules\n"
    )
    subprocess.run([sys.executable, "-c", code], check=True)
