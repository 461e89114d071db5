"""The test pattern: nothing in it can be taken for anything else, and one read tells everything."""

from __future__ import annotations

import re
import struct
from random import Random

import pytest

from wherry.fit.forms import FORMS, encode
from wherry.fit.pattern import (
    CONSTANTS,
    TEXT,
    conclusions,
    find_pattern,
    find_pattern_text,
    literal,
    missing,
    program_text,
)
from wherry.fit.readings import Round
from wherry.plan.model import Point, Table
from wherry.values.codec import writer
from wherry.values.types import NUMBERS, Order, string

SHAPES = [(constant, form) for constant in CONSTANTS for form in FORMS if form.name == constant.type]


def test_no_two_constants_and_orders_hold_the_same_words() -> None:
    seen: dict[tuple[int, ...], str] = {}
    for constant, form in SHAPES:
        words = encode(form, constant.value)
        assert words not in seen, (constant.name, form, seen.get(words))
        seen[words] = constant.name
    for words in seen:
        others = [other for other in seen if len(other) > len(words)]
        assert not any(words == other[at : at + len(words)] for other in others for at in range(len(other)))


def test_each_constant_has_bytes_of_its_own() -> None:
    for constant, form in SHAPES:
        data = b"".join(word.to_bytes(2, "big") for word in encode(form, constant.value))
        assert len(set(data)) == len(data), constant


def test_signed_ones_are_below_zero_and_unsigned_ones_above_the_middle() -> None:
    for constant in CONSTANTS:
        kind = NUMBERS[constant.type]
        if constant.type.startswith("int"):
            assert constant.value < 0
        if constant.type.startswith("uint"):
            assert constant.value >= 1 << kind.bits - 1


def test_what_the_program_says_is_the_same_number() -> None:
    text = program_text()
    for constant in CONSTANTS:
        match = re.search(rf"{constant.name} +: {constant.iec} := (\S+);", text)
        assert match is not None
        assert match[1] == literal(constant)
        number = float(match[1]) if "float" in constant.type else int(match[1])
        if constant.type == "float32":
            number = struct.unpack(">f", struct.pack(">f", number))[0]
        assert number == constant.value


@pytest.mark.parametrize("order", list(Order))
def test_a_device_of_each_order_is_known_by_one_read(order: Order) -> None:
    rng = Random(f"pattern {order}")
    at, words = 0, dict[int, int]()
    where = {}
    for constant in CONSTANTS:
        at += rng.randrange(3)
        data = writer(Point(Table.HOLDING, 0, NUMBERS[constant.type], order))(constant.value)
        where[constant.name] = 200 + at
        for offset in range(0, len(data), 2):
            words[200 + at] = int.from_bytes(data[offset : offset + 2], "big")
            at += 1
    data = writer(Point(Table.HOLDING, 0, string(len(TEXT)), order))(TEXT)
    text_at = 210 + at
    words.update({text_at + offset: int.from_bytes(data[2 * offset : 2 * offset + 2], "big") for offset in range(4)})
    one = Round(0)
    for address in range(190, 300):
        one.put(Table.HOLDING, address, [words.get(address, rng.randrange(65536))])
    seen = find_pattern([one])
    assert {each.constant.name: each.address for each in seen} == where
    assert all(order in each.orders for each in seen)
    assert missing(seen) == []
    assert conclusions(seen) == [
        f"numbers of 32 bits are kept in the order {order}",
        f"numbers of 64 bits are kept in the order {order}",
        "the bytes of single words are "
        + ("swapped (BADC)" if order in (Order.BADC, Order.DCBA) else "as usual (ABCD)"),
    ]
    assert find_pattern_text([one]) == [(Table.HOLDING, text_at, order)]


def test_what_is_not_there_is_told() -> None:
    one = Round(0)
    one.put(Table.HOLDING, 0, [0xCD15])
    assert [each.constant.name for each in find_pattern([one])] == ["pattern_int"]
    assert len(missing(find_pattern([one]))) == len(CONSTANTS) - 1
