"""Engineering units: a straight line between two of them, by pint. Imported only when two different names meet.

Stricter than pint where its answer would be another number than an engineer expects: it counts an angle in radians
without a dimension, so that 60 rpm would be 6.28 Hz; and logarithmic units have no straight line.
A unit such as ``degC`` is a temperature; a difference of temperatures is ``delta_degC``.
"""

from __future__ import annotations

import re
from fractions import Fraction
from functools import lru_cache
from typing import TYPE_CHECKING, Any, Final

from wherry.errors import LocalError
from wherry.values.scaling import IDENTITY, Line, Scale, exact, line_of

if TYPE_CHECKING:
    import pint

UNIT_CHARACTERS_MAX: Final = 64  # a bound of ours: no unit is longer

_TRADE_NAMES: Final = {
    "rpm": "revolution/minute",
    "gpm": "gallon/minute",  # the US gallon, as pint has it
    "cfm": "foot**3/minute",
    "Nm": "newton*meter",
}
"""Names of the trade that pint does not have, or reads as something else (common practice, no source)."""

_EXPONENT = re.compile(r"(?<=[A-Za-z])([23])(?=$|[^A-Za-z0-9.])")
"""The 3 of ``m3/h``."""

_UNREASONABLE = re.compile(r"[0-9]{2}|[¹²³⁰⁴-⁹]{2}|[0-9)¹²³⁰⁴-⁹]\s*(\*\*|\^|[¹²³⁰⁴-⁹])")
"""A power of more than one digit, of a number or of a power: no unit needs it, and working it out can take for ever."""

_HINTS: Final = {"C": "degC", "F": "degF", "°c": "degC", "°f": "degF", "°K": "K", "degK": "K"}


class UnitError(LocalError):
    """A unit that is not known, or two that do not convert."""


@lru_cache(maxsize=1)
def _registry() -> pint.UnitRegistry[Any]:
    import pint

    return pint.UnitRegistry(non_int_type=Fraction, autoconvert_offset_to_baseunit=True)


def _unit(name: str) -> Any:
    spelled = _TRADE_NAMES.get(name) or _EXPONENT.sub(r"**\1", name)
    is_sane = len(name) <= UNIT_CHARACTERS_MAX and not _UNREASONABLE.search(name)
    try:
        if is_sane:
            return _registry().parse_units(spelled)
    except Exception:  # noqa: BLE001 - pint raises many kinds for a name it cannot read, tokenizer errors among them
        pass
    raise UnitError(f"the unit `{name[:UNIT_CHARACTERS_MAX]}` is not known{_hint(name)}")


def _hint(name: str) -> str:
    """What may have been meant, as the end of a sentence; empty if nothing is near."""
    if name in _HINTS:
        return f"; did you mean `{_HINTS[name]}`?"
    return f"; did you mean `{full}`?" if (full := _full_name(name, case_sensitive=False)) else ""


def _full_name(name: str, *, case_sensitive: bool = True) -> str:
    """pint's own name of a unit of one word; empty if it has none."""
    try:
        return _registry().get_name(name, case_sensitive=case_sensitive)
    except Exception:  # noqa: BLE001 - pint's many kinds again
        return ""


@lru_cache(maxsize=1024)
def unit_line(from_unit: str, to_unit: str) -> Line:
    """How a number in ``from_unit`` becomes one in ``to_unit``. UnitError if it cannot."""
    if from_unit == to_unit or not to_unit or not from_unit:
        return IDENTITY
    source, target = _unit(from_unit), _unit(to_unit)
    if source.dimensionality != target.dimensionality:
        hints = "".join(_hint(each) for each in (from_unit, to_unit) if each in _HINTS)
        raise UnitError(_refusal(from_unit, to_unit) + hints)
    registry = _registry()
    if registry.get_root_units(source)[1] != registry.get_root_units(target)[1]:
        why = "only one of them counts revolutions (or other items)"
        raise UnitError(f"{_refusal(from_unit, to_unit)}: {why}; leave `put_unit` out and use `scale`")
    try:
        at_zero, at_one, at_ten = (
            exact(registry.Quantity(Fraction(number), source).to(target).magnitude) for number in (0, 1, 10)
        )
    except Exception:  # noqa: BLE001 - pint's many kinds again; with numpy beside it, logarithms fail on fractions
        raise UnitError(f"{_refusal(from_unit, to_unit)} by a straight line") from None
    line = Line(at_one - at_zero, at_zero)
    if line.at(10) != at_ten:
        raise UnitError(f"{_refusal(from_unit, to_unit)} by a straight line")
    return line


def line_to_put(unit: str, put_unit: str, scale: Scale | None) -> Line:
    """The line from a value in ``unit`` to the number that is put. UnitError if the units do not convert."""
    return unit_line(unit, put_unit).then(line_of(scale))


def _refusal(from_unit: str, to_unit: str) -> str:
    return f"{_called(from_unit)} does not convert to {_called(to_unit)}"


def _called(name: str) -> str:
    """The name as it was written, and what a short one was read as, since that may surprise."""
    full = _full_name(name) if len(name) <= 2 else ""
    return f"`{name}` ({full})" if full and full != name else f"`{name}`"
