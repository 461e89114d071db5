"""Small cases by hand: what is left, what is decided, and what is told when it is not."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from random import Random

import pytest

from wherry.clock import cpu_ns
from wherry.errors import LocalError
from wherry.fit.advice import advise
from wherry.fit.cover import covers
from wherry.fit.facts import Interval, Quantity, Shared, shown
from wherry.fit.forms import FORMS, Form
from wherry.fit.others import KnownSwitch, KnownText, find_switch, find_text
from wherry.fit.readings import Round, rounds
from wherry.fit.scales import USUAL, of_line
from wherry.fit.search import Field, Way
from wherry.fit.statements import known_of, statement
from wherry.fit.verdict import Status, Verdict, fit
from wherry.plan.model import Table
from wherry.survey.snapshot import Reading, Snapshot
from wherry.values.types import Order


def field_of(*words: Sequence[int], table: Table = Table.HOLDING, start: int = 100) -> Field:
    made = []
    for each in words:
        one = Round(0)
        one.put(table, start, each)
        made.append(one)
    return Field(made)


def quantity(*sentences: str, readings: int = 1, all_types: bool = False) -> Quantity:
    known = known_of([f"level {each}" for each in sentences], readings, is_present=True, all_types=all_types)
    assert len(known) == 1
    assert isinstance(known[0], Quantity)
    return known[0]


def ways(verdict: Verdict) -> set[str]:
    return {f"{each.way.address} {each.way.form.name} {each.way.form.order}" for each in verdict.ranked}


def form(name: str, order: Order = Order.ABCD) -> Form:
    return next(each for each in FORMS if each.name == name and order in each.orders_alike)


def holding(address: int, name: str, order: Order = Order.ABCD, factor: int = 1) -> Way:
    scale = next(each for each in USUAL if each.line.factor == factor)
    return Way(Table.HOLDING, address, form(name, order), scale)


def test_a_display_that_rounds_and_one_that_cuts_are_both_believed() -> None:
    for number, fits in (
        (3.7249, True),
        (3.7150, True),
        (3.7299, True),
        (3.7101, True),
        (3.731, False),
        (3.709, False),
    ):
        assert (Fraction(str(number)) in shown("3.72").interval) is fits
    assert Fraction("3.73") not in shown("3.72").interval
    assert shown("1.2e3").digit == 100
    assert shown("-20").interval == Interval(Fraction(-21), Fraction(-19), is_open=True)
    assert shown("3.72", "0.05").interval == Interval(Fraction("3.67"), Fraction("3.77"))


def test_a_decimal_comma_is_answered_with_what_to_write() -> None:
    with pytest.raises(
        LocalError, match=r"`3,72` is no number as a display shows it.*; write 3\.72 for a decimal comma$"
    ):
        shown("3,72")
    with pytest.raises(LocalError, match=r"write 1\.080 for a decimal comma or 1080 for a comma between thousands$"):
        shown("1,080")


def test_sign_and_width_are_undecided_until_a_range_is_said() -> None:
    field = field_of([0, 372, 40000, 9], [0, 375, 40000, 9], [0, 301, 40000, 9])
    told = ("shows 3.72 m", "shows 3.75 m", "shows 3.01 m")
    verdict = fit(field, [quantity(*told, readings=3)])[0]
    assert ways(verdict) == {"101 int16 ABCD", "101 uint16 ABCD", "100 int32 ABCD", "100 uint32 ABCD"}
    assert not verdict.is_decided
    advice = advise(field, verdict)
    assert advice is not None
    assert advice.wants_range
    assert advice.range == (Fraction("-327.68"), Fraction("327.67"))
    verdict = fit(field, [quantity(*told, "within 0..5", readings=3)])[0]
    assert verdict.is_decided
    assert verdict.best is not None
    assert (verdict.best.address, verdict.best.form.registers) == (101, 1)
    status = {fact.name: fact.status for fact in verdict.facts}
    assert status["type"] is Status.NO_DIFFERENCE
    assert status["scale"] is Status.DECIDED


def test_below_zero_decides_the_sign() -> None:
    field = field_of([9, 372, 40000, 9], [9, 65516, 40000, 9])
    verdict = fit(field, [quantity("shows 3.72", "shows -0.20", readings=2)])[0]
    assert ways(verdict) == {"101 int16 ABCD"}
    assert verdict.is_decided


def test_what_was_not_read_proves_nothing() -> None:
    first, second = Round(0), Round(1)
    first.put(Table.HOLDING, 100, [372])
    second.put(Table.HOLDING, 200, [375])
    verdict = fit(Field([first, second]), [quantity("shows 3.72", "shows 3.75", readings=2)])[0]
    assert {each.way.address for each in verdict.ranked} == {100, 200}


def test_facts_that_exclude_each_other_are_told() -> None:
    with pytest.raises(LocalError, match="shows what lies outside its range at reading 1"):
        fit(field_of([1]), [quantity("shows 7", "within 0..5")])
    with pytest.raises(LocalError, match="is about reading 2, and there is 1 reading"):
        quantity("shows 7", "shows 8")


def test_nothing_fits() -> None:
    verdict = fit(field_of([1, 2, 3]), [quantity("shows 777.7")])[0]
    assert (verdict.count, verdict.why) == (0, "nothing in these registers fits")
    assert advise(field_of([1, 2, 3]), verdict) is None


def test_one_that_may_be_there_by_accident_is_not_decided() -> None:
    """The same registers and value, without the word that it is there for certain: in 2,000 random registers, a number
    of three digits is met by chance."""
    rng = Random("accident")
    words = [rng.randrange(1000, 65536) for _ in range(2000)]
    field = field_of(words)
    sure = quantity("shows 3.72", "as uint16 ABCD", "scaled 0.01")
    words[77] = 372
    field = field_of(words)
    verdict = fit(field, [sure])[0]
    assert verdict.is_decided
    unsure = known_of(
        ["level shows 37.2", "level as uint16 ABCD", "level scaled 0.001"], 1, is_present=False, all_types=False
    )
    words = [37_200 if index == 5 else word for index, word in enumerate(words) if word not in range(37_101, 37_300)]
    verdict = fit(field_of(words), [each for each in unsure if isinstance(each, Quantity)])[0]
    assert (verdict.count, verdict.is_decided, verdict.is_accident) == (1, False, True)
    assert "by accident" in verdict.why


def test_points_of_one_device_share_their_order() -> None:
    """Halves of two neighbours, joined in another order, read nearly the same: alone undecided, together decided."""
    field = field_of([0x436A, 0xA2CB, 0x436A, 0x5E5E, 0x4060, 0x354B, 0x1111])
    shows = {"a": "234.636", "b": "234.369", "c": "3.503"}
    known = [Quantity(name, {0: shown(text)}, is_present=True) for name, text in shows.items()]
    alone = fit(field, known)
    assert [each.is_decided for each in alone] == [False, True, True]
    together = fit(field, known, [Shared.ORDER])
    assert [each.is_decided for each in together] == [True, True, True]
    assert ways(together[0]) == {"100 float32 ABCD"}


def test_an_offset_that_all_addresses_share() -> None:
    field = field_of([5, 372, 372, 1480, 9])
    known = known_of(
        ["level shows 3.72", "level near holding 102", "speed shows 1480", "speed near holding 104",
         "level as uint16", "speed as uint16", "level within 0..5", "speed within 0..3000"],
        1, is_present=True, all_types=False,
    )  # fmt: skip
    numbers = [each for each in known if isinstance(each, Quantity)]
    assert [each.is_decided for each in fit(field, numbers)] == [False, True]
    together = fit(field, numbers, [Shared.OFFSET])
    assert [each.is_decided and each.best is not None and each.best.address for each in together] == [101, 103]


def test_what_makes_no_difference() -> None:
    low_word, whole = holding(101, "uint16"), holding(100, "uint32")
    assert covers(low_word, whole, Interval(Fraction(0), Fraction(65535)))
    assert not covers(low_word, whole, Interval(Fraction(0), Fraction(65536)))
    assert not covers(low_word, whole, None)
    assert not covers(whole, low_word, Interval(Fraction(0), Fraction(5)))
    assert covers(holding(100, "int16"), holding(100, "uint16"), Interval(Fraction(-5), Fraction(32767)))
    assert not covers(holding(100, "uint16"), holding(100, "int16"), Interval(Fraction(-5), Fraction(100)))
    assert covers(holding(100, "uint16"), holding(100, "uint32", Order.CDAB), Interval(Fraction(0), Fraction(9)))
    assert not covers(holding(100, "uint16"), holding(100, "uint32", Order.DCBA), Interval(Fraction(0), Fraction(9)))
    assert covers(holding(100, "bcd16"), holding(100, "uint16"), Interval(Fraction(0), Fraction(9)))
    assert not covers(holding(100, "bcd16"), holding(100, "uint16"), Interval(Fraction(0), Fraction(10)))


def test_four_to_twenty_milliamperes() -> None:
    """Half of the span of a 0 to 150 m3/h flow meter is 12 mA, here counted in microamperes."""
    field = field_of([3, 12000, 40000], [3, 8000, 40000])
    known = quantity("shows 75.0", "shows 37.5", "spans 0..150", "within 0..150", readings=2)
    verdict = fit(field, [known])[0]
    assert verdict.best is not None
    assert verdict.best.scale is not None
    assert verdict.best.scale.words == "4000..20000 is 4..20 mA"
    assert {each.way.address for each in verdict.ranked} == {101}


def test_any_line_from_three_looks() -> None:
    """Degrees Fahrenheit shown, tenths of degrees Celsius kept: factor 0.18, offset 32."""
    field = field_of([7, 100, 500], [8, 215, 490], [9, 333, 530])
    shows = [f"shows {32 + 0.18 * raw:.1f}" for raw in (100, 215, 333)]
    verdict = fit(field, [quantity(*shows, "scaled any line", "as int16 ABCD", readings=3)])[0]
    assert ways(verdict) == {"101 int16 ABCD"}
    assert verdict.ranked[0].way.slopes is not None
    low, high = verdict.ranked[0].way.slopes
    assert low <= 0.18 <= high
    assert high - low < 0.01
    assert verdict.is_decided


def test_an_exponent_in_another_register() -> None:
    """2392 with the exponent -1, then 2401 with -1, then 240 with 0: only the exponent's register fits."""
    field = field_of([2392, 7, 0xFFFF, 0xFFFF], [2401, 7, 0xFFFF, 0xFFFF], [240, 7, 0, 0xFFFF])
    shows = ("shows 239.2", "shows 240.1", "shows 240")
    verdict = fit(field, [quantity(*shows, "scaled by holding 100..103", "as uint16", "at holding 100", readings=3)])[0]
    assert [(each.way.address, each.way.exponent) for each in verdict.ranked] == [(100, 102)]
    assert [float(value) for value in verdict.ranked[0].values if value is not None] == [239.2, 240.1, 240.0]
    assert verdict.is_decided


def test_a_scale_of_ones_own() -> None:
    verdict = fit(field_of([9, 140, 7]), [quantity("shows 30", "scaled 0.5 - 40", "at holding 101 uint16")])[0]
    assert verdict.is_decided
    assert verdict.best is not None
    assert verdict.best.scale == of_line(Fraction("0.5"), Fraction(-40))
    assert {fact.name: fact.status for fact in verdict.facts}["scale"] is Status.DECLARED


def test_base_ten_thousand_is_searched_when_asked() -> None:
    field = field_of([1234, 5678, 7])
    assert fit(field, [quantity("shows 12345678")])[0].count == 0
    verdict = fit(field, [quantity("shows 12345678", all_types=True)])[0]
    assert ways(verdict) == {"100 modulo10000(2) ABCD"}


def test_a_text_in_every_order() -> None:
    data = b"TROUT-7\x00\x00\x00"
    words = [int.from_bytes(data[at : at + 2], "big") for at in range(0, len(data), 2)]
    one = Round(0)
    one.put(Table.HOLDING, 10, [5, *words, 5])
    one.put(Table.INPUT, 50, [int.from_bytes(word.to_bytes(2, "little"), "big") for word in words])
    found = find_text([one], KnownText("model", "TROUT-7"))
    assert [str(point) for point in found.points] == ["input 50 string(10) BADC", "holding 11 string(10)"]
    assert find_text([one], KnownText("model", "SALMON")).why == "no registers hold this text"


def test_a_switch_by_its_pattern() -> None:
    rng = Random("switch")
    pattern = [True, False, True, True, False, False, True, False, True, False, False, True]
    made = []
    for state in pattern:
        one = Round(0)
        one.put(Table.COIL, 0, [rng.randrange(2) for _ in range(20)])
        one.put(Table.HOLDING, 7, [rng.randrange(65536) & ~8 | 8 * state])
        made.append(one)
    found = find_switch(made, KnownSwitch("pump", dict(enumerate(pattern)), is_present=True))
    assert [str(point) for point in found.points] == ["holding 7.3"]
    assert found.is_decided
    assert len(find_switch(made[:2], KnownSwitch("pump", dict(enumerate(pattern[:2])))).points) > 1


def test_rounds_end_where_an_item_is_read_again() -> None:
    readings = (
        Reading(0, Table.HOLDING, 0, (1, 2)),
        Reading(1, Table.HOLDING, 2, (3,)),
        Reading(2, Table.INPUT, 0, (9,)),
        Reading(3, Table.HOLDING, 1, (4, 5)),
    )
    made = rounds([Snapshot(readings), Snapshot(readings[:1])])
    assert [each.at_ns for each in made] == [0, 3, 0]
    assert made[0].tables[Table.HOLDING] == {0: 1, 1: 2, 2: 3}


def test_sentences() -> None:
    assert statement("what the pump shows shows 5") != statement("what the pump shows 5")
    with pytest.raises(LocalError, match="did you mean `shows`"):
        statement("level show 5")
    with pytest.raises(LocalError, match="after `within` write LOW"):
        quantity("within five", "shows 3")
    with pytest.raises(LocalError, match=r"there is no type `flaot32`.*did you mean `float32`"):
        quantity("shows 3", "as flaot32")
    with pytest.raises(LocalError, match="nothing is known of the value"):
        quantity("at holding 5")
    known = quantity("shows 3.72 m +- 0.05 in 2", "near 40101 +- 3", "as int16, uint16 CDAB", readings=2)
    assert list(known.shows) == [1]
    assert known.unit == "m"
    assert known.guess == (Table.HOLDING, 100)
    assert [(str(each.table), each.start, each.count) for each in known.places] == [
        ("input", 97, 7),
        ("holding", 97, 7),
    ]
    assert known.types == ("int16", "uint16")
    assert known.declared == {"order"}


@pytest.mark.slow
def test_a_whole_table_takes_less_than_a_second() -> None:
    """All 65,536 registers in every type, order and scale: under one second of the processor's time."""
    rng = Random("whole")
    words = [rng.choice((0, 0, rng.randrange(3000), rng.randrange(65536))) for _ in range(65536)]
    words[4711:4713] = [0x436A, 0xA2CB]
    field = field_of(words, start=0)
    began = cpu_ns()
    verdict = fit(field, [Quantity("volts", {0: shown("234.636")})])[0]
    spent_ns = cpu_ns() - began
    print(f"{len(words):,} registers in {len(FORMS)} forms: {spent_ns / 1e9:.2f} s of CPU, {verdict.count} left")
    assert "4711 float32 ABCD" in ways(verdict)
    assert spent_ns < 1_000_000_000
