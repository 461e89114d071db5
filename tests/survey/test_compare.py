"""What has changed since a profile: nothing between two surveys of one device, and each change that is made to it."""

from __future__ import annotations

from dataclasses import replace

import pytest
from tests.survey.truths import HOST, MS, S, Truth, surveyed

from wherry.plan.model import Table
from wherry.plan.profile import Profile, parse_profile, profile_text
from wherry.survey.compare import Change, compare, moved_by
from wherry.survey.found import Settings
from wherry.survey.profile_of import profile_of

WIDTHS = (1, 1, 1, -3, 1, 1, 2, -2, 1, -7, 1, 1, 1, 1, -1, 1, 1, 1)
FIRST = Truth("any", (*WIDTHS, -6, *[1] * 20), 16, fixed_ns=10 * MS, gap_ns=40 * MS, idle_ns=3 * S, counting=(6,))
SETTINGS = Settings(units=(1,), tables=(Table.HOLDING,), ranges=((0, FIRST.size),), idle_ns=5 * S, watch_ns=2 * S)


def profiled(truth: Truth) -> Profile:
    found = surveyed(truth, SETTINGS).found
    profile = profile_of(found, at=f"tcp://{HOST}", surveyed="2026-11-25T12:00:00Z")
    # As it comes back from its file.
    return parse_profile(profile_text(profile))


@pytest.fixture(scope="module")
def before() -> Profile:
    return profiled(FIRST)


def changed(before: Profile, truth: Truth) -> dict[str, Change]:
    return {each.what: each for each in compare(before, profiled(truth))}


def test_nothing_has_changed(before: Profile) -> None:
    assert compare(before, before) == []
    assert changed(before, replace(FIRST, seed=99)) == {}


def test_a_moved_map(before: Profile) -> None:
    moved = replace(FIRST, widths=(-2, *WIDTHS, -4, *[1] * 20), counting=(8,))
    changes = changed(before, moved)
    assert changes["holding: the map seems to have moved"].now == "by +2"
    gone = changes["holding: can be read no more"]
    assert gone.is_grave
    assert gone.before == "0..1, 6..7, 12, 20..21, 26"
    assert changes["holding: can be read now"].now == "3..4, 10..11, 14, 24, 28..29"
    assert not changes["holding: can be read now"].is_grave


def test_a_register_that_is_gone(before: Profile) -> None:
    widths = (1, -1, 1, *FIRST.widths[3:])
    changes = changed(before, replace(FIRST, widths=widths))
    assert list(changes) == ["holding: can be read no more"]
    assert changes["holding: can be read no more"].before == "1"


@pytest.mark.parametrize(
    ("truth", "what", "old", "new", "is_grave"),
    [
        (replace(FIRST, limit=8), "registers in one read", "16", "8", True),
        (replace(FIRST, kind="shift"), "holes in the holding table", "any", "shift", True),
        (replace(FIRST, gap_ns=120 * MS), "gap between requests", "", "", True),
        (replace(FIRST, fixed_ns=25 * MS), "response time", "10 ms", "25 ms", False),
        (replace(FIRST, idle_ns=S), "idle connections are closed after", "3 s", "1 s", True),
    ],
)
def test_each_change_is_told(before: Profile, truth: Truth, what: str, old: str, new: str, is_grave: bool) -> None:
    change = changed(before, truth)[what]
    assert change.is_grave is is_grave
    if old:
        assert (change.before, change.now) == (old, new)


def test_other_firmware(before: Profile) -> None:
    other = replace(before, device={**before.device, "revision": replace(before.device["revision"], value="3.0")})
    (change,) = compare(before, other)
    assert (change.what, change.before, change.now, change.is_grave) == ("revision", "2.11", "3.0", True)
    silent = replace(before, device={key: fact for key, fact in before.device.items() if key != "revision"})
    assert [each.now for each in compare(before, silent)] == ["not told any more"]


def test_what_was_not_looked_at_is_not_compared(before: Profile) -> None:
    part = replace(SETTINGS, ranges=((0, 10),))
    found = surveyed(FIRST, part).found
    now = profile_of(found, at="", surveyed="")
    assert compare(before, now) == []


@pytest.mark.parametrize("shift", [-3, 1, 40])
def test_the_shift_of_a_map(shift: int) -> None:
    was = {5, 6, 7, 12, 20, 21, 30}
    assert moved_by(was, {at + shift for at in was}) == shift
    assert moved_by(was, was) == 0
    assert moved_by(was, was - {12}) == 0
    assert moved_by(was, set()) == 0
