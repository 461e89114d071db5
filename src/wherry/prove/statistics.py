"""What a number of trials allows one to say: bounds of a rate, intervals of a quantile, and how many trials it takes.

Exact throughout: everything is a tail of the binomial distribution, and no shape of any distribution is assumed.

- The rate of mismatches: Clopper and Pearson, "The use of confidence or fiducial limits illustrated in the case of the
  binomial", Biometrika 26 (1934) 404-413. The bound holds at least as often as it says.
- A quantile lies between two order statistics X(i), X(j) of n samples with the probability that at least i and fewer
  than j of them lie below it, which is a binomial sum (David and Nagaraja, Order Statistics, 3rd edition, 7.1). Where
  samples can be equal, as rounded ages are, the interval with its ends included holds at least as often.

All of it takes trials for independent of one another. Neighbouring cycles of one exchange often are not: what makes one
late makes the next one late. A claim is then weaker than its number; spread the trials over the time it is made about.

Terms of the distribution by the saddle-point form of C. Loader, "Fast and accurate computation of binomial
probabilities" (2000), so that millions of trials lose no digits.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from wherry.errors import LocalError

CONFIDENCE: Final = 0.95
"""Used where nobody says another (common practice, no source)."""

TRIALS_MAX: Final = 10**12
"""A bound of ours: a thousand values a second take thirty years for as many."""

_STEPS_MAX: Final = 200
"""Halvings of an interval between two floats; about 60 are enough for rates above 1e-12."""


@dataclass(frozen=True, slots=True)
class Rate:
    """How often something happens at each trial: what was seen, and between which rates it lies at ``confidence``."""

    mismatches: int
    trials: int
    confidence: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Ranks:
    """Between which order statistics a quantile lies: ranks from 1, smallest sample first.

    None: no sample bounds it on that side; there are too few. ``coverage`` is the probability that it does lie there,
    at least the confidence that was asked for.
    """

    trials: int
    quantile: float
    lower: int | None
    upper: int | None
    coverage: float


# The binomial distribution.


def below(count: int, trials: int, rate: float) -> float:
    """The probability of at most ``count`` in ``trials``, each at ``rate``."""
    if count < 0:
        return 0.0
    if count >= trials or rate <= 0:
        return 1.0
    if rate >= 1:
        return 0.0
    if count <= trials * rate:
        return _sum_down(count, trials, rate)
    return 1.0 - _sum_down(trials - count - 1, trials, 1.0 - rate)


def above(count: int, trials: int, rate: float) -> float:
    """The probability of at least ``count`` in ``trials``; exact also where it is very small."""
    if count <= 0:
        return 1.0
    if count > trials or rate <= 0:
        return 0.0
    if rate >= 1:
        return 1.0
    if count >= trials * rate:
        return _sum_up(count, trials, rate)
    return 1.0 - _sum_down(count - 1, trials, rate)


def _sum_down(count: int, trials: int, rate: float) -> float:
    """Terms from ``count`` to 0, until they no longer count."""
    term = _probability(count, trials, rate)
    odds = (1.0 - rate) / rate
    total = 0.0
    while count >= 0 and term > total * 1e-18:
        total += term
        term *= count / (trials - count + 1) * odds
        count -= 1
    return min(total, 1.0)


def _sum_up(count: int, trials: int, rate: float) -> float:
    """Terms from ``count`` to ``trials``, until they no longer count."""
    term = _probability(count, trials, rate)
    odds = rate / (1.0 - rate)
    total = 0.0
    while count <= trials and term > total * 1e-18:
        total += term
        term *= (trials - count) / (count + 1) * odds
        count += 1
    return min(total, 1.0)


def _probability(count: int, trials: int, rate: float) -> float:
    """Exactly ``count`` in ``trials``; ``0 < rate < 1``."""
    rest = trials - count
    if count == 0:
        return math.exp(trials * math.log1p(-rate))
    if rest == 0:
        return math.exp(trials * math.log(rate))
    exponent = _stirling_error(trials) - _stirling_error(count) - _stirling_error(rest)
    exponent -= _deviance(count, trials * rate) + _deviance(rest, trials * (1.0 - rate))
    return math.exp(exponent) * math.sqrt(trials / (2 * math.pi * count * rest))


def _stirling_error(count: int) -> float:
    """By how much Stirling's formula falls short of ln(count!)."""
    if count < 16:
        return math.lgamma(count + 1) - (count + 0.5) * math.log(count) + count - 0.5 * math.log(2 * math.pi)
    square = count * count
    series = 1 / 12 - (1 / 360 - (1 / 1260 - (1 / 1680 - 1 / 1188 / square) / square) / square) / square
    return series / count


def _deviance(seen: float, expected: float) -> float:
    """``seen * ln(seen / expected) + expected - seen`` without losing digits where the two are near."""
    if abs(seen - expected) < 0.1 * (seen + expected):
        ratio = (seen - expected) / (seen + expected)
        total, term, odd = (seen - expected) * ratio, 2 * seen * ratio, 1
        while True:
            term *= ratio * ratio
            odd += 2
            more = total + term / odd
            if more == total:
                return total
            total = more
    return seen * math.log(seen / expected) + expected - seen


# A rate.


def rate_interval(mismatches: int, trials: int, confidence: float = CONFIDENCE) -> Rate:
    """Both bounds (Clopper-Pearson): each side is wrong with at most half of what the confidence leaves.

    LocalError unless ``0 <= mismatches <= trials``, ``trials >= 1`` and ``0 < confidence < 1``.
    """
    _check_counts(mismatches, trials, confidence)
    tail = (1.0 - confidence) / 2
    return Rate(mismatches, trials, confidence, _low(mismatches, trials, tail), _high(mismatches, trials, tail))


def rate_at_most(mismatches: int, trials: int, confidence: float = CONFIDENCE) -> Rate:
    """The upper bound alone; with no mismatch it is ``1 - (1 - confidence)^(1 / trials)``, about ``3 / trials``."""
    _check_counts(mismatches, trials, confidence)
    return Rate(mismatches, trials, confidence, 0.0, _high(mismatches, trials, 1.0 - confidence))


def rate_at_least(successes: int, trials: int, confidence: float = CONFIDENCE) -> Rate:
    """The lower bound alone."""
    _check_counts(successes, trials, confidence)
    return Rate(successes, trials, confidence, _low(successes, trials, 1.0 - confidence), 1.0)


def _low(count: int, trials: int, tail: float) -> float:
    if count == 0:
        return 0.0
    if count == trials:
        return math.exp(math.log(tail) / trials)
    return _crossing(lambda rate: above(count, trials, rate) < tail, 0.0, count / trials)


def _high(count: int, trials: int, tail: float) -> float:
    if count == trials:
        return 1.0
    if count == 0:
        return -math.expm1(math.log(tail) / trials)
    return _crossing(lambda rate: below(count, trials, rate) > tail, count / trials, 1.0)


def _crossing(is_before: Callable[[float], bool], low: float, high: float) -> float:
    """Where a property that holds from ``low`` on ceases, to the last digit of a float."""
    for _ in range(_STEPS_MAX):
        middle = (low + high) / 2
        if middle in (low, high):
            break
        if is_before(middle):
            low = middle
        else:
            high = middle
    return high


def trials_for_rate(rate: float, confidence: float = CONFIDENCE, mismatches: int = 0) -> int:
    """How many trials, with at most this many mismatches among them, show that the rate is at most ``rate``.

    LocalError unless ``0 < rate < 1``, and where it would take more than TRIALS_MAX.
    """
    _check_probability("the rate", rate)
    _check_probability("the confidence", confidence)
    if mismatches < 0:
        raise LocalError(f"{mismatches} mismatches: it must be 0 or more")
    return _fewest(lambda trials: below(mismatches, trials, rate) <= 1.0 - confidence, mismatches + 1)


# A quantile.


def quantile_ranks(trials: int, quantile: float, confidence: float = CONFIDENCE) -> Ranks:
    """Between which two order statistics the quantile lies; each side is wrong with at most half of what is left.

    ``trials`` samples; ``0 < quantile < 1``. LocalError for anything else.
    """
    _check_quantile(trials, quantile, confidence)
    tail = (1.0 - confidence) / 2
    lower = _lower_rank(trials, quantile, tail)
    upper = _upper_rank(trials, quantile, tail)
    return Ranks(trials, quantile, lower, upper, coverage(trials, quantile, lower, upper))


def quantile_at_most(trials: int, quantile: float, confidence: float = CONFIDENCE) -> Ranks:
    """The smallest order statistic that the quantile does not exceed; ``upper`` is None with too few samples."""
    _check_quantile(trials, quantile, confidence)
    upper = _upper_rank(trials, quantile, 1.0 - confidence)
    return Ranks(trials, quantile, None, upper, coverage(trials, quantile, None, upper))


def coverage(trials: int, quantile: float, lower: int | None, upper: int | None) -> float:
    """The probability that the quantile lies between the two order statistics (None: unbounded on that side)."""
    beyond_low = 0.0 if lower is None else below(lower - 1, trials, quantile)
    beyond_high = 0.0 if upper is None else above(upper, trials, quantile)
    return 1.0 - beyond_low - beyond_high


def trials_for_quantile(quantile: float, confidence: float = CONFIDENCE) -> int:
    """How many samples, so that the greatest of them is at least the quantile: the least n with 1 - q^n >= confidence.

    LocalError where it would take more than TRIALS_MAX.
    """
    _check_probability("the quantile", quantile)
    _check_probability("the confidence", confidence)
    return _fewest(lambda trials: above(trials, trials, quantile) <= 1.0 - confidence, 1)


def _lower_rank(trials: int, quantile: float, tail: float) -> int | None:
    """The greatest i so that fewer than i samples below the quantile are as unlikely as ``tail``."""
    if not _at_most(below(0, trials, quantile), tail):
        return None
    low, high = 1, trials + 1  # low holds, high does not
    while high - low > 1:
        middle = (low + high) // 2
        if middle <= trials and _at_most(below(middle - 1, trials, quantile), tail):
            low = middle
        else:
            high = middle
    return low


def _upper_rank(trials: int, quantile: float, tail: float) -> int | None:
    """The least j so that j or more samples below the quantile are as unlikely as ``tail``."""
    if not _at_most(above(trials, trials, quantile), tail):
        return None
    low, high = 0, trials  # high holds, low does not
    while high - low > 1:
        middle = (low + high) // 2
        if _at_most(above(middle, trials, quantile), tail):
            high = middle
        else:
            low = middle
    return high


def _at_most(probability: float, tail: float) -> bool:
    """Equal counts as at most: ``1 - 0.95`` is a little more than 0.05 in floats, or a little less."""
    return probability <= tail * (1 + 1e-12)


def _fewest(is_enough: Callable[[int], bool], low: int) -> int:
    """The least whole number from ``low`` on for which it is enough, and stays so."""
    if is_enough(low):
        return low
    high = low
    while not is_enough(high):
        if high >= TRIALS_MAX:
            raise LocalError(f"it would take more than {TRIALS_MAX:.0e} trials: claim less")
        low, high = high, min(2 * high, TRIALS_MAX)
    while high - low > 1:
        middle = (low + high) // 2
        if is_enough(middle):
            high = middle
        else:
            low = middle
    return high


# What cannot be asked.


def _check_counts(count: int, trials: int, confidence: float) -> None:
    if not 0 <= count <= trials or not 1 <= trials <= TRIALS_MAX:
        raise LocalError(f"{count} of {trials}: it must be 0 to all of 1 to {TRIALS_MAX:.0e} trials")
    _check_probability("the confidence", confidence)


def _check_quantile(trials: int, quantile: float, confidence: float) -> None:
    _check_counts(0, trials, confidence)
    _check_probability("the quantile", quantile)


def _check_probability(what: str, number: float) -> None:
    if not 0.0 < number < 1.0:
        raise LocalError(f"{what} is {number}: it must lie between 0 and 1")
