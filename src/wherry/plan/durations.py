"""Durations as people write them: a number and a unit, ``"200 ms"``. Inside, whole nanoseconds."""

from __future__ import annotations

import re
from decimal import Decimal
from typing import Final

from wherry.plan.wording import TextError, listed, nearest, printable

UNITS_NS: Final = {
    "ns": 1,
    "us": 1_000,
    "ms": 1_000_000,
    "s": 1_000_000_000,
    "min": 60_000_000_000,
    "h": 3_600_000_000_000,
}
DURATION_NS_MAX: Final = 366 * 24 * UNITS_NS["h"]  # a bound of ours: nothing in a plan lasts longer than a year
EXPECTED: Final = f"a number and a unit ({listed(UNITS_NS)}), for example `200 ms`"
PATTERN: Final = r"^[0-9]{1,12}(\.[0-9]{1,9})? ?(ns|us|ms|s|min|h)$"
"""For the published schema."""

OTHER_UNITS: Final = {
    "µs": "us", "μs": "us", "usec": "us", "microseconds": "us", "msec": "ms", "msecs": "ms", "milliseconds": "ms",
    "millisecond": "ms", "sec": "s", "secs": "s", "second": "s", "seconds": "s", "m": "min", "mins": "min",
    "minute": "min", "minutes": "min", "hr": "h", "hrs": "h", "hour": "h", "hours": "h", "nanoseconds": "ns",
}  # fmt: skip

_DURATION = re.compile(r"([0-9]{1,12}(?:\.[0-9]{1,9})?) ?([^\s0-9.,+-]+)")


def parse_duration(text: str) -> int:
    """``"200 ms"`` -> 200_000_000; the space may be left out. Raises TextError (a PlanError)."""
    match = _DURATION.fullmatch(text)
    if match is None:
        raise _unreadable(text)
    number, unit = match.groups()
    if unit not in UNITS_NS:
        near = OTHER_UNITS.get(unit.lower()) or nearest(unit, UNITS_NS)
        raise TextError(
            "bad-duration",
            f"there is no unit of time `{printable(unit)}`",
            expected=listed(UNITS_NS),
            found=printable(unit),
            fix=f"write `{number} {near}`" if near else f"write one of {listed(UNITS_NS)} after the number",
            offset=match.span(2),
        )
    exact = Decimal(number) * UNITS_NS[unit]
    duration_ns = int(exact)
    if duration_ns != exact or duration_ns > DURATION_NS_MAX:
        raise TextError(
            "bad-duration",
            f"`{text}` is {'finer than a nanosecond' if duration_ns != exact else 'longer than a year'}",
            expected="whole nanoseconds, at most a year",
            found=text,
            fix="write a duration within these bounds",
        )
    return duration_ns


def _unreadable(text: str) -> TextError:
    seen = printable(text.strip())[:60]
    fix = "write a number, a space and a unit, for example `200 ms`"
    message = f"`{seen}` is no duration" if seen else "the duration is empty"
    if re.fullmatch(r"[0-9]{1,12}(\.[0-9]+)?", seen):
        message, fix = f"the duration `{seen}` has no unit", f"write `{seen} ms` or `{seen} s`, whichever is meant"
    elif seen.startswith("-"):
        message, fix = f"the duration `{seen}` is negative", "write a duration of zero or more"
    elif re.fullmatch(r"[0-9]+,[0-9]+ ?[a-z]+", seen):
        fix = f"write `{seen.replace(',', '.')}`: the decimal sign is a point"
    elif _DURATION.fullmatch(" ".join(text.split())):
        fix = f"write `{' '.join(text.split())}`, with one space and none around it"
    return TextError("bad-duration", message, expected=EXPECTED, found=printable(text)[:60], fix=fix)


YEAR_NS: Final = 31_557_600 * UNITS_NS["s"]
"""A year of 365.25 days."""
LIFE_UNITS_NS: Final = {"y": YEAR_NS, "d": 24 * UNITS_NS["h"]}
LIFE_YEARS_MAX: Final = 100  # a bound of ours
LIFE_PATTERN: Final = r"^[0-9]{1,6}(\.[0-9]{1,3})? ?(y|d)$"
"""For the published schema."""
_LIFE = re.compile(r"([0-9]{1,6}(?:\.[0-9]{1,3})?) ?(y|d)")


def parse_life(text: str) -> int:
    """``"10 y"``, ``"180 d"`` -> nanoseconds. Raises TextError (a PlanError)."""
    match = _LIFE.fullmatch(text)
    life_ns = int(Decimal(match[1]) * LIFE_UNITS_NS[match[2]]) if match else 0
    if 0 < life_ns <= LIFE_YEARS_MAX * LIFE_UNITS_NS["y"]:
        return life_ns
    seen = printable(text.strip())[:60]
    number = re.match(r"[0-9]+(?:\.[0-9]+)?", seen)
    years = re.fullmatch(r"[0-9.]+ ?(a|yr|yrs|year|years)", seen)
    raise TextError(
        "bad-duration",
        f"`{seen}` is no time that a device lasts",
        expected=f"years (y) or days (d), up to {LIFE_YEARS_MAX} years, for example `10 y`",
        found=seen,
        fix=f"write `{number[0]} y`" if number and years else "write a number and `y` or `d`, for example `10 y`",
    )


def duration_text(duration_ns: int) -> str:
    """A duration as it is written in a plan, in the largest unit that keeps it whole: ``200 ms``."""
    for unit in ("h", "min", "s", "ms", "us"):
        if duration_ns and duration_ns % UNITS_NS[unit] == 0:
            return f"{duration_ns // UNITS_NS[unit]} {unit}"
    return f"{duration_ns} ns" if duration_ns else "0 s"
