"""The fingerprint pass: every declared fault gives a result of its own, and what is wrong is named."""

from __future__ import annotations

import itertools
import os
import random
from dataclasses import replace
from typing import Any

import pytest

from wherry.errors import LocalError
from wherry.plan import load, loads
from wherry.prove.fingerprint import Blind, Changes, Fingerprint, Side, alike_others, fingerprint_of, limits_of
from wherry.prove.mapping_faults import FaultKind, Pattern, can_show, own_changes, pairs_of, patterns
from wherry.prove.naming import Showing, judge_receiver, judge_shown, judge_source, moved_together, unseen_of
from wherry.prove.places import Content, Place, content_of, source_places
from wherry.prove.simulated import pass_simulated

SEEDS = int(os.environ.get("WHERRY_FINGERPRINT_SEEDS", "3"))
"""How many random plans are enumerated. At 3 all of this takes about half a minute."""


def datas_of(place: Place, steps: int, seen: int) -> list[bytes | None]:
    """What was read in each step, from a pattern all of whose bits are known."""
    width = place.window_bits
    found: list[bytes | None] = []
    for step in reversed(range(steps)):
        part = seen >> step * (width + 1) & (1 << width + 1) - 1
        order = "little" if place.point.table.is_bits else "big"
        data = (part & (1 << width) - 1).to_bytes((width + 7) // 8, order)  # type: ignore[arg-type]
        found.append(data if part >> width else None)
    return found


def filled(place: Place, steps: int, look: Pattern, rng: random.Random) -> int:
    """The bits of a pattern; those that are not known hold still at something."""
    still = rng.getrandbits(place.window_bits)
    fill = 0
    for _ in range(steps):
        fill = fill << (place.window_bits + 1) | still
    return look.bits | fill & ~look.mask


@pytest.fixture(scope="module", params=range(SEEDS))
def made(request: pytest.FixtureRequest, tools: Any) -> Fingerprint:
    """A fingerprint of a random plan."""
    rng = random.Random(request.param)
    rows = tools.some_rows(rng, 24, is_narrowed=False)
    return fingerprint_of(tools.plan_of(rows), rng, beside=True)


# Enumerated.


def test_a_plan_that_is_right_is_not_found_wrong(tools: Any, made: Fingerprint) -> None:
    read = {
        place.index: [each.data for each in made.contents[place.index]]
        for place in made.sources
        if not place.is_bool  # of a bit the rest of its register is read too; test_seeded looks at those
    }
    assert judge_source(made, read) == ()
    assert judge_receiver(made, {p.index: [each.shown for each in made.puts[p.index]] for p in made.receivers}) == ()


def test_each_single_fault_of_a_source_gives_a_result_of_its_own(made: Fingerprint) -> None:
    rng = random.Random(0)
    excused = {
        (limit.place.index, changes)
        for limit in limits_of(made)
        if limit.side is Side.SOURCE
        for changes in limit.changes
    }
    checked = 0
    for place in (each for each in made.sources if not each.is_beside):
        for change in own_changes(place):
            for look in patterns(place, place, made.contents[place.index], (change,)):
                seen = datas_of(place, made.steps, filled(place, made.steps, look, rng))
                (wrong,) = judge_source(made, {place.index: seen}) or (None,)
                if (place.index, (change,)) not in excused:
                    assert wrong is not None
                    assert wrong.candidates == ((change,),), wrong.sentence
                    checked += 1
    assert checked > 200
    # What is excused is what no value tells: a wider number whose first word holds nothing but the sign.
    assert {each.kind for _, changes in excused for each in changes} <= {FaultKind.WIDTH}


def test_each_value_in_the_place_of_another_gives_a_result_of_its_own(made: Fingerprint) -> None:
    assert alike_others(made) == set()
    rng = random.Random(0)
    checked = 0
    for place, origin in itertools.permutations([each for each in made.sources if not each.is_beside], 2):
        if can_show(place, origin) and place.is_bool == origin.is_bool:
            (look,) = patterns(place, origin, made.contents[origin.index], ())
            if look.is_plain(place.window_bits, made.steps):
                continue  # its first registers hold nothing but the sign
            seen = filled(place, made.steps, look, rng)
            (wrong,) = judge_source(made, {place.index: datas_of(place, made.steps, seen)})
            assert [each[0].origin for each in wrong.candidates] == [origin.index]
            checked += 1
    assert checked > 100


def test_each_swap_is_named_as_one(made: Fingerprint) -> None:
    for one, other in itertools.combinations([each for each in made.sources if not each.is_beside], 2):
        if one.point.type == other.point.type and not one.is_bool:
            seen = {
                one.index: [each.data for each in made.contents[other.index]],
                other.index: [each.data for each in made.contents[one.index]],
            }
            (wrong,) = judge_source(made, seen)
            assert {each.index for each in wrong.places} == {one.index, other.index}
            assert wrong.sentence.endswith("are swapped")
            assert wrong.is_named


def test_each_single_fault_of_a_receiver_gives_a_result_of_its_own(made: Fingerprint) -> None:
    excused = {
        (limit.place.index, changes)
        for limit in limits_of(made)
        if limit.side is Side.RECEIVER
        for changes in limit.changes
    }
    checked = 0
    for place in made.receivers:
        for change in own_changes(place, is_receiver=True):
            if (place.index, (change,)) in excused:
                continue
            (seen,) = made.shown(place, (change,))
            (wrong,) = judge_receiver(made, {place.index: list(seen)})
            kinds = {each[0].kind for each in wrong.candidates}
            assert (change,) in wrong.candidates or kinds == {FaultKind.OTHER}, wrong.sentence
            assert len(wrong.candidates) == 1, wrong.sentence
            checked += 1
    assert checked > 200


def test_pairs_of_faults_of_one_place(tools: Any) -> None:
    """Two faults of one place are told as these two; or as one of them, where it hides the other until it is mended.
    A few look like another fault: where nothing could be given in any step, all that forbid it look alike."""
    rng = random.Random(1)
    mark = fingerprint_of(tools.plan_of(tools.some_rows(rng, 6, is_narrowed=False)), rng)
    count = named = other = 0
    for place in mark.sources:
        silent = {each[0] for each in mark.own_looks(place).silent}
        for pair in pairs_of([each for each in own_changes(place) if each not in silent]):
            look = patterns(place, place, mark.contents[place.index], pair)[0]
            if mark.expected(place).fits(look.bits) or look.is_silent(place.window_bits, mark.steps):
                continue  # the two undo one another, or nothing is to be seen
            seen = filled(place, mark.steps, look, rng)
            (wrong,) = judge_source(mark, {place.index: datas_of(place, mark.steps, seen)})
            count += 1
            named += wrong.candidates == (pair,)
            is_part = any(each[0] in pair and len(each) == 1 for each in wrong.candidates)
            other += pair not in wrong.candidates and not is_part
    assert count > 200
    assert named > 0.7 * count
    assert other <= count // 50


def test_faults_of_two_places_are_told_apart_from_each_other(made: Fingerprint) -> None:
    """Each place is judged by what is seen of it alone: what is told of one does not depend on any other."""
    rng = random.Random(0)
    looks: list[tuple[Place, Changes, list[bytes | None]]] = []
    for place in (each for each in made.sources if not each.is_beside):
        changes = rng.choice([change for change, _ in made.own_looks(place).all() if change])
        look = patterns(place, place, made.contents[place.index], changes)[0]
        looks.append((place, changes, datas_of(place, made.steps, filled(place, made.steps, look, rng))))
    for one, other in itertools.combinations(looks, 2):
        told = judge_source(made, {one[0].index: one[2], other[0].index: other[2]})
        assert [each.places for each in told] == [(one[0],), (other[0],)]
        assert one[1] in told[0].candidates
        assert other[1] in told[1].candidates


# Seeded, in a plant that is written down without any code of the package.


@pytest.mark.parametrize("seed", range(SEEDS))
def test_seeded_faults_of_all_kinds(tools: Any, seed: int) -> None:
    rng = random.Random(seed)
    rows = tools.some_rows(rng, 30, gaps=(0, 0, 1, 2))
    faulty, seeded = tools.seed(rows, 13, rng)
    judged = tools.judge(fingerprint_of(tools.plan_of(faulty), rng, beside=True), rows, seeded)
    assert judged.missed == []
    assert judged.untrue == []
    assert judged.false == []


def test_a_whole_controller_that_counts_from_one(tools: Any) -> None:
    """Every place one too low: told as one mistake."""
    rows = [
        tools.row(f"value {n}", tools.spot(2 * n, "uint16" if n % 2 else "int32"), tools.spot(2 * n, "int32"))
        for n in range(8)
    ]
    rows += [tools.row("value 8", tools.spot(16, "int16"), tools.spot(16, "int32"))]
    faulty = [replace(row, take=replace(row.take, address=row.take.address + 1)) for row in rows]
    mark = fingerprint_of(tools.plan_of(faulty), random.Random(0), beside=True)
    read, _, _ = tools.plant(rows).pass_with(mark)
    wrong = judge_source(mark, read)
    assert len(wrong) == 9
    assert moved_together(wrong, mark.sources) == [
        "all 9 places of skid (holding) are wrong, and of 4 it is seen that they lie 1 register before: "
        "look at how its manual counts"
    ]


def test_two_names_for_one_place(tools: Any) -> None:
    """A copied line whose place was not changed: the plan alone cannot tell; different values can."""
    rows = [tools.row("pump 1", tools.spot(3, "bool", bit=1), tools.spot(0, "bool", table="coil"))]
    rows += [tools.row("pump 2", tools.spot(3, "bool", bit=2), tools.spot(1, "bool", table="coil"))]
    faulty = [rows[0], replace(rows[1], take=rows[0].take)]
    mark = fingerprint_of(tools.plan_of(faulty), random.Random(0))
    read, _, _ = tools.plant(rows).pass_with(mark)
    (wrong,) = judge_source(mark, read)
    assert wrong.places[0].name == "pump 2"
    assert wrong.sentence == "`pump 2` (skid, holding 3.1): it is bit 2, not bit 1"


def test_numbers_do_not_move_more_often_than_they_must(tools: Any) -> None:
    rows = [tools.row("a", tools.spot(0, "float32"), tools.spot(0, "float32"))]
    mark = fingerprint_of(tools.plan_of(rows), random.Random(0))
    assert mark.steps < 4


def test_the_same_chance_gives_the_same_set(tools: Any) -> None:
    plan = tools.plan_of(tools.some_rows(random.Random(5), 12))
    one, other = (fingerprint_of(plan, random.Random(7)) for _ in range(2))
    assert one.contents == other.contents


def test_what_is_given_is_permitted(tools: Any) -> None:
    plan = load("examples/hatchery.toml").plan
    mark = fingerprint_of(plan, random.Random(0))
    by_name = {name: place for place in mark.sources for name in place.names}
    for value in plan.transfers[0].values:
        for content in mark.contents[by_name["water", value.name].index]:
            if value.range is not None:
                assert isinstance(content.shown, int | float)
                assert value.range[0] <= content.shown <= value.range[1]
            assert content.data not in [code.to_bytes(2, "big") for code in value.not_available]
    assert mark.left_out == ()


def test_a_place_that_permits_nothing_is_left_out(tools: Any) -> None:
    rows = [tools.row(name, tools.spot(at, "int16"), tools.spot(at, "int16")) for at, name in enumerate(("a", "b"))]
    plan = tools.plan_of(rows)
    values = (replace(plan.transfers[0].values[0], range=(99_999.0, 100_000.0)), plan.transfers[0].values[1])
    made = fingerprint_of(replace(plan, transfers=(replace(plan.transfers[0], values=values),)), random.Random(0))
    assert [each.name for each in made.left_out] == ["a"]
    assert [each.name for each in made.sources] == ["b"]


def test_a_plan_without_values() -> None:
    plan = loads('title = "nothing"\n[controller.skid]\nconnect = "tcp://127.0.0.1:1"\n').plan
    with pytest.raises(LocalError, match="takes no value"):
        fingerprint_of(plan, random.Random(0))


def test_a_receiver_that_shows_nothing_known(tools: Any) -> None:
    rows = [tools.row("a", tools.spot(0, "int16"), tools.spot(0, "int16"))]
    mark = fingerprint_of(tools.plan_of(rows), random.Random(0))
    (wrong,) = judge_receiver(mark, {0: [4321] * mark.steps})
    assert wrong.candidates == ()
    assert "none of the test values" in wrong.sentence


@pytest.mark.slow
def test_twenty_faults_in_two_hundred_points(tools: Any) -> None:
    rng = random.Random(20)
    rows = tools.some_rows(rng, 200, gaps=(0, 0, 1, 2), is_narrowed=False)
    faulty, seeded = tools.seed(rows, 20, rng)
    judged = tools.judge(fingerprint_of(tools.plan_of(faulty), rng, beside=True), rows, seeded)
    assert len(seeded) == 20
    assert judged.missed == []
    assert judged.untrue == []
    assert judged.several == []
    assert judged.false == []


# Where the source can be given no test values: values of the day, compared with what its display shows.


@pytest.mark.slow
def test_values_of_the_day_and_what_they_leave_open(tools: Any) -> None:
    """Twenty faults in two hundred points: values as they happen to be, and the ends of their range."""
    rng = random.Random(20)
    rows = tools.some_rows(rng, 200, gaps=(0, 0, 1, 2), is_narrowed=False)
    faulty, seeded = tools.seed(rows, 20, rng, sides=(Side.SOURCE,))
    by_name = {row.name: row for row in rows}
    sources = source_places(tools.plan_of(faulty))
    mark = Fingerprint(sources, (), 3)
    for place in sources:  # what the source holds in truth: a low value, a high one and one in between, as displayed
        spot = by_name[place.name].take
        if spot.type == "bool":
            shown: list[Any] = [True, False, rng.random() < 0.5]
            rng.shuffle(shown)  # each is looked at in both states, and not all change at once
        else:
            low, high = tools.ends(spot.type)
            shown = [round(end * rng.uniform(0.5, 1)) * spot.step for end in (low, high, high / 300)]
        mark.contents[place.index] = tuple(Content(b"", each, each) for each in shown)
    plant = tools.plant(rows)
    plant.pass_with(mark)
    seen = {place.index: [each.shown for each in mark.contents[place.index]] for place in sources}
    showing = Showing(Side.SOURCE, sources, tools.image_of(plant.sources), 3, tolerance=1e-4)
    wrong = judge_shown(showing, seen, pairs=False)
    found = {place.name for each in wrong for place in each.places}
    about = {name for each in seeded for name in each.names}
    assert found <= about, "none reported falsely"
    missed = [each for each in seeded if not found & set(each.names)]
    truth = {row.name: row for row in rows}
    told = [any(tools.is_true(mark, truth, each, changes) for changes in each.candidates) for each in wrong]
    assert sum(told) >= 0.9 * len(told), "and most are named"
    assert len(missed) <= 1
    left = {limit.place.name for limit in unseen_of(showing, seen)}
    assert all(set(each.names) <= left for each in missed), "what is missed is listed as what cannot be seen"


def test_what_one_value_of_the_day_cannot_see(tools: Any) -> None:
    """Two pumps that are both on, and a level that is 7 whatever its sign."""
    on = [
        tools.row(f"pump {n}", tools.spot(n, "bool", table="coil"), tools.spot(n, "bool", table="coil")) for n in (1, 2)
    ]
    rows = [*on, tools.row("level", tools.spot(5, "int16"), tools.spot(5, "int16"))]
    places = source_places(tools.plan_of(rows))
    image = {("coil", 1): 1, ("coil", 2): 1, ("holding", 5): 7}
    showing = Showing(Side.SOURCE, places, tools.image_of([image]), 1)
    seen: dict[int, list[Any]] = {0: [True], 1: [True], 2: [7]}
    assert judge_shown(showing, seen) == ()
    left = {limit.place.name: {each[0].kind for each in limit.changes} for limit in unseen_of(showing, seen)}
    assert left["pump 1"] == left["pump 2"] == {FaultKind.OTHER}
    assert left["level"] == {FaultKind.SIGN}
    (wrong,) = judge_shown(replace(showing, within={2: 0.5}), {2: [70.2]})
    assert wrong.sentence.endswith("the plan makes of it 10 times too little")
    assert judge_shown(replace(showing, within={2: 0.5}), {2: [7.4]}) == ()


def test_values_that_nothing_tells_apart_are_told(tools: Any) -> None:
    rows = [tools.row(name, tools.spot(at, "int16"), tools.spot(at, "int16")) for at, name in enumerate(("a", "b"))]
    plan = tools.plan_of(rows)
    values = tuple(replace(value, range=(5.0, 5.0)) for value in plan.transfers[0].values)
    made = fingerprint_of(replace(plan, transfers=(replace(plan.transfers[0], values=values),)), random.Random(0))
    alike = {(limit.side, limit.changes[0][0].kind) for limit in limits_of(made) if limit.blind is Blind.ALIKE}
    assert {(Side.SOURCE, FaultKind.OTHER), (Side.RECEIVER, FaultKind.OTHER)} <= alike


# Carried by the engine.


def test_the_engine_carries_every_test_value(tools: Any) -> None:
    rng = random.Random(3)
    plan = tools.plan_of(tools.some_rows(rng, 40))
    mark = fingerprint_of(plan, rng, beside=True)
    passed = pass_simulated(mark, plan, plan, 0)
    assert len(passed.read) == len(passed.shown) == 40
    assert passed.not_carried == {}
    assert judge_source(mark, passed.read) == ()
    assert judge_receiver(mark, passed.shown, passed.image) == ()


def test_faults_are_named_from_what_the_engine_carried(tools: Any) -> None:
    rng = random.Random(4)
    rows = tools.some_rows(rng, 40, gaps=(0, 0, 1, 2))
    faulty, seeded = tools.seed(rows, 11, rng)
    plan = tools.plan_of(faulty)
    mark = fingerprint_of(plan, rng, beside=True)
    passed = pass_simulated(mark, plan, tools.plan_of(rows), 0)
    wrong = [*judge_source(mark, passed.read), *judge_receiver(mark, passed.shown, passed.image)]
    told = {(each.side, place.name) for each in wrong for place in each.places}
    about = {(each.side, name) for each in seeded for name in each.names}
    assert told <= about, "none reported falsely"
    assert all(told & {(each.side, name) for name in each.names} for each in seeded), "all found"
    truth = {row.name: row for row in rows}
    assert all(any(tools.is_true(mark, truth, each, changes) for changes in each.candidates) for each in wrong)


def test_a_value_that_is_not_carried_is_told(tools: Any) -> None:
    """A device that holds nonsense for the plan: what is read is Bad, and nothing may be put."""
    rows = [tools.row("a", tools.spot(0, "float32"), tools.spot(0, "float32"))]
    plan = tools.plan_of(rows)
    values = (replace(plan.transfers[0].values[0], range=(1.0, 1000.0)),)
    narrow = replace(plan, transfers=(replace(plan.transfers[0], values=values),))
    other = tools.plan_of([replace(rows[0], take=replace(rows[0].take, order="DCBA"))])
    mark = fingerprint_of(narrow, random.Random(0))
    passed = pass_simulated(mark, narrow, other, 0)
    assert passed.not_carried == {0: list(range(1, mark.steps + 1))}
    (wrong,) = judge_source(mark, passed.read)
    assert wrong.sentence.endswith("its word order and byte order is another: DCBA, not ABCD")


def test_a_truth_without_a_controller(tools: Any) -> None:
    plan = tools.plan_of([tools.row("a", tools.spot(0, "int16"), tools.spot(0, "int16"))])
    mark = fingerprint_of(plan, random.Random(0))
    with pytest.raises(LocalError, match="has no controller hall"):
        pass_simulated(mark, plan, replace(plan, controllers=plan.controllers[:1], transfers=()), 0)


def test_a_device_that_rounds_now_up_now_down(tools: Any) -> None:
    """Half of an odd number, by arithmetic in floats."""
    rows = [tools.row("a", tools.spot(0, "int16"), tools.spot(0, "int16"))]
    mark = fingerprint_of(tools.plan_of(rows), random.Random(0))
    (place,) = mark.sources
    mark.give(0, tuple(replace_number(place, number) for number in (31, -20_001, 4_095, 771)[: mark.steps]))
    mark.carry()
    halves = [15, -10_001, 2_048, 385][: mark.steps]
    (wrong,) = judge_source(mark, {0: [half.to_bytes(2, "big", signed=True) for half in halves]})
    assert wrong.is_named
    assert wrong.sentence.endswith("the plan makes of it 2 times too little")


def replace_number(place: Place, number: int) -> Content:
    content = content_of(place, number)
    assert content is not None
    return content
