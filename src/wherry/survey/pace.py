"""How long a device must be left alone between an answer and the next request, and how long it takes to answer."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from wherry.clock import NS_PER_MS
from wherry.protocol.functions import ExceptionCode
from wherry.protocol.prepared import Prepared
from wherry.survey.asking import Answer, Exchange, Pace, Procedure

FIRST_GAP_NS: Final = 50 * NS_PER_MS
"""Gap to begin with; devices that need more lose requests at once, and it is doubled."""
GAP_NS_MAX: Final = 1600 * NS_PER_MS
SETTLED: Final = 3
"""Requests in a row that must be answered before a gap counts as long enough."""
PAIRS: Final = 4
"""Requests that are sent after the gap that is tried, each after one that is paced."""
CONFIRMED: Final = 16
"""Requests in a row that must be answered with the gap that was found."""
CLOSE_ENOUGH: Final = 1.1
"""Factor between a gap that is long enough and one that is not, at which it is told."""
GAP_NS_MIN: Final = NS_PER_MS
"""Shorter gaps are not told apart: a program on a usual computer cannot wait so short a time exactly."""
MARGIN: Final = 1.25
"""Where a confirmed gap lost a request after all."""


@dataclass(frozen=True, slots=True)
class Gap:
    """The shortest gap with which nothing was lost, and the longest one with which something was."""

    gap_ns: int
    too_short_ns: int
    is_confirmed: bool
    how_lost: str = ""


def is_kept(answer: Answer) -> bool:
    """Whether a device that is asked too soon would not answer so."""
    return answer.is_answer and answer.code != ExceptionCode.SERVER_DEVICE_BUSY


def settle(prepared: Prepared) -> Procedure[int | None]:
    """A gap with which requests are answered one after the other, from 50 ms on; None when none does."""
    gap_ns = FIRST_GAP_NS
    while gap_ns <= GAP_NS_MAX:
        yield Pace(gap_ns)
        for _ in range(SETTLED):
            answer = yield Exchange(prepared, may_fail=True, once=True)
            if not is_kept(answer):
                break
        else:
            return gap_ns
        gap_ns *= 2
    return None


def find_gap(prepared: Prepared, enough_ns: int) -> Procedure[Gap]:
    """The least gap that the device needs, to within a tenth, between nothing and a gap that is known to be enough."""
    lost = yield from _loses(prepared, 0, PAIRS)
    if lost is None:
        return Gap(0, 0, True)
    long_ns, short_ns, how = enough_ns, 0, lost
    while long_ns > CLOSE_ENOUGH * max(short_ns, GAP_NS_MIN):
        middle_ns = round(math.sqrt(max(short_ns, GAP_NS_MIN / 2) * long_ns))
        lost = yield from _loses(prepared, middle_ns, PAIRS)
        if lost is None:
            long_ns = middle_ns
        else:
            short_ns, how = middle_ns, lost
    lost = yield from _loses(prepared, long_ns, CONFIRMED)
    if lost is None:
        return Gap(long_ns, short_ns, True, how)
    return Gap(min(enough_ns, round(MARGIN * long_ns)), short_ns, False, how)


def _loses(prepared: Prepared, gap_ns: int, count: int) -> Procedure[str | None]:
    """How a request was lost with this gap; None when none was."""
    for _ in range(count):
        first = yield Exchange(prepared, may_fail=True, once=True)
        if not is_kept(first):
            # The one before it may have been taken badly: it says nothing about this gap.
            continue
        second = yield Exchange(prepared, gap_ns=gap_ns, may_fail=True, once=True)
        if not is_kept(second):
            return second.refusal
    return None


# Response time.

Z_95: Final = 1.959964  # standard normal distribution, 97.5 %


@dataclass(frozen=True, slots=True)
class Line:
    """Response time as a straight line of the registers asked for, each with its 95 % interval; nanoseconds."""

    fixed_ns: float
    fixed_low_ns: float
    fixed_high_ns: float
    per_item_ns: float
    per_item_low_ns: float
    per_item_high_ns: float
    count: int


def fit_line(times: Sequence[tuple[int, int]]) -> Line | None:
    """The line through (items, nanoseconds) that outliers do not move: the median of all slopes between two points
    (Theil 1950; Sen 1968, Journal of the American Statistical Association 63, pages 1379-1389, with the interval from
    Kendall's statistic and its correction for ties; from memory). None for less than two points; the slope is 0 with
    the whole range as its interval when all have the same count."""
    if len(times) < 2:
        return None
    slopes = sorted(
        (b_ns - a_ns) / (b - a) if b > a else (a_ns - b_ns) / (a - b)
        for index, (a, a_ns) in enumerate(times)
        for b, b_ns in times[index + 1 :]
        if a != b
    )
    if not slopes:
        fixed_ns = median([each for _, each in times])
        return Line(fixed_ns, min(t for _, t in times), max(t for _, t in times), 0, 0, 0, len(times))
    count = len(times)
    ties = [sum(1 for each, _ in times if each == value) for value in {each for each, _ in times}]
    variance = (count * (count - 1) * (2 * count + 5) - sum(t * (t - 1) * (2 * t + 5) for t in ties)) / 18
    half = Z_95 * math.sqrt(max(0.0, variance))
    low = slopes[max(0, round((len(slopes) - half) / 2) - 1)]
    high = slopes[min(len(slopes) - 1, round((len(slopes) + half) / 2))]
    slope = max(0.0, median(slopes))

    def fixed(with_slope: float) -> float:
        return max(0.0, median([each_ns - with_slope * items for items, each_ns in times]))

    fixed_ns = fixed(slope)
    around = sorted(each_ns - slope * items - fixed_ns for items, each_ns in times)
    spread_ns = Z_95 * 1.2533 * 1.4826 * median([abs(each) for each in around]) / math.sqrt(count)
    return Line(
        fixed_ns,
        max(0.0, fixed(high) - spread_ns),
        fixed(max(0.0, low)) + spread_ns,
        slope,
        max(0.0, low),
        max(0.0, high),
        count,
    )


def median(values: Sequence[float]) -> float:
    """The middle one; the mean of the two in the middle."""
    ordered = sorted(values)
    middle = len(ordered) // 2
    return float(ordered[middle]) if len(ordered) % 2 else (ordered[middle - 1] + ordered[middle]) / 2


def share(values: Sequence[int], part: float) -> int:
    """The value below or at which that part of all lies (nearest rank)."""
    ordered = sorted(values)
    return ordered[min(len(ordered) - 1, max(0, math.ceil(part * len(ordered)) - 1))]
