"""When two ways make no difference, tried on registers: what covers reads right, whatever lies around."""

from __future__ import annotations

import math
from fractions import Fraction
from random import Random

from tests.fit.world import words_of

from wherry.fit.cover import best_cover, covers, range_of_cover
from wherry.fit.facts import Interval
from wherry.fit.forms import FORMS, number_at
from wherry.fit.scales import USUAL
from wherry.fit.search import Way
from wherry.plan.model import Table

WHOLE = [form for form in FORMS if form.is_whole]
ENDS = (0, 1, 9, 10, 99, 100, 255, 256, 999, 5000, 9999, 10000, 32767, 32768, 65535, 65536, 10**6, 10**8, 2**31, 2**40)
PAIRS = 20_000


def read(way: Way, truth: Way, number: int, rng: Random) -> Fraction | None:
    """What a way reads while the true one holds a number and all other registers hold anything."""
    first = min(way.address, truth.address)
    memory = [rng.choice((0, rng.randrange(65536))) for _ in range(16)]
    at = truth.address - first
    memory[at : at + truth.form.registers] = words_of(truth.form, number)
    at = way.address - first
    found = number_at(way.form, memory[at : at + way.form.registers])
    assert way.scale is not None
    return None if found is None else Fraction(found) * way.scale.line.factor


def numbers_within(truth: Way, within: Interval, rng: Random) -> list[int]:
    """Numbers that the true way can hold for values of a range: its ends, and some between."""
    assert truth.scale is not None
    low = max(math.ceil(within.low / truth.scale.line.factor), int(truth.form.limits[0]))
    high = min(math.floor(within.high / truth.scale.line.factor), int(truth.form.limits[1]))
    return [] if low > high else [low, high, *(rng.randint(low, high) for _ in range(12))]


def pair(rng: Random) -> tuple[Way, Way, Interval]:
    """Two ways that share registers, and a range."""
    truth = Way(Table.HOLDING, 100, rng.choice(WHOLE), rng.choice(USUAL[2:7]))
    scale = truth.scale if rng.random() < 0.7 else rng.choice(USUAL[2:7])
    way = Way(Table.HOLDING, 100 + rng.randrange(-3, 4), rng.choice(WHOLE), scale)
    low = rng.choice((0, 0, 0, -1, -100, -40000))
    return way, truth, Interval(Fraction(low), Fraction(rng.choice(ENDS)) * rng.choice((1, Fraction(1, 100))))


def test_what_covers_reads_right_at_every_value_of_the_range() -> None:
    rng = Random("cover")
    covered = 0
    for _ in range(PAIRS):
        way, truth, within = pair(rng)
        if within.low >= within.high or way == truth or not covers(way, truth, within):
            continue
        covered += 1
        for number in numbers_within(truth, within, rng):
            assert truth.scale is not None
            assert read(way, truth, number, rng) == number * truth.scale.line.factor, (way, truth, within, number)
    print(f"{covered:,} of {PAIRS:,} pairs made no difference")
    assert covered > 100


def test_what_does_not_cover_is_wrong_somewhere() -> None:
    """The other way round, for the plain integers: where it says no, some number of the range is read wrong."""
    rng = Random("uncovered")
    plain = [form for form in WHOLE if form.name in ("int16", "uint16", "int32", "uint32")]
    refused, wrong = 0, 0
    for _ in range(6_000):
        scale = USUAL[4]
        truth = Way(Table.HOLDING, 100, rng.choice(plain), scale)
        way = Way(Table.HOLDING, 100 + rng.randrange(-1, 2), rng.choice(plain), scale)
        within = Interval(Fraction(rng.choice((0, -100))), Fraction(rng.choice(ENDS[2:])))
        if covers(way, truth, within):
            continue
        refused += 1
        tried = [number for _ in range(3) for number in numbers_within(truth, within, rng)]
        wrong += any(read(way, truth, number, rng) != number for number in tried)
    print(f"{wrong:,} of {refused:,} that were refused were wrong at one of the numbers tried")
    assert wrong == refused


def test_the_range_that_is_named_makes_no_difference() -> None:
    rng = Random("range")
    named = 0
    for _ in range(400):
        way, truth, _ = pair(rng)
        within = range_of_cover(way, [way, truth], [Fraction(0)])
        if within is None:
            continue
        named += 1
        assert covers(way, truth, Interval(*within))
        assert best_cover([way, truth], Interval(*within)) is not None
    assert named > 10
