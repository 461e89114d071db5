"""Places: every way of writing them that is understood, and what is said about the others."""

from __future__ import annotations

import re
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wherry.plan.model import REFERENCE_DIGIT, Point, Span, Table, reference_number
from wherry.plan.place_words import OTHER_TABLES, OTHER_TYPES
from wherry.plan.places import PATTERN, parse_point, parse_span, parse_status
from wherry.plan.wording import TextError
from wherry.values.types import BOOL, FLOAT32, FLOAT64, INT16, INT32, NUMBERS, UINT16, Order, ValueType, raw, string

HOLDING, INPUT, COIL, DISCRETE = Table.HOLDING, Table.INPUT, Table.COIL, Table.DISCRETE


def point(
    table: Table, address: int, value_type: ValueType = UINT16, order: Order = Order.ABCD, bit: int | None = None
) -> Point:
    return Point(table, address, value_type, order, bit)


def refusal(parse: Callable[[str], object], text: str) -> TextError | None:
    """What is said against a text, if anything is."""
    try:
        parse(text)
    except TextError as refused:
        return refused
    return None


UNDERSTOOD = [
    # addresses from zero
    ("holding 0", point(HOLDING, 0)),
    ("holding 5", point(HOLDING, 5)),
    ("holding 9999", point(HOLDING, 9999)),
    ("holding 10000", point(HOLDING, 10000)),
    ("holding 39999", point(HOLDING, 39999)),
    ("holding 40000", point(HOLDING, 40000)),  # reference numbers begin at 40001
    ("holding 50000", point(HOLDING, 50000)),
    ("holding 65535", point(HOLDING, 65535)),
    ("holding 30001", point(HOLDING, 30001)),  # as a reference number it would be an input register
    ("input 40001", point(INPUT, 40001)),
    ("input 0", point(INPUT, 0)),
    ("coil 5", point(COIL, 5, BOOL)),
    ("coil 10001", point(COIL, 10001, BOOL)),
    ("discrete 7", point(DISCRETE, 7, BOOL)),
    # hexadecimal is always an address
    ("holding 0x10", point(HOLDING, 16)),
    ("holding 0x0010", point(HOLDING, 16)),
    ("holding 0x9C41", point(HOLDING, 40001)),
    ("holding 0xffff", point(HOLDING, 65535)),
    # the address in so many words
    ("holding address 40001", point(HOLDING, 40001)),
    ("input address 30005", point(INPUT, 30005)),
    ("coil address 1", point(COIL, 1, BOOL)),
    ("holding address 40001 int32 CDAB", point(HOLDING, 40001, INT32, Order.CDAB)),
    # reference numbers from one
    ("40001", point(HOLDING, 0)),
    ("400001", point(HOLDING, 0)),
    ("30005", point(INPUT, 4)),
    ("300005", point(INPUT, 4)),
    ("10001", point(DISCRETE, 0, BOOL)),
    ("100001", point(DISCRETE, 0, BOOL)),
    ("00001", point(COIL, 0, BOOL)),
    ("000001", point(COIL, 0, BOOL)),
    ("49999", point(HOLDING, 9998)),
    ("410001", point(HOLDING, 10000)),
    ("465536", point(HOLDING, 65535)),
    ("40001 float32 CDAB", point(HOLDING, 0, FLOAT32, Order.CDAB)),
    ("40013.3", point(HOLDING, 12, BOOL, bit=3)),
    ("40001..40010", point(HOLDING, 0, raw(10))),
    ("00001..00008", point(COIL, 0, raw(8))),
    # a table's word before a number that can only be a reference number
    ("holding 400001", point(HOLDING, 0)),
    ("holding 465536", point(HOLDING, 65535)),
    ("input 300005 int16", point(INPUT, 4, INT16)),
    ("discrete 100001", point(DISCRETE, 0, BOOL)),
    ("holding 400001..400010", point(HOLDING, 0, raw(10))),
    # one reading for both ends
    ("holding 39990..40010", point(HOLDING, 39990, raw(21))),
    ("holding 40001..50000", point(HOLDING, 40001, raw(10000))),
    # bits, runs, types, orders
    ("holding 12.3", point(HOLDING, 12, BOOL, bit=3)),
    ("holding 12.0", point(HOLDING, 12, BOOL, bit=0)),
    ("holding 12.15 bool", point(HOLDING, 12, BOOL, bit=15)),
    ("coil 5 bool", point(COIL, 5, BOOL)),
    ("holding 0..9", point(HOLDING, 0, raw(10))),
    ("holding 0..9 raw", point(HOLDING, 0, raw(10))),
    ("holding 5..5", point(HOLDING, 5, raw(1))),
    ("holding 5 raw", point(HOLDING, 5, raw(1))),
    ("holding 0x0..0x9", point(HOLDING, 0, raw(10))),
    ("coil 0..7", point(COIL, 0, raw(8))),
    ("holding 0..1 float32", point(HOLDING, 0, FLOAT32)),
    ("holding 100 int16", point(HOLDING, 100, INT16)),
    ("holding 0 float32 CDAB", point(HOLDING, 0, FLOAT32, Order.CDAB)),
    ("holding 0 float64 DCBA", point(HOLDING, 0, FLOAT64, Order.DCBA)),
    ("holding 0 float64 GHEFCDAB", point(HOLDING, 0, FLOAT64, Order.CDAB)),
    ("holding 0 float64 HGFEDCBA", point(HOLDING, 0, FLOAT64, Order.DCBA)),
    ("holding 0 float64 BADCFEHG", point(HOLDING, 0, FLOAT64, Order.BADC)),
    ("holding 0 uint16 BA", point(HOLDING, 0, UINT16, Order.BADC)),
    ("holding 0 uint16 CDAB", point(HOLDING, 0, UINT16, Order.CDAB)),
    ("holding 0 BADC", point(HOLDING, 0, UINT16, Order.BADC)),
    ("holding 0 string(9)", point(HOLDING, 0, string(9))),
    ("holding 0..4 string(10) BADC", point(HOLDING, 0, string(10), Order.BADC)),
    ("  holding   0   float32  ", point(HOLDING, 0, FLOAT32)),
]


@pytest.mark.parametrize(("text", "expected"), UNDERSTOOD, ids=[text for text, _ in UNDERSTOOD])
def test_what_is_understood(text: str, expected: Point) -> None:
    read = parse_point(text, ("take",))
    assert read == expected
    assert (read.text, read.path) == (text, ("take",))
    if text == text.strip() and "  " not in text:
        assert re.search(PATTERN, text), "the published pattern must let it pass"


AMBIGUOUS = [
    # text, what is pointed at, both readings, both ways of writing
    ("holding 40001", "40001",
     "the reference number 40001, which is holding 0 counted from zero; or the address 40001 counted from zero, whose "
     "reference number is 440002",
     "write `40001` for the reference number, or `holding address 40001` for the address"),
    ("input 30005 int16", "30005",
     "the reference number 30005, which is input 4 counted from zero; or the address 30005 counted from zero, whose "
     "reference number is 330006",
     "write `30005 int16` for the reference number, or `input address 30005 int16` for the address"),
    ("discrete 10001", "10001",
     "the reference number 10001, which is discrete 0 counted from zero; or the address 10001 counted from zero, whose "
     "reference number is 110002",
     "write `10001` for the reference number, or `discrete address 10001` for the address"),
    ("coil 00001", "00001",
     "the reference number 00001, which is coil 0 counted from zero; or the address 1 counted from zero, whose "
     "reference number is 00002",
     "write `00001` for the reference number, or `coil address 1` for the address"),
    ("holding 40013.3", "40013.3",
     "the reference number 40013, which is holding 12 counted from zero; or the address 40013 counted from zero, whose "
     "reference number is 440014",
     "write `40013.3` for the reference number, or `holding address 40013.3` for the address"),
    ("holding 40001..40010", "40001..40010",
     "the reference number 40001, which is holding 0 counted from zero; or the address 40001 counted from zero, whose "
     "reference number is 440002",
     "write `40001..40010` for the reference number, or `holding address 40001..40010` for the address"),
    ("holding 0010", "0010", "`0010`: 10 if decimal, 16 if hexadecimal",
     "write `holding 10` or `holding 0x10`, whichever the device's manual means"),
    ("holding 00", "00", "`00`: 0 if decimal, 0 if hexadecimal",
     "write `holding 0` or `holding 0x0`, whichever the device's manual means"),
    ("holding 0..0009", "0..0009", "`0009`: 9 if decimal, 9 if hexadecimal",
     "write `holding 0..9` or `holding 0..0x9`, whichever the device's manual means"),
]  # fmt: skip


@pytest.mark.parametrize(("text", "pointed", "found", "fix"), AMBIGUOUS, ids=[each[0] for each in AMBIGUOUS])
def test_a_number_with_two_readings_is_refused_with_both(text: str, pointed: str, found: str, fix: str) -> None:
    with pytest.raises(TextError) as caught:
        parse_point(text)
    refused = caught.value
    assert (refused.name, refused.found, refused.fix) == ("ambiguous-number", found, fix)
    assert refused.offset is not None
    assert text[slice(*refused.offset)] == pointed
    # Both ways that are offered are understood.
    for way in re.findall(r"`([^`]+)`", fix):
        parse_point(way)


REFUSED = [
    # text, name, what is pointed at, part of the message, part of the fix
    ("", "bad-address", None, "the place is empty", "write a place such as `holding 0`"),
    ("holding", "bad-address", "holding", "the address is missing", "`holding 0`"),
    ("holding address", "bad-address", "address", "the address is missing", "`holding address` and a number"),
    ("holdng 0", "bad-address", "holdng", "there is no table `holdng`", "write `holding 0`"),
    ("Holding 0", "bad-address", "Holding", "there is no table `Holding`", "write `holding 0`"),
    ("register 0", "bad-address", "register", "there is no table `register`", "write `holding 0`"),
    ("4x 0", "bad-address", "4x", "there is no table `4x`", "write `holding 0`"),
    ("hr 0 int16", "bad-address", "hr", "there is no table `hr`", "write `holding 0 int16`"),
    ("tank 0", "bad-address", "tank", "there is no table `tank`", "write one of coil, discrete, input"),
    ("holding register 0", "bad-address", "holding register", "called `holding` only", "write `holding 0`"),
    ("discrete input 7", "bad-address", "discrete input", "called `discrete` only", "write `discrete 7`"),
    ("input registers 7", "bad-address", "input registers", "called `input` only", "write `input 7`"),
    ("5", "bad-address", "5", "the table is missing before `5`", "`holding 5`"),
    ("0x10", "bad-address", "0x10", "the table is missing before `0x10`", "`holding 0x10`"),
    ("4000001", "bad-address", "4000001", "the table is missing", "`holding 4000001`"),
    ("20001", "bad-address", "20001", "the first digit 2 stands for no table", "a number that begins with 0 (coil)"),
    ("600001", "bad-address", "600001", "the first digit 6 stands for no table", "a number that begins with 0 (coil)"),
    ("40000", "bad-address", "40000", "they are counted from one", "write `40001` or `holding 0`"),
    ("holding 1A", "bad-address", "1A", "`1A` is no address", "write `holding 0x1A` if it is hexadecimal"),
    ("holding 10h", "bad-address", "10h", "`10h` is no address", "write `holding 0x10` if it is hexadecimal"),
    ("holding 0X10", "bad-address", "0X10", "`0X10` is no address", "write `holding 0x10`"),
    ("holding 0-9", "bad-address", "0-9", "`0-9` is no address", "write `holding 0..9` for a range"),
    ("holding 12:3", "bad-address", "12:3", "is no address", "write `holding 12.3` for a bit, or `holding 12..3`"),
    ("holding -1", "bad-address", "-1", "`-1` is no address", "write an address of zero or more"),
    ("holding 0 .. 9", "bad-address", "..", "a range is written without spaces", "`holding 0..9`"),
    ("holding 0.. 9", "bad-address", "0..", "`0..` is no address", "write `holding 0..9`, without spaces"),
    ("holding 9..0", "bad-address", "9..0", "the last address comes before the first", "write `0..9`"),
    ("holding 12.16", "bad-address", "16", "there is no bit `16`", "from 0 (least significant) to 15"),
    ("holding 12.03", "bad-address", "03", "there is no bit `03`", "from 0 (least significant) to 15"),
    ("coil 5.1", "bad-address", "5.1", "a single bit already", "take `.1` away"),
    ("holding 400001..9", "bad-address", "400001..9", "not counted in the same way", "write both"),
    ("holding 300001", "bad-address", "300001", "a reference number of the table `input`", "write `300001` alone"),
    ("holding 0 floot32", "bad-address", "floot32", "there is no type `floot32`", "write `float32`"),
    ("holding 0 real", "bad-address", "real", "there is no type `real`", "write `float32`"),
    ("holding 0 DINT", "bad-address", "DINT", "there is no type `DINT`", "write `int32`"),
    ("holding 0 uint8", "bad-address", "uint8", "there is no type `uint8`", "write `uint16`"),
    ("holding 0 string", "bad-address", "string", "there is no type `string`", "write `string(10)`"),
    ("holding 0 string(0)", "bad-address", "string(0)", "a string of 0 characters", "from 1 to 250"),
    ("holding 0 string(251)", "bad-address", "string(251)", "a string of 251 characters", "from 1 to 250"),
    ("holding 0 quux", "bad-address", "quux", "there is no type `quux`", "write one of bool, int16"),
    ("holding 0 float32 cdab", "bad-address", "cdab", "there is no order `cdab`", "write `CDAB`"),
    ("holding 0 float32 ACBD", "bad-address", "ACBD", "there is no order `ACBD`", "write one of ABCD, CDAB, BADC"),
    ("holding 0 float32 GHEFCDAB", "bad-address", "GHEFCDAB", "no order `GHEFCDAB` for `float32`", "write one of"),
    ("holding 0 CDAB", "bad-address", "CDAB", "and no type says how many", "`holding 0 float32 CDAB`"),
    ("holding 0 CDAB float32", "bad-address", "CDAB float32", "type comes before the order", "float32 CDAB`"),
    ("holding 0..9 CDAB", "bad-address", "CDAB", "`CDAB` means nothing here", "take `CDAB` away"),
    ("holding 0..9 raw CDAB", "bad-address", "CDAB", "an order means nothing for `raw`", "take `CDAB` away"),
    ("coil 5 CDAB", "bad-address", "CDAB", "`CDAB` means nothing here", "take `CDAB` away"),
    ("holding 0 float32 CDAB x", "bad-address", "x", "`x` is too much", "at most a type and an order"),
    ("holding 0..2 float32", "width-mismatch", "float32", "takes 2 registers, and the place has 3", "only the first"),
    ("holding 0..1 int16", "width-mismatch", "int16", "takes 1 register, and the place has 2", "only the first"),
    ("holding 12 bool", "width-mismatch", "bool", "a bool is one bit", "`holding 12.0`"),
    ("holding 12.3 int16", "width-mismatch", "int16", "a bit of a register is one bit", "take `int16` away"),
    ("coil 5 int16", "width-mismatch", "int16", "a place in the table `coil` is one bit", "take `int16` away"),
    ("coil 0..7 bool", "width-mismatch", "bool", "a range of bits has no type but raw", "take `bool` away"),
    ("holding 65536", "address-outside-table", "65536", "`65536` is beyond the last address", "look the address up"),
    ("holding 0x10000", "address-outside-table", "0x10000", "`0x10000` is beyond", "look the address up"),
    ("holding address 400001", "address-outside-table", "400001", "`400001` is beyond", "look the address up"),
    ("holding 0..65536", "address-outside-table", "0..65536", "`65536` is beyond", "look the address up"),
    ("465537", "address-outside-table", "465537", "beyond the last one, 465536", "look the address up"),
    ("holding 465537", "address-outside-table", "465537", "is beyond the last address", "look the address up"),
    ("holding 65535 float32", "address-outside-table", "65535", "float32 at 65535 needs 2 registers", "look"),
    ("holding 65534 float64", "address-outside-table", "65534", "float64 at 65534 needs 4 registers", "look"),
]  # fmt: skip


@pytest.mark.parametrize(("text", "name", "pointed", "message", "fix"), REFUSED, ids=[each[0] for each in REFUSED])
def test_what_is_refused(text: str, name: str, pointed: str | None, message: str, fix: str) -> None:
    with pytest.raises(TextError) as caught:
        parse_point(text)
    refused = caught.value
    assert refused.name == name
    assert message in refused.message
    assert fix in refused.fix
    assert (text[slice(*refused.offset)] if refused.offset else None) == pointed
    assert refused.message[0] in "`abcdefghijklmnopqrstuvwxyz"
    assert refused.expected


@pytest.mark.parametrize("word", OTHER_TABLES)
def test_other_names_of_tables_are_suggested_never_accepted(word: str) -> None:
    with pytest.raises(TextError) as caught:
        parse_point(f"{word} 3")
    assert caught.value.fix == f"write `{OTHER_TABLES[word]} 3`"


@pytest.mark.parametrize("word", OTHER_TYPES)
def test_other_names_of_types_are_suggested_never_accepted(word: str) -> None:
    with pytest.raises(TextError) as caught:
        parse_point(f"holding 3 {word}")
    assert caught.value.fix.startswith(f"write `{OTHER_TYPES[word]}`")


@pytest.mark.parametrize("value_type", NUMBERS.values(), ids=str)
def test_the_last_address_of_a_type_is_the_last_that_fits(value_type: ValueType) -> None:
    last = 65536 - value_type.registers
    assert parse_point(f"holding address {last} {value_type}").span.last == 65535
    with pytest.raises(TextError, match=r"needs|beyond"):
        parse_point(f"holding address {last + 1} {value_type}")


@given(st.sampled_from(list(Table)), st.integers(0, 65535))
def test_address_and_reference_number_are_the_same_place(table: Table, address: int) -> None:
    by_address = parse_point(f"{table} address {address}")
    by_hexadecimal = parse_point(f"{table} {address:#x}")
    by_reference = parse_point(reference_number(table, address))
    six_digits = parse_point(f"{REFERENCE_DIGIT[table]}{address + 1:05d}")
    assert by_address == by_hexadecimal == by_reference == six_digits
    assert (by_address.table, by_address.address) == (table, address)


@given(st.sampled_from(list(Table)), st.integers(0, 70000))
def test_a_number_beside_a_table_is_its_address_or_refused(table: Table, number: int) -> None:
    refused = refusal(parse_point, f"{table} {number}")
    has_two = 9999 < number <= 65535 and str(number)[0] == str(REFERENCE_DIGIT[table]) and number % 10000 > 0
    if has_two or number > 65535:
        assert refused is not None
        assert refused.name == ("ambiguous-number" if has_two else "address-outside-table")
    else:
        assert parse_point(f"{table} {number}").address == number


@given(st.from_regex(PATTERN, fullmatch=True) | st.text(max_size=30))
def test_any_text_is_read_or_refused(text: str) -> None:
    for parse in (parse_point, parse_span, parse_status):
        refused = refusal(parse, text)
        if refused is not None:
            assert refused.message
            assert refused.fix
            assert refused.offset is None or 0 <= refused.offset[0] <= refused.offset[1] <= len(text)


@given(
    st.sampled_from([HOLDING, INPUT]),
    st.integers(0, 9998),
    st.sampled_from(["", *NUMBERS, "string(7)"]),
    st.sampled_from(["", "ABCD", "CDAB", "BADC", "DCBA"]),
)
def test_the_quick_way_reads_what_the_careful_one_reads(table: Table, address: int, kind: str, order: str) -> None:
    """A blank more is not on the quick way."""
    words = [str(table), str(address), *([kind, order] if kind else [])]
    plain = " ".join(word for word in words if word)
    assert parse_point(plain) == parse_point(plain.replace(" ", "  "))


def test_a_span_has_no_type_and_no_bit() -> None:
    assert parse_span("holding 0..199") == Span(HOLDING, 0, 200)
    assert parse_span("coil 5") == Span(COIL, 5, 1)
    assert parse_span("40001..40010") == Span(HOLDING, 0, 10)
    with pytest.raises(TextError, match="a type cannot be given here"):
        parse_span("holding 0..9 int16")
    with pytest.raises(TextError, match="a single bit cannot be given here"):
        parse_span("holding 0.3")


def test_the_status_takes_four_registers() -> None:
    assert parse_status("holding 90") == parse_status("holding 90..93") == parse_status("40091") == Span(HOLDING, 90, 4)
    for text, name in (("input 90", "bad-address"), ("coil 90", "bad-address"), ("holding 90..92", "width-mismatch"),
                       ("holding 65533", "address-outside-table"), ("holding 40091", "ambiguous-number")):  # fmt: skip
        with pytest.raises(TextError) as caught:
            parse_status(text)
        assert caught.value.name == name


def test_a_place_without_end_is_refused() -> None:
    with pytest.raises(TextError, match="characters long"):
        parse_point("holding " + "0" * 10**6)
    with pytest.raises(TextError, match="beyond the last address"):
        parse_point("holding " + "9" * 150)


def test_what_is_said_of_an_unprintable_place_is_printable() -> None:
    with pytest.raises(TextError) as failed:
        parse_point("'coil \x003")
    assert failed.value.fix == "write `coil \\x003`"
    assert str(failed.value).isprintable()
