"""Releases keep to absolute instants: no drift, nothing made up for."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from wherry.engine.schedule import Release, Schedule

MS = 1_000_000


def test_serving_late_does_not_shift_what_follows() -> None:
    schedule = Schedule([200 * MS], 0)
    assert schedule.pop_due(7 * MS) == [Release(0, 0, 0)]
    assert schedule.next_due_ns == 200 * MS
    assert schedule.pop_due(333 * MS) == [Release(0, 200 * MS, 0)]
    assert schedule.next_due_ns == 400 * MS


def test_missed_releases_are_counted_and_not_made_up_for() -> None:
    schedule = Schedule([200 * MS], 0)
    assert schedule.pop_due(1_050 * MS) == [Release(0, 1_000 * MS, 5)]
    assert schedule.next_due_ns == 1_200 * MS


def test_entries_of_one_period_are_spread_over_it() -> None:
    schedule = Schedule([200 * MS, 100 * MS, 200 * MS], 1000 * MS)
    order = [(each.index, each.due_ns // MS) for now in range(1000, 1200) for each in schedule.pop_due(now * MS)]
    assert order == [(0, 1000), (1, 1000), (1, 1100), (2, 1100)]


@given(
    st.lists(st.integers(1, 50), min_size=1, max_size=5),
    st.lists(st.integers(0, 400), min_size=1, max_size=60),
)
def test_served_and_missed_are_together_every_release(periods: list[int], waits: list[int]) -> None:
    """Against a plain count: by instant t, offset o and period p make floor((t - o) / p) + 1 releases."""
    schedule = Schedule(periods, 0)
    offsets = {}
    for index, period in enumerate(periods):
        same = [i for i, other in enumerate(periods) if other == period]
        offsets[index] = period * same.index(index) // len(same)
    seen = dict.fromkeys(range(len(periods)), 0)
    now = 0
    for wait in waits:
        now += wait
        for release in schedule.pop_due(now):
            assert release.due_ns <= now < release.due_ns + periods[release.index]
            seen[release.index] += 1 + release.missed
        for index, period in enumerate(periods):
            expected = 0 if now < offsets[index] else (now - offsets[index]) // period + 1
            assert seen[index] == expected


def test_an_empty_schedule_is_never_due() -> None:
    assert Schedule([], 0).next_due_ns is None
    assert Schedule([], 0).pop_due(10) == []
