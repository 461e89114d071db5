"""Random truths: what is decided is right, and what is right is never thrown away.

WHERRY_FIT_TRUTHS is how many are drawn (by default 100; 20,000 and more were run, see docs/fit.md).
"""

from __future__ import annotations

import os
from dataclasses import replace
from fractions import Fraction
from random import Random

import pytest
from tests.fit.world import RANGES, World, background_word, display, draw_world, number_of, told, words_of

from wherry.errors import LocalError
from wherry.fit.advice import advise
from wherry.fit.facts import Interval, Quantity, Shared, shown
from wherry.fit.forms import FORMS, Family, Form, number_at
from wherry.fit.readings import Round
from wherry.fit.scales import USUAL
from wherry.fit.search import Field, Way, search
from wherry.fit.verdict import Verdict, fit
from wherry.plan.model import Span
from wherry.values.scaling import Line
from wherry.values.types import Order

TRUTHS = int(os.environ.get("WHERRY_FIT_TRUTHS", "100"))
UNCHANGED = next(each for each in USUAL if each.line.is_identity)
LOOKS_MAX = 8
SEED = os.environ.get("WHERRY_FIT_SEED", "fit 1")


def reads_right(world: World, best: Way, rng: Random, *, within: bool) -> bool:
    """Whether what was decided reads the truth's registers right, at any value it can have, whatever lies around."""
    if best == world.truth:
        return True
    truth = world.truth
    if not within or best.table is not truth.table or best.scale is None or truth.scale is None:
        return False
    if abs(best.address - truth.address) > 4:
        return False
    first = min(best.address, truth.address) - 4
    for _ in range(60):
        value = rng.choice((world.low, world.high, world.values()))
        number = number_of(truth, value)
        memory = [rng.randrange(65536) for _ in range(16)]
        at = truth.address - first
        memory[at : at + truth.form.registers] = words_of(truth.form, number)
        at = best.address - first
        found = number_at(best.form, memory[at : at + best.form.registers])
        if found is None:
            return False
        if Fraction(found) * best.scale.line.factor != Fraction(number) * truth.scale.line.factor:
            return False
    return True


def has(field: Field, verdict: Verdict, truth: Way) -> bool:
    """Whether the truth is among what is left; where that is more than is ranked, among what the search leaves."""
    if verdict.count <= len(verdict.ranked):
        return any(each.way == truth for each in verdict.ranked)
    return any(
        truth.address in group.addresses
        for group in search(field, verdict.quantity)
        if (group.table, group.form, group.scale) == (truth.table, truth.form, truth.scale)
    )


def story(rng: Random) -> tuple[World, Quantity, int, bool]:
    """A device, what is told of it, and how its display shows values."""
    world = draw_world(rng)
    for _ in range(rng.choice((1, 1, 2, 3, 8))):
        world.read(world.values())
    decimals, is_cut = rng.randrange(4), rng.random() < 0.3
    quantity = told(
        world,
        rng,
        with_range=rng.random() < 0.6,
        shows=rng.choice((0.5, 1.0, 1.0)),
        decimals=decimals,
        is_cut=is_cut,
        is_near=rng.random() < 0.4,
    )
    if rng.random() < 0.3:
        quantity = replace(quantity, types=(world.truth.form.name,), declared=frozenset({"type"}))
    return world, quantity, decimals, is_cut


def judged(world: World, quantity: Quantity, rng: Random) -> Verdict | None:
    """The verdict, after it was looked at: what is decided is right, and the truth is among what is left."""
    try:
        verdict = fit(Field(world.rounds), [quantity])[0]
    except LocalError as little:
        if "too little is known" not in str(little):
            raise
        return None
    assert verdict.count, (world.truth, quantity)
    assert has(Field(world.rounds), verdict, world.truth), (world.truth, quantity, verdict.ranked[:3])
    if verdict.is_decided:
        assert verdict.best is not None
        assert reads_right(world, verdict.best, rng, within=quantity.range is not None), (world.truth, verdict.best)
    return verdict


@pytest.mark.slow
@pytest.mark.timeout(3600)
def test_no_decision_is_wrong_and_no_truth_is_lost() -> None:
    counts = {"decided": 0, "undecided": 0, "too little": 0, "first in rank": 0}
    for number in range(TRUTHS):
        rng = Random(f"{SEED} {number}")
        world, quantity, _, _ = story(rng)
        verdict = judged(world, quantity, rng)
        if verdict is None:
            counts["too little"] += 1
            continue
        counts["decided" if verdict.is_decided else "undecided"] += 1
        counts["first in rank"] += verdict.best is not None and reads_right(
            world, verdict.best, rng, within=quantity.range is not None
        )
    print(f"{TRUTHS:,} truths: {counts}")
    assert counts["decided"] > TRUTHS / 20


def followed(
    world: World, quantity: Quantity, verdict: Verdict, rng: Random, decimals: int, *, is_cut: bool
) -> tuple[str, Quantity, Verdict | None]:
    """What comes of doing what is advised: what was done, what is known now, and the verdict after it."""
    advice = advise(Field(world.rounds), verdict)
    assert advice is not None
    wanted = [*advice.stretches, *([(None, None)] if advice.is_any_other else [])]
    done = []
    for low, high in wanted:
        value = world.can_hold(low, high)
        if value is None:
            continue
        world.read(value)
        text = display(rng, world.holds[-1], max(decimals, advice.decimals), is_cut=is_cut)
        quantity = replace(quantity, shows={**quantity.shows, len(world.rounds) - 1: shown(text)})
        done.append("observed")
    if advice.wants_range:
        quantity = replace(quantity, range=Interval(world.low, world.high))
        done.append("given its range")
    return ", ".join(done), quantity, judged(world, quantity, rng) if done else verdict


@pytest.mark.slow
@pytest.mark.timeout(3600)
def test_what_is_advised_decides() -> None:
    """Of what is undecided, the observation that is named is simulated, and decides; if not the first, a later one, for
    values of two digits are met by accident again and again."""
    undecided, after, never = 0, [0, 0, 0, 0], 0
    for number in range(TRUTHS // 2):
        rng = Random(f"{SEED} {number}")
        world, quantity, decimals, is_cut = story(rng)
        verdict = judged(world, quantity, rng)
        if verdict is None or verdict.is_decided:
            continue
        undecided += 1
        done = []
        for step in range(LOOKS_MAX):
            if verdict is None or verdict.is_decided:
                break
            what, quantity, verdict = followed(world, quantity, verdict, rng, decimals, is_cut=is_cut)
            done.append(what)
            if verdict is not None and verdict.is_decided:
                after[min(step, 3)] += 1
        if verdict is None or not verdict.is_decided:
            never += 1
            print(number, done, world.truth, verdict and verdict.why)
    print(f"{undecided} undecided: decided by what was advised first, second, third, later: {after}; not: {never}")
    assert never <= undecided * 0.01
    assert after[0] >= undecided * 0.5


FLOATS = [form for form in FORMS if form.family is Family.FLOAT and form.bits == 32]


def float_story(rng: Random, *, shows: float, away: int, has_moved: bool, digits: int = 4) -> tuple[World, Quantity]:
    """A float32 that was read eight times while it moved, with its range."""
    world = draw_world(rng, FLOATS)
    truth = replace(world.truth, scale=UNCHANGED)
    low, high = (Fraction(each) for each in rng.choice(RANGES))
    world.truth, world.low, world.high = truth, low, high
    for _ in range(8):
        world.read(world.values())
    decimals = max(0, digits - len(str(int(high - low))))
    quantity = told(world, rng, with_range=True, shows=shows, decimals=decimals, is_cut=False, is_near=False)
    if away >= 0:
        start = max(0, truth.address - away)
        span = Span(truth.table, start, truth.address + away + 1 - start)
        quantity = replace(quantity, places=(span,), types=("float32",), scales=(UNCHANGED,), is_present=True)
    if has_moved:
        quantity = replace(quantity, moves=(max(world.holds) - min(world.holds)) / 2)
    return world, quantity


@pytest.mark.slow
@pytest.mark.timeout(3600)
@pytest.mark.parametrize(
    ("name", "shows", "away", "has_moved", "digits", "least"),
    [
        ("a known place, its order is asked, nothing was shown", 0.0, 0, False, 4, 0.95),
        ("all places, types, orders and scales, shown with four digits", 1.0, -1, False, 4, 0.95),
        ("all places, types, orders and scales, shown with three digits", 1.0, -1, False, 3, 0.4),
    ],
)
def test_float32_with_a_range_after_eight_moving_samples(
    name: str, shows: float, away: int, has_moved: bool, digits: int, least: float
) -> None:
    count = max(60, TRUTHS // 4)
    decided = 0
    for number in range(count):
        rng = Random(f"{SEED} float32 {number}")
        world, quantity = float_story(rng, shows=shows, away=away, has_moved=has_moved, digits=digits)
        verdict = judged(world, quantity, rng)
        decided += verdict is not None and verdict.is_decided
    print(f"float32, {name}: {decided} of {count} decided, {100 * decided / count:.1f} %")
    assert decided >= least * count


@pytest.mark.slow
@pytest.mark.timeout(3600)
def test_halves_of_neighbours_read_nearly_right() -> None:
    """A place that may be wrong by one, nothing shown: what stays undecided is a float32 whose low word is another
    value's. It has the right sign, exponent and 7 bits of 23: off by less than one part in 128."""
    count, decided, near = max(60, TRUTHS // 4), 0, 0
    for number in range(count):
        rng = Random(f"{SEED} halves {number}")
        world, quantity = float_story(rng, shows=0.0, away=1, has_moved=True)
        verdict = judged(world, quantity, rng)
        assert verdict is not None
        decided += verdict.is_decided
        values = [value for each in verdict.ranked for value in zip(each.values, world.holds, strict=True)]
        near += all(value is not None and abs(value - truth) * 128 <= abs(truth) for value, truth in values)
    print(
        f"float32, a place that may be wrong by one: {decided} of {count} decided; all within one part in 128: {near}"
    )
    assert near >= 0.9 * count


def device_story(rng: Random) -> tuple[World, list[Quantity], list[Way], list[Shared]]:
    """Several quantities of one device, all kept in one order, and what is told of them."""
    order = rng.choice(list(Order))
    forms = [form for form in FORMS if form.is_in_plan and order in form.orders_alike]
    world = draw_world(rng, forms)
    world.base, world.size = world.truth.address, 0
    truths, quantities, held = [], [], []
    readings = rng.choice((1, 2, 4))
    for number in range(rng.randrange(2, 6)):
        one = draw_world(rng, forms)
        truth = replace(one.truth, table=world.truth.table, address=world.base + world.size)
        one.truth, one.base, one.size = truth, truth.address, truth.form.registers
        one.background = [background_word(rng) for _ in range(one.size)]
        for _ in range(readings):
            one.read(one.values())
        world.size += one.size
        quantity = told(
            one,
            rng,
            with_range=rng.random() < 0.5,
            shows=1.0,
            decimals=rng.randrange(1, 4),
            is_cut=False,
            is_near=False,
        )
        truths.append(truth)
        quantities.append(replace(quantity, name=str(number), guess=(truth.table, truth.address + 1)))
        held.append(one)
    for reading in range(readings):
        made = Round(reading)
        for one in held:
            for table, items in one.rounds[reading].tables.items():
                made.tables.setdefault(table, {}).update(items)
        world.rounds.append(made)
    shared = [
        Shared.ORDER,
        *([Shared.TABLE] if rng.random() < 0.5 else []),
        *([Shared.OFFSET] if rng.random() < 0.5 else []),
    ]
    return world, quantities, truths, shared


@pytest.mark.slow
@pytest.mark.timeout(3600)
def test_quantities_of_one_device_together() -> None:
    """What is declared to be shared throws nothing right away, and decides nothing wrong."""
    alone, together, count = 0, 0, 0
    for number in range(TRUTHS // 5):
        rng = Random(f"{SEED} device {number}")
        world, quantities, truths, shared = device_story(rng)
        field = Field(world.rounds)
        alone += sum(each.is_decided for each in fit(field, quantities))
        for truth, verdict in zip(truths, fit(field, quantities, shared), strict=True):
            assert has(field, verdict, truth), (truth, verdict.ranked[:3])
            count += 1
            if verdict.is_decided:
                assert verdict.best is not None
                low, high = (verdict.quantity.range or Interval(Fraction(0), Fraction(0))).low, Fraction(0)
                high = verdict.quantity.range.high if verdict.quantity.range is not None else high
                judge = replace(world, truth=truth, low=low, high=high)
                assert reads_right(judge, verdict.best, rng, within=verdict.quantity.range is not None), truth
                together += 1
    print(f"{count} quantities of {TRUTHS // 5} devices: {alone} decided alone, {together} together")
    assert together > alone


def left_of(world: World, known: Quantity, form: Form) -> list[Way]:
    """All ways of one form that the search leaves."""
    groups = [group for group in search(Field(world.rounds), known) if group.form == form]
    return [way for group in groups for way in group.ways()]


@pytest.mark.slow
def test_lines_and_exponents_never_lose_the_truth() -> None:
    """Numbers on any line, and numbers with a power of ten in another register."""
    decided = [0, 0]
    for number in range(TRUTHS // 4):
        rng = Random(f"{SEED} line {number}")
        world = draw_world(rng, [form for form in FORMS if form.name in ("int16", "uint16", "int32", "float32")])
        truth = replace(world.truth, scale=UNCHANGED)
        world.truth, world.low, world.high = truth, Fraction(0), Fraction(20000)
        readings = rng.randrange(2, 6)
        for _ in range(readings):
            world.read(world.values())
        line = Line(
            Fraction(rng.randrange(1, 500), 100) * rng.choice((1, -1)), Fraction(rng.randrange(-1000, 1000), 10)
        )
        seen = {at: shown(display(rng, line.at(value), 2, is_cut=False)) for at, value in enumerate(world.holds)}
        known = Quantity("line", seen, is_any_line=True, is_present=True)
        verdict = fit(Field(world.rounds), [known])[0]
        same = [way for way in left_of(world, known, truth.form) if way.address == truth.address]
        same = [way for way in same if way.table is truth.table]
        assert len(same) == 1, truth
        assert same[0].slopes is not None
        assert same[0].slopes[0] <= line.factor <= same[0].slopes[1]
        if verdict.is_decided:
            assert same == [verdict.best]
        decided[0] += verdict.is_decided

        power = rng.randrange(-3, 2)
        exponent = world.base + rng.choice(
            [
                at
                for at in range(world.size)
                if world.base + at not in range(truth.address, truth.address + truth.form.registers)
            ]
        )
        for each in world.rounds:
            each.put(truth.table, exponent, [power % 65536])
        if not truth.form.is_whole:
            continue
        scale = Fraction(10) ** power
        seen = {
            at: shown(display(rng, value * scale, max(0, -power), is_cut=False)) for at, value in enumerate(world.holds)
        }
        span = Span(truth.table, world.base, world.size)
        known = Quantity("exponent", seen, exponent=(span,), is_present=True)
        verdict = fit(Field(world.rounds), [known])[0]
        found = [
            way
            for way in left_of(world, known, truth.form)
            if (way.table, way.address, way.exponent) == (truth.table, truth.address, exponent)
        ]
        assert len(found) == 1, (truth, exponent)
        if verdict.is_decided:
            assert found == [verdict.best]
        decided[1] += verdict.is_decided
    print(f"{TRUTHS // 4} lines, {decided[0]} decided; exponents: {decided[1]} decided")
