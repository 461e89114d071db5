"""Response times, motion and gaps as numbers, without any device."""

from __future__ import annotations

from random import Random

import pytest

from wherry.plan.model import Table
from wherry.survey.items import Items, State, runs_of
from wherry.survey.pace import fit_line, median, share
from wherry.survey.watching import Motion, motion_of


def test_an_exact_line() -> None:
    line = fit_line([(count, 5_000_000 + 20_000 * count) for count in (1, 32, 63, 94, 125)])
    assert line is not None
    assert line.fixed_ns == pytest.approx(5_000_000)
    assert line.per_item_ns == pytest.approx(20_000)


def test_outliers_do_not_move_the_line() -> None:
    rng = Random(3)
    times = [(count, 5_000_000 + 20_000 * count + rng.randint(-50_000, 50_000)) for count in (1, 32, 63, 94, 125) * 8]
    spoiled = [(count, took * 20 if index % 6 == 0 else took) for index, (count, took) in enumerate(times)]
    line = fit_line(spoiled)
    assert line is not None
    assert line.fixed_ns == pytest.approx(5_000_000, rel=0.05)
    assert line.per_item_ns == pytest.approx(20_000, rel=0.1)


def test_the_interval_holds_the_truth_as_often_as_it_says() -> None:
    rng = Random(7)
    held = 0
    for _ in range(400):
        times = [(count, round(3e6 + 15_000 * count + rng.gauss(0, 200_000))) for count in (1, 32, 63, 94, 125) * 8]
        line = fit_line(times)
        assert line is not None
        held += line.per_item_low_ns <= 15_000 <= line.per_item_high_ns
    # 95 %: between 360 and 395 of 400 but for one time in 2,000.
    assert 360 <= held <= 395


def test_too_little_for_a_line() -> None:
    assert fit_line([(1, 5)]) is None
    line = fit_line([(1, 5), (1, 7), (1, 9)])
    assert line is not None
    assert (line.fixed_ns, line.fixed_low_ns, line.fixed_high_ns, line.per_item_ns) == (7, 5, 9, 0)


def test_shares() -> None:
    assert median([3, 1, 2]) == 2
    assert median([4, 1, 2, 3]) == 2.5
    assert share(range(1, 101), 0.95) == 95
    assert share([7], 0.5) == 7


@pytest.mark.parametrize(
    ("words", "motion"),
    [
        ([5, 5, 5], Motion.STILL),
        ([5, 6, 6, 9], Motion.COUNTS_UP),
        ([65530, 65535, 4, 9], Motion.COUNTS_UP),
        ([9, 6, 6, 5], Motion.COUNTS_DOWN),
        ([5, 6, 5, 6], Motion.MOVES),
        ([5, 6, 6, 6], Motion.MOVES),
        ([0, 1, 0, 1], Motion.MOVES),
        ([100, 40000, 3], Motion.MOVES),
        ([7], Motion.STILL),
    ],
)
def test_motion(words: list[int], motion: Motion) -> None:
    assert motion_of(words) is motion


def test_spans_of_states() -> None:
    items = Items(1, Table.HOLDING, 10, 20, 0)
    items.mark(10, 13, State.READABLE)
    items.mark(15, 16, State.READABLE)
    assert [(span.start, span.count) for span in items.spans(State.READABLE)] == [(10, 3), (15, 1)]
    assert [(span.start, span.count) for span in items.spans(State.UNKNOWN)] == [(13, 2), (16, 4)]
    assert runs_of([]) == []
