"""Places and numbers as people read them."""

from __future__ import annotations

from fractions import Fraction

from wherry.plan.model import Controller, Point, Span, Table, reference_number


def both(place: Span | Point) -> str:
    """A place in both notations: ``holding 100 (40101)``, ``holding 100..101 (40101..40102)``."""
    if isinstance(place, Point) and place.bit is not None:
        return f"{place} ({reference_number(place.table, place.address)} bit {place.bit})"
    span = place.span if isinstance(place, Point) else place
    return f"{span} ({references(span)})"


def references(span: Span) -> str:
    """The reference numbers of a span."""
    first = reference_number(span.table, span.start)
    return first if span.count == 1 else f"{first}..{reference_number(span.table, span.last)}"


def items(count: int, table: Table) -> str:
    """``1 register``, ``5 bits``."""
    word = "bit" if table.is_bits else "register"
    return f"{count} {word}{'' if count == 1 else 's'}"


def number(value: Fraction | float) -> str:
    """A number without needless digits."""
    try:
        as_float = float(value)
    except OverflowError:  # beyond what a float64 holds: only the size matters
        return f"{'-' if value < 0 else ''}1e{len(str(abs(int(value)))) - 1}"
    return str(int(value)) if as_float.is_integer() and abs(as_float) < 1e15 else f"{as_float:.6g}"


def percent(share: float) -> str:
    """A share as people read it: ``125 %``, ``5.1 %``."""
    return f"{100 * share:.{0 if share >= 0.1 else 1}f} %"


def device(controller: Controller) -> tuple[str, int, int]:
    """What is the same for two names of one device: host, port and unit."""
    return (controller.host.lower(), controller.port, controller.unit)
