"""What the cells of a register table say: tables, types, orders, factors, ranges, access.

Each function takes the text of a cell and returns what it means; ``UnclearError`` says what to ask where it means
nothing. The words are common practice; IEC 61131-3 names of elementary types are taken as that standard has them.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from typing import Final

from wherry.errors import WherryError
from wherry.plan.model import Table
from wherry.plan.place_words import OTHER_TABLES, OTHER_TYPES
from wherry.plan.wording import printable
from wherry.values.codec import TEXT_ENCODING
from wherry.values.types import BOOL, NUMBERS, UINT16, Kind, Order, ValueType, string

NOTHING: Final = re.compile(r"|[-\u2013\u2014_.]+|n\.?/?a\.?|none|nil|tbd|tba|\?+|x", re.IGNORECASE)
"""What people write where there is nothing to say."""


CELLS_KEPT: Final = 1024
"""Texts whose meaning is kept: the cells of a column are few different ones."""


class UnclearError(WherryError):
    """A cell that cannot be understood; ``question`` is for the maker."""

    def __init__(self, what: str, question: str) -> None:
        super().__init__(what)
        self.what = what
        self.question = question


def is_nothing(text: str) -> bool:
    """Whether a cell says nothing."""
    return NOTHING.fullmatch(text.strip()) is not None


# Tables.

_FUNCTION_TABLES: Final = {
    1: Table.COIL, 2: Table.DISCRETE, 3: Table.HOLDING, 4: Table.INPUT, 5: Table.COIL, 6: Table.HOLDING,
    15: Table.COIL, 16: Table.HOLDING, 22: Table.HOLDING, 23: Table.HOLDING,
}  # fmt: skip
"""Function codes in decimal: MODBUS Application Protocol V1.1b3, 6."""


def table_in(text: str) -> Table | None:
    """The table that some words name: ``Holding registers (FC 03)``; None if they name none, or more than one."""
    lower = text.lower()
    found: set[Table] = set()
    if re.search(r"\bholdings?\b|\bhaltere?gister\b|\b4x+\b|\b4xxxx", lower):
        found.add(Table.HOLDING)
    if re.search(r"\binput[ _-]?reg|\banalog(ue)? inputs?\b|\b3x+\b|\b3xxxx|\beingangsregister\b", lower):
        found.add(Table.INPUT)
    if re.search(
        r"\bdiscretes?\b|\binput (status|contacts?|bits?|coils?)\b|\bdigital inputs?\b|\b1x+\b|\b1xxxx", lower
    ):
        found.add(Table.DISCRETE)
    if re.search(r"\bcoils?\b|\boutput (status|bits?|coils?)\b|\bdigital outputs?\b|\b0x{2,}\b|\b0xxxx", lower):
        found.add(Table.COIL)
    if len(found) == 1:
        return found.pop()
    return None if found else _by_function(lower)


def _by_function(lower: str) -> Table | None:
    codes = re.findall(r"(?:fc|function(?: code)?s?|func|fn|fct)[ :#=]*(?:0x)?0?([0-9]{1,2})\b", lower)
    tables = {_FUNCTION_TABLES[int(each)] for each in codes if int(each) in _FUNCTION_TABLES}
    return tables.pop() if len(tables) == 1 else None


@lru_cache(CELLS_KEPT)
def table_of(text: str) -> Table:
    """The table of a cell in the column for it. UnclearError if it is none."""
    lower = text.strip().lower().rstrip(".")
    if (named := table_in(text)) is not None:
        return named
    if lower in OTHER_TABLES:
        return Table(OTHER_TABLES[lower])
    if lower in ("input", "inputs", "read only register"):
        return Table.INPUT
    numbers = [int(each, 16) if each.startswith("0x") else int(each) for each in re.findall(r"0x[0-9a-f]+|\d+", lower)]
    tables = {_FUNCTION_TABLES[each] for each in numbers if each in _FUNCTION_TABLES}
    if numbers and len(tables) == 1 and re.fullmatch(r"(fc|f)?[\s0-9x,/;&+a-f]*", lower):
        return tables.pop()
    shown = printable(text)[:40]
    if len(tables) > 1:
        raise UnclearError(
            f"`{shown}` names functions of more than one table", "which function code reads this register?"
        )
    raise UnclearError(f"`{shown}` names no table", "is it a coil, discrete input, input register or holding register?")


# Types.

_TYPE_WORDS: Final = {
    **OTHER_TYPES, "longint": "int32", "slong": "int32", "integer16": "int16", "integer32": "int32", "sword": "int16",
    "floatingpoint": "float32", "ieee754": "float32", "ieee": "float32", "real32": "float32", "real64": "float64",
    "bitfield": "uint16", "bitmap": "uint16", "bits": "uint16", "flags": "uint16", "enum": "uint16",
    "enumeration": "uint16", "hex": "uint16", "bitstring": "uint16", "unsignedshort": "uint16",
    "signedshort": "int16", "binary": "bool", "flag": "bool", "digital": "bool", "coil": "bool", "discrete": "bool",
    "unsignedlong": "uint32", "signedlong": "int32", "unsignedword": "uint16", "signedword": "int16",
    "uword": "uint16", "udword": "uint32", "sdword": "int32", "uqword": "uint64", "sqword": "int64",
    "unsigneddword": "uint32", "signeddword": "int32", "acc32": "uint32", "longlong": "int64",
}  # fmt: skip
_PLAIN_WORDS: Final = frozenset({
    "signed", "unsigned", "int", "integer", "uint", "sint", "s", "u", "i", "f", "t", "float", "floating", "point",
    "ieee", "real", "double", "single", "precision", "bit", "bits", "long", "short", "word", "words", "dword",
    "register", "registers", "regs", "reg", "value", "number", "numeric", "decimal", "two", "twos", "complement",
    "bcd", "binary", "coded", "enum", "enumeration", "bitfield", "bitmap", "bitmask", "field", "map", "mask", "format",
    "type", "data", "in", "of", "with", "and", "a",
})  # fmt: skip
_ORDER_PART: Final = re.compile(
    r"\b(abcd|cdab|badc|dcba|ab|ba|big[ -]?endian|little[ -]?endian|be|le|(m|l)s[wb] ?first|"
    r"(high|low) (word|byte) first|(word|byte)s? ?-?(swap(ped)?)|swap(ped)?( words?| bytes?)?)\b"
)


@dataclass(frozen=True, slots=True)
class TypeRead:
    """A type, and the order if the cell says one. ``length_given``: the number of registers that the cell says."""

    type: ValueType
    order: Order | None = None


@lru_cache(CELLS_KEPT)
def type_of(text: str, registers: int | None) -> TypeRead:
    """The type that a cell names. ``registers``: the length that the table gives. UnclearError if it is none."""
    lower = text.strip().lower()
    order_text = _ORDER_PART.search(lower)
    order = None
    if order_text is not None:
        order = order_of(order_text[0])
        lower = (lower[: order_text.start()] + lower[order_text.end() :]).strip(" ,;-/()")
    return TypeRead(_type(lower, registers, printable(text.strip())[:40]), order)


def _type(lower: str, registers: int | None, shown: str) -> ValueType:
    if re.search(r"str(ing)?|ascii|char|text", lower):
        return _text_type(lower, registers, shown)
    key = re.sub(r"[^a-z0-9]", "", lower).removesuffix("t" if lower.endswith("_t") else "\0")
    width = next((int(each) for each in re.findall(r"(?<!\d)(64|32|16|8)(?!\d)", lower)), None)
    known = NUMBERS.get(key) or NUMBERS.get(_TYPE_WORDS.get(key, ""))
    if known is not None:
        return _widened(known, key, registers)
    if key in ("bool", *(each for each, name in _TYPE_WORDS.items() if name == "bool")):
        return BOOL
    unknown = [each for each in re.findall(r"[a-z]+", lower) if each not in _PLAIN_WORDS]
    if unknown:
        raise UnclearError(
            f"`{shown}` says `{unknown[0]}`, which is not known",
            "what is the data type: signed or unsigned, how many bits, in which order?",
        )
    if re.search(r"float|real|ieee|double|single", lower):
        return NUMBERS["float64" if width == 64 or "double" in lower or registers == 4 else "float32"]
    if "bcd" in lower:
        return NUMBERS["bcd32" if width == 32 or registers == 2 else "bcd16"]
    is_unsigned = re.search(r"unsigned|\bu ?-?s?int|uint|\bu\d|ulong|ushort|bit ?(field|map|mask)|enum|bitfield", lower)
    is_signed = not is_unsigned and re.search(r"signed|sint|\bs ?int|\bs\d|two'?s|complement|\bint(16|32|64)", lower)
    wide = width if width in (16, 32, 64) else 16 * registers if registers in (1, 2, 4) else None
    if is_unsigned or is_signed:
        if wide is None:
            raise UnclearError(f"`{shown}` does not say how wide it is", "how many registers does the value take?")
        return NUMBERS[f"{'u' if is_unsigned else ''}int{wide}"]
    if re.search(r"int(eger)?|number|numeric|word|register|decimal|\d+ ?-?bits?", lower):
        raise UnclearError(
            f"`{shown}` does not say whether it is signed", "is the value signed or unsigned, and how wide?"
        )
    raise UnclearError(
        f"`{shown}` is no type that is known", "what is the data type: signed or unsigned, how many bits?"
    )


def _widened(known: ValueType, key: str, registers: int | None) -> ValueType:
    """A type whose word says its kind but not its width (``float``, ``bitfield``) takes the width of the table."""
    if registers in (2, 4) and key in (
        "float",
        "real",
        "bitfield",
        "bitmap",
        "bits",
        "enum",
        "enumeration",
        "hex",
        "bcd",
    ):
        name = f"{known.kind.value}{16 * registers}"
        return NUMBERS.get(name, known)
    return known


def _text_type(lower: str, registers: int | None, shown: str) -> ValueType:
    number = re.search(r"\d+", lower)
    if registers:
        return string(2 * registers)
    if number:
        count = int(number[0])
        if 1 <= count <= 250:
            return string(count)
    raise UnclearError(f"`{shown}` does not say how long the text is", "how many registers does the text take?")


@lru_cache(CELLS_KEPT)
def order_of(text: str) -> Order:
    """The order that a cell names. UnclearError if it is none, or may be two."""
    lower = re.sub(r"[^a-z0-9]", "", text.lower())
    if lower in (
        "abcd",
        "ab",
        "bigendian",
        "be",
        "big",
        "mswfirst",
        "msbfirst",
        "highwordfirst",
        "hilo",
        "motorola",
        "0123",
        "normal",
        "none",
        "no",
    ):
        return Order.ABCD
    if lower in (
        "cdab",
        "lswfirst",
        "lowwordfirst",
        "wordswap",
        "wordsswap",
        "wordswapped",
        "wordsswapped",
        "swappedwords",
        "swapwords",
        "lohi",
        "2301",
    ):
        return Order.CDAB
    if lower in ("badc", "ba", "byteswap", "byteswapped", "swappedbytes", "swapbytes", "1032"):
        return Order.BADC
    if lower in ("dcba", "3210"):
        return Order.DCBA
    raise UnclearError(
        f"`{printable(text.strip())[:40]}` does not name one order",
        "in which order are the bytes of a value of two registers sent: ABCD, CDAB, BADC or DCBA (A most significant)?",
    )


# Numbers.

_SIGNS: Final = str.maketrans({"\u00d7": "*", "\u00f7": "/", "\u00b7": "*"})

_NUMBER = r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:e[+-]?\d+)?"


def number_of(text: str, what: str) -> Fraction:
    """A number; a decimal comma is one if it cannot be anything else. UnclearError if it is none."""
    bare = text.strip().replace("\u2212", "-").replace("\u00a0", " ")
    if re.fullmatch(_NUMBER, bare.lower()):
        return Fraction(bare)
    if re.fullmatch(r"[+-]?\d{1,3}(,\d{3})+", bare):
        raise UnclearError(
            f"`{printable(bare)}` can be {bare.replace(',', '')}, or {bare.replace(',', '.')} with a decimal comma",
            f"is the comma in the {what} a decimal comma?",
        )
    if re.fullmatch(r"[+-]?\d+,\d+", bare):
        return Fraction(bare.replace(",", "."))
    raise UnclearError(f"`{printable(bare)[:40]}` is no number", f"what is the {what}?")


@dataclass(frozen=True, slots=True)
class Factor:
    """What the register's number is multiplied by. ``is_open``: the cell says a bare number above one, which may as
    well divide."""

    number: Fraction
    is_open: bool = False


@lru_cache(CELLS_KEPT)
def factor_of(text: str, heading: str) -> Factor:
    """The factor of a cell in the column for it; the heading decides between multiplying and dividing."""
    bare = re.sub(r"\s+", "", text.lower()).translate(_SIGNS)
    head = heading.lower()
    if match := re.fullmatch(r"10\^?\(?([+-]\d{1,2})\)?|10\^(\d{1,2})", bare):
        return Factor(Fraction(10) ** int(match[1] or match[2]))
    if match := re.fullmatch(r"(?:1|value|val|raw|x)?/(\d+)", bare):
        return Factor(Fraction(1, _not_zero(int(match[1]), text)))
    if match := re.fullmatch(r"(?:value|val|raw)?[*x](.+)", bare):
        return Factor(_not_zero(number_of(match[1], "factor"), text))
    # A number with the unit behind it: `0.1 kW`.
    number_text = re.match(r"[+-]?[\d.,]+(e[+-]?\d+)?", bare)
    number = _not_zero(number_of(number_text[0] if number_text else text, "factor"), text, head)
    if re.search(r"decimals?\b|decimal (places|digits|point)", head):
        return Factor(Fraction(10) ** -_power(number, text))
    if "exponent" in head:
        return Factor(Fraction(10) ** _power(number, text))
    if re.search(r"divisor|\bdiv\b|divide", head):
        return Factor(1 / number)
    if re.search(r"multipl|\bmult\b|resolution|\blsb\b", head):
        return Factor(number)
    return Factor(number, is_open=abs(number) > 1)


def _power(number: Fraction, text: str) -> int:
    if number.denominator != 1 or abs(number) > 12:
        raise UnclearError(f"`{printable(text)[:40]}` is no number of decimals", "by which power of ten is it scaled?")
    return int(number)


def _not_zero(number: Fraction | int, text: str, head: str = "") -> Fraction:
    if number == 0 and not re.search(r"decimal|exponent", head):
        raise UnclearError(f"the factor `{printable(text)[:40]}` is zero", "what is the factor?")
    return Fraction(number)


@lru_cache(CELLS_KEPT)
def range_of(text: str) -> tuple[Fraction, Fraction] | None:
    """Least and greatest value; None where the cell lists states instead (``0=off, 1=on``). UnclearError for others."""
    bare = text.strip().strip("[]()").replace("\u2212", "-")
    # States, lists of numbers, a single number, words.
    bare = re.sub(r"(?<=\d), +(?=[-+]?\d)", "..", bare) if text.strip()[:1] in "[(" else bare
    number = r"[+-]?\d+(?:[.,]\d+)?"
    between = r"\s*(?:\.\.+|[-\u2013\u2014…~/|]|to|bis)\s*"
    match = re.fullmatch(rf"({number}){between}({number})\s*\S*", bare)
    match = match or re.fullmatch(rf"({number})\s*[^\d\s.,+-]*{between}({number})\s*\S*", bare)
    if match is None:
        if re.search(r"=|:|;|,.*,|^\D*$", bare) or re.fullmatch(rf"{number}(?!{between}$)\s*[^\d\s.,]*", bare):
            return None
        raise UnclearError(f"`{printable(text)[:40]}` is no range", "what are the least and the greatest value?")
    return number_of(match[1], "least value"), number_of(match[2], "greatest value")


ACCESS_WORDS: Final = {
    "r": "r", "ro": "r", "read": "r", "readonly": "r", "rd": "r", "rw": "rw", "wr": "rw", "readwrite": "rw",
    "w": "w", "wo": "w", "write": "w", "writeonly": "w", "rwp": "rw", "rwx": "rw", "readandwrite": "rw",
}  # fmt: skip


@lru_cache(CELLS_KEPT)
def access_of(text: str) -> str:
    """``r``, ``w`` or ``rw``. UnclearError if it is none."""
    key = re.sub(r"[^a-z]", "", text.lower())
    if key in ACCESS_WORDS:
        return ACCESS_WORDS[key]
    raise UnclearError(f"`{printable(text)[:40]}` is no kind of access", "can the register be read, written, or both?")


def is_garbled(text: str) -> bool:
    """Whether a text holds signs that a wrong encoding leaves behind."""
    return "\ufffd" in text or re.search(r"Ã.|Â[°²³µ ]|â€", text) is not None


def fits(value_type: ValueType, low: Fraction, high: Fraction) -> bool:
    """Whether a whole-number type holds numbers from low to high; other types always do."""
    if value_type.kind is Kind.INT:
        half = 1 << (value_type.bits - 1)
        return -half <= low and high < half
    if value_type.kind is Kind.UINT:
        return low >= 0 and high < 1 << value_type.bits
    if value_type.kind is Kind.BCD:
        return low >= 0 and high < 10 ** (value_type.bits // 4)
    return True


assert UINT16.bits == 16
assert TEXT_ENCODING == "latin-1"
