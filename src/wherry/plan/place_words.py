"""The words of a place (table, type, order), and what to say when one of them is another one."""

from __future__ import annotations

import re
from typing import Final

from wherry.plan.model import Table
from wherry.plan.wording import Offset, TextError, listed, nearest, printable
from wherry.values.types import BOOL, NUMBERS, UINT16, Kind, Order, ValueType, raw, string

EXPECTED: Final = "`<table> <address>[.bit | ..last] [type] [order]`, for example `holding 0 float32 CDAB`"
TABLES: Final = {each.value: each for each in Table}
ORDERS: Final = {each.value: each for each in Order}
TYPE_WORDS: Final = ("bool", *NUMBERS, "string(10)", "raw")
STRING_CHARACTERS_MAX: Final = 250  # what one request can carry: 125 registers of two characters

OTHER_TABLES: Final = {
    "hr": "holding", "hreg": "holding", "holdings": "holding", "4x": "holding", "register": "holding",
    "registers": "holding", "reg": "holding", "ir": "input", "ireg": "input", "inputs": "input", "3x": "input",
    "di": "discrete", "discretes": "discrete", "contact": "discrete", "contacts": "discrete", "1x": "discrete",
    "co": "coil", "coils": "coil", "do": "coil", "relay": "coil",
}  # fmt: skip
"""What else the tables are called: common practice, no source. Suggested, never accepted."""

OTHER_TYPES: Final = {
    # IEC 61131-3, table of elementary types
    "int": "int16", "uint": "uint16", "dint": "int32", "udint": "uint32", "lint": "int64", "ulint": "uint64",
    "real": "float32", "lreal": "float64", "word": "uint16", "dword": "uint32", "lword": "uint64",
    # common practice, no source
    "i16": "int16", "s16": "int16", "sint16": "int16", "short": "int16", "u16": "uint16", "ushort": "uint16",
    "i32": "int32", "s32": "int32", "long": "int32", "u32": "uint32", "ulong": "uint32", "i64": "int64", "s64": "int64",
    "u64": "uint64", "float": "float32", "f32": "float32", "single": "float32", "double": "float64", "f64": "float64",
    "uint8": "uint16", "int8": "int16", "byte": "uint16", "bcd": "bcd16", "bit": "bool",
    "boolean": "bool", "text": "string(10)", "string": "string(10)", "str": "string(10)",
    "char": "string(10)",
}  # fmt: skip

WIDE_ORDERS: Final = {
    16: {"AB": Order.ABCD, "BA": Order.BADC},
    64: {"ABCDEFGH": Order.ABCD, "GHEFCDAB": Order.CDAB, "BADCFEHG": Order.BADC, "HGFEDCBA": Order.DCBA},
}
"""The same orders written with as many letters as the type has bytes."""

_ORDER_LIKE = re.compile(r"[A-Ha-h]{2,8}")


def bad(message: str, fix: str, text: str, offset: Offset | None) -> TextError:
    """A place that cannot be read."""
    return TextError("bad-address", message, expected=EXPECTED, found=printable(text), fix=fix, offset=offset)


def table_of(text: str, tokens: list[Offset]) -> Table:
    """The table that the first word names."""
    word = text[slice(*tokens[0])]
    if word in TABLES:
        table = TABLES[word]
        if len(tokens) > 1 and text[slice(*tokens[1])].lower() in (
            "register",
            "registers",
            "input",
            "inputs",
            "coil",
            "coils",
        ):
            rest = text[tokens[1][1] :].strip()
            raise bad(
                f"the table is called `{table}` only", f"write `{table} {rest}`", text, (tokens[0][0], tokens[1][1])
            )
        return table
    near = OTHER_TABLES.get(word.lower()) or nearest(word, list(Table))
    rest = text[tokens[0][1] :].strip()
    fix = f"write `{near} {rest}`" if near and rest else f"write one of {listed(Table)} first"
    raise bad(f"there is no table `{printable(word)[:30]}`", fix, text, tokens[0])


def bad_number(text: str, token: Offset, table: Table | None) -> TextError:
    """An address that is no number, with the most likely way to mend it."""
    seen = text[slice(*token)]
    name = table or "holding"
    fix = f"write a number after `{name}`, such as `{name} 0`, `{name} 0x10` or `{name} 0..9`"
    if re.fullmatch(r"[0-9]+-[0-9]+", seen):
        fix = f"write `{name} {seen.replace('-', '..')}` for a range"
    elif re.fullmatch(r"[0-9]+[:,][0-9]+", seen):
        bit, both = (re.sub("[:,]", between, seen) for between in (".", ".."))
        fix = f"write `{name} {bit}` for a bit, or `{name} {both}` for a range"
    elif re.fullmatch(r"[0-9A-Fa-f]+[hH]?", seen):
        fix = f"write `{name} 0x{seen.rstrip('hH')}` if it is hexadecimal"
    elif re.fullmatch(r"0X[0-9A-Fa-f]+", seen):
        fix = f"write `{name} 0x{seen[2:]}`"
    elif seen.startswith("-"):
        fix = "write an address of zero or more"
    elif ".." in text[token[0] :] and re.fullmatch(r"[0-9.]+(\s*[0-9.]+)*", text[token[0] :].strip()):
        fix = f"write `{name} {re.sub(r'[ ]+', '', text[token[0] :])}`, without spaces inside the range"
    return bad(f"`{printable(seen)[:40]}` is no address", fix, text, token)


def type_and_order(
    text: str, tokens: list[Offset], table: Table, count: int | None, bit: int | None
) -> tuple[ValueType, Order]:
    """What the words after the address say. ``count`` is given for a range; ``bit`` for a bit of a register."""
    seen = [text[slice(*token)] for token in tokens]
    if seen and seen[0] in ("..", "-", "to"):
        raise bad("a range is written without spaces", "write it like `holding 0..9`", text, tokens[0])
    if len(seen) > 2:
        raise bad(
            f"`{printable(seen[2])[:30]}` is too much",
            "write at most a type and an order after the address",
            text,
            tokens[2],
        )
    is_single_bit = table.is_bits or bit is not None
    default = BOOL if is_single_bit else UINT16
    if count is not None and count > 1 and (not seen or _ORDER_LIKE.fullmatch(seen[0])):
        default = raw(count)
    if not seen:
        return default, Order.ABCD
    if seen[0] in ORDERS or seen[0] in WIDE_ORDERS[16] or seen[0] in WIDE_ORDERS[64]:
        return default, _order_alone(text, tokens, seen, default)
    value_type = _type(text, tokens[0], seen[0], table, count, bit)
    if len(seen) == 1:
        return value_type, Order.ABCD
    return value_type, _order(text, tokens[1], seen[1], value_type)


def _type(text: str, token: Offset, word: str, table: Table, count: int | None, bit: int | None) -> ValueType:
    """The type a word names, if it fits the place."""
    value_type = _named(text, token, word, count)
    if table.is_bits or bit is not None:
        what = f"a place in the table `{table}`" if table.is_bits else "a bit of a register"
        if value_type.kind is Kind.RAW and table.is_bits:
            return value_type
        if value_type != BOOL or (count or 1) > 1:
            raise TextError(
                "width-mismatch",
                f"{what} is one bit, and `{word}` is more"
                if (count or 1) == 1
                else "a range of bits has no type but raw",
                expected="`bool`, which is what it is without a type",
                found=printable(text),
                fix=f"take `{word}` away, or name the registers that hold the number",
                offset=token,
            )
        return value_type
    if value_type == BOOL:
        place = text[: token[0]].strip()
        raise TextError(
            "width-mismatch",
            "a bool is one bit, and a register has sixteen",
            expected="the bit, counted from 0 (least significant)",
            found=printable(text),
            fix=f"write the bit, such as `{place}.0`" if ".." not in place else "write one register and its bit",
            offset=token,
        )
    if count is not None and value_type.registers != count:
        raise TextError(
            "width-mismatch",
            f"`{value_type}` takes {_registers(value_type.registers)}, and the place has {_registers(count)}",
            expected=_registers(value_type.registers),
            found=printable(text),
            fix=f"write only the first address before `{value_type}`, or no type for the registers as they are",
            offset=token,
        )
    return value_type


def _registers(count: int) -> str:
    return "1 register" if count == 1 else f"{count} registers"


def _named(text: str, token: Offset, word: str, count: int | None) -> ValueType:
    if word in NUMBERS:
        return NUMBERS[word]
    if word == "bool":
        return BOOL
    if word == "raw":
        return raw(count or 1)
    match = re.fullmatch(r"string\(([0-9]{1,6})\)", word)
    if match and 1 <= int(match[1]) <= STRING_CHARACTERS_MAX:
        return string(int(match[1]))
    if match:
        raise bad(
            f"a string of {int(match[1])} characters cannot be carried",
            f"write a length from 1 to {STRING_CHARACTERS_MAX}",
            text,
            token,
        )
    lower = word.lower()
    known = OTHER_TYPES.get(lower) or OTHER_TYPES.get(lower.removesuffix("_t")) or nearest(lower, TYPE_WORDS)
    if lower.startswith("string"):
        known = "string(10)"
    fix = f"write `{known}`" if known else f"write one of {listed(TYPE_WORDS)}"
    if known == "string(10)":
        fix += ", with the number of characters in the brackets"
    raise bad(f"there is no type `{printable(word)[:30]}`", fix, text, token)


def _order_alone(text: str, tokens: list[Offset], seen: list[str], default: ValueType) -> Order:
    """An order without a type before it: most likely the type was forgotten, or stands behind."""
    if len(seen) == 2:
        place = text[: tokens[0][0]].strip()
        raise bad(
            "the type comes before the order",
            f"write `{place} {seen[1]} {seen[0]}`",
            text,
            (tokens[0][0], tokens[1][1]),
        )
    if default == UINT16 and seen[0] in ("AB", "BA", "BADC", "ABCD"):
        return _order(text, tokens[0], seen[0], default)
    place = text[: tokens[0][0]].strip()
    fix = (
        f"write the type before it, such as `{place} float32 {seen[0]}`"
        if default == UINT16
        else f"take `{seen[0]}` away"
    )
    message = f"`{seen[0]}` orders the bytes of several registers, and no type says how many"
    raise bad(message if default == UINT16 else f"`{seen[0]}` means nothing here", fix, text, tokens[0])


def _order(text: str, token: Offset, word: str, value_type: ValueType) -> Order:
    if value_type.kind in (Kind.BOOL, Kind.RAW):
        raise bad(f"an order means nothing for `{value_type.kind}`", f"take `{printable(word)[:30]}` away", text, token)
    if word in ORDERS:
        return ORDERS[word]
    wide = WIDE_ORDERS.get(value_type.bits if value_type.kind is not Kind.STRING else 0, {})
    if word in wide:
        return wide[word]
    near = word.upper() if word.upper() in ORDERS or word.upper() in wide else ""
    fix = f"write `{near}`" if near else f"write one of {listed([*Order, *wide])}"
    message = f"there is no order `{printable(word)[:30]}`"
    if word in WIDE_ORDERS[16] or word in WIDE_ORDERS[64]:
        message += f" for `{value_type}`"
    raise bad(message, fix, text, token)
