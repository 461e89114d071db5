"""Engineering units: a straight line between two of them, by pint. Imported only when two different names meet."""

from __future__ import annotations

from fractions import Fraction
from functools import lru_cache
from typing import TYPE_CHECKING, Any

from wherry.errors import LocalError
from wherry.values.scaling import IDENTITY, Line

if TYPE_CHECKING:
    import pint


class UnitError(LocalError):
    """A unit that is not known, or two that do not convert."""


@lru_cache(maxsize=1)
def _registry() -> pint.UnitRegistry[Any]:
    import pint

    return pint.UnitRegistry(non_int_type=Fraction, autoconvert_offset_to_baseunit=True)


def _unit(name: str) -> Any:
    # pint reads a bare % since 0.24; trade spellings that are not its own are put into its words.
    spelled = _TRADE_NAMES.get(name, name)
    try:
        return _registry().Unit(spelled)
    except Exception:  # noqa: BLE001 - pint raises many kinds for a name it cannot read, tokenizer errors among them
        raise UnitError(f"the unit `{name}` is not known") from None


_TRADE_NAMES = {"l/min": "liter/minute", "L/min": "liter/minute", "m3/h": "meter**3/hour", "rpm": "revolution/minute"}
"""Common spellings of the trade (common practice, no source)."""


@lru_cache(maxsize=1024)
def unit_line(from_unit: str, to_unit: str) -> Line:
    """How a number in ``from_unit`` becomes one in ``to_unit``. UnitError if it cannot."""
    if from_unit == to_unit or not to_unit or not from_unit:
        return IDENTITY
    source, target = _unit(from_unit), _unit(to_unit)
    if source.dimensionality != target.dimensionality:
        raise UnitError(f"`{from_unit}` does not convert to `{to_unit}`")
    registry = _registry()
    try:
        at_zero = registry.Quantity(Fraction(0), source).to(target).magnitude
        at_one = registry.Quantity(Fraction(1), source).to(target).magnitude
    except Exception as failed:  # noqa: BLE001 - a logarithmic unit, for example, has no straight line
        raise UnitError(f"`{from_unit}` does not convert to `{to_unit}`: {failed}") from None
    offset, end = _fraction(at_zero), _fraction(at_one)
    return Line(end - offset, offset)


def _fraction(number: Any) -> Fraction:
    """Exact where pint is; a float factor is taken to 15 digits, beyond which it is noise."""
    return Fraction(number).limit_denominator(10**15) if isinstance(number, float) else Fraction(number)
