"""Times and shares as people read them. A bound is rounded to the side on which it still holds."""

from __future__ import annotations

from decimal import ROUND_CEILING, ROUND_FLOOR, Decimal

from wherry.clock import NS_PER_MS, NS_PER_S

MIN_NS = 60 * NS_PER_S


def at_most_text(duration_ns: int) -> str:
    """A time that is not exceeded, rounded up: ``5.8 ms``, ``412 ms``, ``1.11 s``, ``12 min``."""
    return _text(duration_ns, ROUND_CEILING)


def at_least_text(duration_ns: int) -> str:
    """A time that is there, rounded down."""
    return _text(duration_ns, ROUND_FLOOR)


def _text(duration_ns: int, rounding: str) -> str:
    size_ns = abs(duration_ns)
    if size_ns < 10 * NS_PER_MS:
        unit_ns, unit, step = NS_PER_MS, "ms", Decimal("0.1")
    elif size_ns < NS_PER_S:
        unit_ns, unit, step = NS_PER_MS, "ms", Decimal(1)
    elif size_ns < 100 * NS_PER_S:
        unit_ns, unit, step = NS_PER_S, "s", Decimal("0.01") if size_ns < 10 * NS_PER_S else Decimal("0.1")
    else:
        unit_ns, unit, step = MIN_NS, "min", Decimal("0.1")
    number = (Decimal(duration_ns) / unit_ns).quantize(step, rounding=rounding)
    if unit == "ms" and number == 1000:
        return "1 s"
    if "." in (text := f"{number:f}") and not number % 1:
        text = text.partition(".")[0]
    return f"{text} {unit}"


def used_text(share: float) -> str:
    """A utilisation: ``31 %``, ``5.1 %``, never rounded down to one that is allowed."""
    percent = Decimal(share) * 100
    step = Decimal("0.1") if percent < 10 else Decimal(1)
    return f"{percent.quantize(step, rounding=ROUND_CEILING):f} %"


def rate_text(per_s: float) -> str:
    """``24.0``, ``0.02``."""
    return f"{per_s:.1f}" if per_s >= 0.95 else f"{per_s:.2g}"
