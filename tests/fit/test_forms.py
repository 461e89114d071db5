"""The search's own reading of registers against the one meaning of types and orders, `wherry.values`."""

from __future__ import annotations

import json
import math
import struct
from pathlib import Path
from random import Random

import numpy as np
import pytest

from wherry.fit.forms import FORMS, MODULO_BASE, TYPE_NAMES, Family, Form, decode, encode, number_at, windows
from wherry.plan.model import Point, Table
from wherry.values.codec import UnreadableError, writer
from wherry.values.codec import decode as value_of
from wherry.values.types import NUMBERS, Order

PLAN_FORMS = [form for form in FORMS if form.is_in_plan]


def point_of(form: Form, order: Order | None = None) -> Point:
    return Point(Table.HOLDING, 0, NUMBERS[form.name], order or form.order)


def same(ours: int | float | None, theirs: object) -> bool:
    if ours is None:
        return theirs is None or (isinstance(theirs, float) and not math.isfinite(theirs))
    return ours == theirs and isinstance(ours, int) is isinstance(theirs, int)


def random_words(rng: Random, count: int) -> list[int]:
    """Words as devices have them: any, small, BCD, the ends of ranges."""
    kinds = (
        lambda: rng.randrange(65536),
        lambda: rng.randrange(200),
        lambda: int(f"{rng.randrange(10000):04d}", 16),
        lambda: rng.choice((0, 1, 0x7FFF, 0x8000, 0xFFFF, 0x7F80, 0xFF80, 0x7FC0, 9999, 10000)),
    )
    return [rng.choice(kinds)() for _ in range(count)]


@pytest.mark.parametrize("form", PLAN_FORMS, ids=str)
def test_every_form_of_a_plan_is_read_as_a_plan_reads_it(form: Form) -> None:
    rng = Random(f"forms {form}")
    words = np.array([random_words(rng, form.registers) for _ in range(3000)], dtype=np.uint16)
    values, valid = decode(form, words)
    point = point_of(form)
    for row, value, is_number in zip(words, values, valid, strict=True):
        data = row.astype(">u2").tobytes()
        try:
            theirs: object = value_of(point, data)
        except UnreadableError:
            theirs = None
        assert same(value.item() if is_number else None, theirs), (row, value, theirs)


@pytest.mark.parametrize("form", PLAN_FORMS, ids=str)
def test_orders_said_to_be_alike_read_alike(form: Form) -> None:
    rng = Random(f"alike {form}")
    for _ in range(200):
        data = b"".join(word.to_bytes(2, "big") for word in random_words(rng, form.registers))
        if form.family is Family.BCD:
            data = bytes.fromhex("".join(rng.choice("0123456789") for _ in range(4 * form.registers)))
        read = [value_of(point_of(form, order), data) for order in form.orders_alike]
        assert all(each == read[0] or (each != each and read[0] != read[0]) for each in read)
    assert form.order in form.orders_alike


def test_every_type_and_order_of_a_plan_is_among_the_forms() -> None:
    assert set(NUMBERS) <= set(TYPE_NAMES)
    for name in TYPE_NAMES:
        orders = [order for form in FORMS if form.name == name for order in form.orders_alike]
        assert sorted(orders) == sorted(Order)


@pytest.mark.parametrize("form", FORMS, ids=str)
def test_what_is_encoded_is_decoded(form: Form) -> None:
    rng = Random(f"round {form}")
    low, high = form.limits
    for _ in range(300):
        number: int | float
        if form.family is Family.FLOAT:
            number = rng.uniform(-1e6, 1e6)
            number = struct.unpack(">f", struct.pack(">f", number))[0] if form.bits == 32 else number
        else:
            number = rng.choice((int(low), int(high), rng.randint(int(low), int(high)), rng.randint(0, 9)))
        words = encode(form, number)
        assert number_at(form, words) == number
        if form.is_in_plan:
            data = b"".join(word.to_bytes(2, "big") for word in words)
            assert writer(point_of(form))(number) == data


def test_modulo_10000_by_hand() -> None:
    """1234 5678 is twelve million three hundred ...: each word holds four decimal digits."""
    plain = next(form for form in FORMS if form.name == "modulo10000(2)" and form.order is Order.ABCD)
    swapped = next(form for form in FORMS if form.name == "modulo10000(2)" and form.order is Order.CDAB)
    assert number_at(plain, (1234, 5678)) == 1234 * MODULO_BASE + 5678 == 12345678
    assert number_at(swapped, (5678, 1234)) == 12345678
    assert number_at(plain, (1234, 10000)) is None
    with pytest.raises(ValueError, match="does not fit"):
        encode(plain, MODULO_BASE**2)


def test_published_vectors_of_all_orders() -> None:
    """The register vectors of tests/vectors/number_formats.json, each with its source there, in all four orders."""
    file = Path(__file__).parents[1] / "vectors" / "number_formats.json"
    checked = 0
    for vector in json.loads(file.read_text(encoding="utf-8"))["vectors"]:
        if vector["type"] not in NUMBERS or not isinstance(vector["value"], int | float):
            continue
        for form in FORMS:
            if form.name != vector["type"]:
                continue
            words = [int(word, 16) for word in vector["registers"][form.order]]
            number = number_at(form, words)
            expected = vector["value"]
            assert number == (
                struct.unpack(">f", struct.pack(">f", expected))[0] if form.name == "float32" else expected
            )
            checked += 1
    assert checked > 20


def test_windows_are_every_run() -> None:
    assert windows(np.array([1, 2, 3], dtype=np.uint16), 2).tolist() == [[1, 2], [2, 3]]
