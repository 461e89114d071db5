"""Places in a controller as people write them: ``<table> <address>[.bit | ..last] [type] [order]``.

Two notations are in use everywhere: the PDU address from zero (``holding 0``), and the reference number from one with
a digit in front for the table (``40001``, or ``400001`` with six digits). Both are read. A number that can be meant
both ways is refused, with both readings, until the user says which one it is: that is common practice in the trade
and the specification is no help, it numbers addresses only (MODBUS Application Protocol V1.1b3, 4.4).
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

from wherry.findings import Path
from wherry.limits import ADDRESS_MAX, ITEMS_PER_TABLE, REGISTER_BITS, STATUS_REGISTERS
from wherry.plan import place_words as words
from wherry.plan.model import REFERENCE_DIGIT, Point, Span, Table, reference_number
from wherry.plan.place_words import bad
from wherry.plan.wording import Offset, TextError, listed, printable
from wherry.values.types import Order, ValueType, raw

PLACE_CHARACTERS_MAX: Final = 200  # a bound of ours
DIGIT_TABLE: Final = {str(digit): table for table, digit in REFERENCE_DIGIT.items()}

_NUMBER = "0x[0-9A-Fa-f]+|[0-9]+"
PATTERN: Final = (
    rf"^((coil|discrete|input|holding) (address )?({_NUMBER})|[0134][0-9]{{4,5}})"
    rf"(\.[0-9]+|\.\.({_NUMBER}))?"
    r"( (bool|raw|u?int(16|32|64)|float(32|64)|bcd(16|32)|string\([0-9]+\)))?( [A-H]{2,8})?$"
)
"""For the published schema: the shape only; what the numbers mean is judged when the plan is read."""

_TOKEN = re.compile(r"\S+")
_PLACE = re.compile(rf"({_NUMBER})(?:\.([0-9]+)|\.\.({_NUMBER}))?")


@dataclass(frozen=True, slots=True)
class Run:
    """Where a place is, before its type is known."""

    table: Table
    first: int
    last: int
    is_range: bool
    bit: int | None


def parse_point(text: str, path: Path = ()) -> Point:
    """One point. The type is uint16 unless said, bool for bits, raw for a range. Raises TextError (a PlanError)."""
    known = _known(text)
    if known is not None:
        table, address, value_type, order, bit = known
        return Point(table, address, value_type, order, bit, text, path)
    return _parse_point(text, path)


def parse_span(text: str) -> Span:
    """A run of items: ``holding 0..199``, or a single one. Raises TextError (a PlanError)."""
    tokens = _tokens(text)
    run, used = _run(text, tokens)
    if run.bit is not None:
        raise bad(
            "a single bit cannot be given here", "write whole registers, such as `holding 0..9`", text, tokens[used - 1]
        )
    if len(tokens) > used:
        raise bad("a type cannot be given here", "take it away: only the place counts", text, tokens[used])
    return Span(run.table, run.first, run.last - run.first + 1)


def parse_status(text: str) -> Span:
    """The status registers: ``holding 90`` stands for four registers from there. Raises TextError (a PlanError)."""
    span = parse_span(text)
    if span.table is not Table.HOLDING:
        raise TextError(
            "bad-address",
            f"status registers cannot be in the table `{span.table}`: they are written as numbers",
            expected=f"{STATUS_REGISTERS} holding registers, given by the first",
            found=text,
            fix="write a free place in the receiver, such as `holding 90`",
        )
    if span.count not in (1, STATUS_REGISTERS):
        raise TextError(
            "width-mismatch",
            f"the status takes {STATUS_REGISTERS} registers, not {span.count}",
            expected=f"{STATUS_REGISTERS} registers",
            found=text,
            fix=f"write only the first: `holding {span.start}`",
        )
    if span.start + STATUS_REGISTERS > ITEMS_PER_TABLE:
        raise _outside(text, None, f"{STATUS_REGISTERS} registers from {span.start} do not fit into the table")
    return Span(span.table, span.start, STATUS_REGISTERS)


# The common case, quickly: a plan may hold ten thousand values, and few ways of writing.


@lru_cache(256)
def _ending(text: str, is_bits: bool) -> tuple[ValueType, Order] | None:
    """Type and order of the words after a single address, if they are as they should be."""
    try:
        run = Run(Table.COIL if is_bits else Table.HOLDING, 0, 0, False, None)
        return words.type_and_order(text, [match.span() for match in _TOKEN.finditer(text)], run.table, 1, None)
    except TextError:
        return None


_PLAIN = re.compile(r"(coil|discrete|input|holding) (0|[1-9][0-9]{0,3})((?: [a-z0-9()]+)?(?: [A-H]+)?)")


def _known(text: str) -> tuple[Table, int, ValueType, Order, int | None] | None:
    """The parts of a place of at most four decimal digits and no bit or range; None: look closer."""
    match = _PLAIN.fullmatch(text)
    if match is None:
        return None
    table = Table(match[1])
    ending = _ending(match[3], table.is_bits) if len(match[3]) < 24 else None
    return None if ending is None else (table, int(match[2]), *ending, None)


# The careful way.


def _tokens(text: str) -> list[Offset]:
    if len(text) > PLACE_CHARACTERS_MAX:
        raise TextError(
            "bad-address",
            f"the place is {len(text):,} characters long",
            expected=words.EXPECTED,
            found=printable(text[:40]) + " ...",
            fix="write a place such as `holding 0 float32`",
        )
    tokens = [match.span() for match in _TOKEN.finditer(text)]
    if not tokens:
        raise TextError(
            "bad-address", "the place is empty", expected=words.EXPECTED, fix="write a place such as `holding 0`"
        )
    return tokens


def _parse_point(text: str, path: Path) -> Point:
    tokens = _tokens(text)
    run, used = _run(text, tokens)
    count = run.last - run.first + 1
    if run.is_range and len(tokens) == used:
        value_type, order = raw(count), Order.ABCD
    else:
        value_type, order = words.type_and_order(
            text, tokens[used:], run.table, count if run.is_range else None, run.bit
        )
    point = Point(run.table, run.first, value_type, order, run.bit, text, path)
    if run.first + point.count > ITEMS_PER_TABLE:
        needs = f"{value_type} at {run.first} needs {point.count} registers, and the last address is {ADDRESS_MAX}"
        raise _outside(text, tokens[used - 1], needs)
    return point


def _run(text: str, tokens: list[Offset]) -> tuple[Run, int]:
    """Table and addresses, and how many tokens they took."""
    first = text[slice(*tokens[0])]
    if first[0].isdigit() and first.lower() not in words.OTHER_TABLES:
        return _number(text, tokens[0], None, is_address=False), 1
    table = words.table_of(text, tokens)
    if len(tokens) > 1 and text[slice(*tokens[1])] == "address":
        if len(tokens) == 2:
            raise bad("the address is missing", f"write `{table} address` and a number", text, tokens[1])
        return _number(text, tokens[2], table, is_address=True), 3
    if len(tokens) == 1:
        raise bad("the address is missing", f"write `{table}` and a number, such as `{table} 0`", text, tokens[0])
    return _number(text, tokens[1], table, is_address=False), 2


def _number(text: str, token: Offset, table: Table | None, *, is_address: bool) -> Run:
    """The addresses of one token such as ``12``, ``12.3``, ``0..9`` or ``40001``."""
    match = _PLACE.fullmatch(text[slice(*token)])
    if match is None:
        raise words.bad_number(text, token, table)
    first_text, bit_text, last_text = match.groups()
    at = token[0]
    if table is None:
        table = _table_of_reference(text, first_text, (at, at + len(first_text)))
        read = _readings(table, first_text) & {"reference"}
    else:
        read = _readings(table, first_text) & ({"address"} if is_address else {"address", "reference"})
    if last_text is not None:
        # Both ends of a range are meant in one way: a reading that does not fit the one is not the other's either.
        read_first, read_last = read, _readings(table, last_text)
        read = read_first & read_last
        if read_first and read_last and not read:
            raise bad(
                f"`{first_text}` and `{last_text}` are not counted in the same way",
                "write both as addresses from zero, or both as reference numbers",
                text,
                token,
            )
    for each in (first_text, last_text):
        if each is not None:
            _check_digits(text, token, table, each, is_reference=read == {"reference"})
    if not read:
        raise _no_reading(
            text, token, table, first_text if not _readings(table, first_text) else last_text or first_text
        )
    if len(read) > 1:
        raise _ambiguous(text, token, table, first_text)
    origin = 0 if read == {"address"} else 1
    first = _whole(first_text, origin)
    last = first if last_text is None else _whole(last_text, origin)
    if last < first:
        raise bad("the last address comes before the first", f"write `{last_text}..{first_text}`", text, token)
    return Run(table, first, last, last_text is not None, _bit(text, token, table, bit_text))


def _whole(digits: str, origin: int) -> int:
    """The PDU address; with origin 1 the digits are a reference number, whose first one is the table."""
    return int(digits[1:]) - 1 if origin else int(digits, 16 if digits.startswith("0x") else 10)


def _readings(table: Table, digits: str) -> set[str]:
    """How a number beside a table's word can be meant: as an address from zero, as a reference number from one."""
    read: set[str] = set()
    if digits.startswith("0x"):
        return {"address"} if len(digits) <= 10 and int(digits, 16) <= ADDRESS_MAX else read
    if len(digits) <= 10 and int(digits) <= ADDRESS_MAX:
        read.add("address")
    if len(digits) in (5, 6) and digits[0] == str(REFERENCE_DIGIT[table]) and 1 <= int(digits[1:]) <= ITEMS_PER_TABLE:
        read.add("reference")
    return read


def _check_digits(text: str, token: Offset, table: Table, digits: str, *, is_reference: bool) -> None:
    """A leading zero is refused: lists of hexadecimal numbers are often printed without ``0x`` (common practice)."""
    if (
        is_reference
        or not re.fullmatch(r"0[0-9]+", digits)
        or len(digits) > 10
        or "reference" in _readings(table, digits)
    ):
        return
    decimal, hexadecimal = (digits.lstrip("0") or "0"), f"0x{digits.lstrip('0') or '0'}"
    ways = (
        text[: token[0]] + re.sub(rf"(?<![0-9]){digits}(?![0-9])", each, text[slice(*token)]) + text[token[1] :]
        for each in (decimal, hexadecimal)
    )
    raise TextError(
        "ambiguous-number",
        f"`{digits}` begins with a zero, and can be decimal or hexadecimal",
        expected="a decimal number without leading zeros, or a hexadecimal one after `0x`",
        found=f"`{digits}`: {decimal} if decimal, {int(digits, 16)} if hexadecimal",
        fix=f"write {listed(f'`{each}`' for each in ways)}, whichever the device's manual means",
        offset=token,
    )


def _ambiguous(text: str, token: Offset, table: Table, digits: str) -> TextError:
    """A number with two readings: both shown, and how to write each."""
    number = int(digits[1:])
    token_text, rest = text[slice(*token)], text[token[1] :]
    address = f"{table} address {re.sub(r'0+(?=[1-9])', '', token_text) if digits[0] == '0' else token_text}{rest}"
    return TextError(
        "ambiguous-number",
        f"`{table} {digits}` can be meant in two ways",
        expected="a number with one reading",
        found=f"the reference number {digits}, which is {table} {number - 1} counted from zero; or the address "
        f"{int(digits)} counted from zero, whose reference number is {reference_number(table, int(digits))}",
        fix=f"write `{token_text}{rest}` for the reference number, or `{address}` for the address",
        offset=token,
    )


def _no_reading(text: str, token: Offset, table: Table, digits: str) -> TextError:
    """Neither an address nor a reference number of this table."""
    other = DIGIT_TABLE.get(digits[0]) if len(digits) == 6 else None
    if other is not None and other is not table and "reference" in _readings(other, digits):
        return TextError(
            "bad-address",
            f"`{digits}` is a reference number of the table `{other}`, and the word before it is `{table}`",
            expected=f"an address from 0 to {ADDRESS_MAX}, or a reference number of the table `{table}`",
            found=printable(text),
            fix=f"write `{digits}` alone for `{other}`, or the address counted from zero after `{table}`",
            offset=token,
        )
    return _outside(text, token, f"`{digits}` is beyond the last address of the table `{table}`, {ADDRESS_MAX}")


def _outside(text: str, token: Offset | None, message: str) -> TextError:
    return TextError(
        "address-outside-table",
        message,
        expected=f"addresses from 0 to {ADDRESS_MAX} counted from zero (reference numbers up to "
        f"{listed(reference_number(table, ADDRESS_MAX) for table in (Table.HOLDING, Table.INPUT))})",
        found=printable(text),
        fix="look the address up again in the device's manual",
        offset=token,
    )


def _table_of_reference(text: str, digits: str, offset: Offset) -> Table:
    """The table that a number without a table's word belongs to, by its first digit."""
    hint = "write the table before the number, such as `holding 0`"
    if len(digits) not in (5, 6) or not digits.isdigit():
        example = digits if len(digits) <= 10 else "0"
        raise bad(
            f"the table is missing before `{digits[:12]}`", f"write it, for example `holding {example}`", text, offset
        )
    if digits[0] not in DIGIT_TABLE:
        raise bad(
            f"`{digits}` is no reference number: the first digit {digits[0]} stands for no table",
            f"{hint}, or a number that begins with 0 (coil), 1 (discrete), 3 (input) or 4 (holding)",
            text,
            offset,
        )
    table = DIGIT_TABLE[digits[0]]
    if int(digits[1:]) == 0:
        fix = f"write `{digits[:-1]}1` or `{table} 0`"
        raise bad(f"`{digits}` is no reference number: they are counted from one", fix, text, offset)
    if int(digits[1:]) > ITEMS_PER_TABLE:
        raise _outside(
            text,
            offset,
            f"the reference number `{digits}` is beyond the last one, {reference_number(table, ADDRESS_MAX)}",
        )
    return table


def _bit(text: str, token: Offset, table: Table, bit_text: str | None) -> int | None:
    if bit_text is None:
        return None
    if table.is_bits:
        raise bad(
            f"a place in the table `{table}` is a single bit already", f"take `.{bit_text[:4]}` away", text, token
        )
    if len(bit_text) > 2 or int(bit_text) >= REGISTER_BITS or (len(bit_text) == 2 and bit_text[0] == "0"):
        offset = (token[1] - len(bit_text), token[1])
        raise bad(
            f"there is no bit `{bit_text[:8]}`",
            f"write a bit from 0 (least significant) to {REGISTER_BITS - 1}",
            text,
            offset,
        )
    return int(bit_text)
