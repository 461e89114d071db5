"""Which register a printed number is: the notations of a table, and the elimination of those that its rows exclude.

``40001``, ``400001``, ``1``, ``0`` and ``0x0000`` may be the same register (common practice; the specification numbers
addresses only: MODBUS Application Protocol V1.1b3, 4.4). A notation is taken only when what is printed leaves no other,
or when somebody says it. One row in twenty may contradict a notation and not exclude it: rows have misprints.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Final

from wherry.importing.sheets import Cell
from wherry.importing.words import UnclearError
from wherry.limits import ADDRESS_MAX, ITEMS_PER_TABLE, REGISTER_BITS
from wherry.plan.model import REFERENCE_DIGIT, Table, reference_number
from wherry.plan.place_words import OTHER_TABLES
from wherry.plan.wording import listed, printable

CONTRADICTIONS_SHARE: Final = 20
"""One row in so many may be a misprint. A bound of ours."""


PAIRS_MIN: Final = 6
"""From so many rows with two numbers on one of them may be a misprint. A bound of ours."""


class Notation(StrEnum):
    """How registers are numbered."""

    ADDRESS = "address"
    NUMBER = "number"
    REFERENCE_5 = "reference-5"
    REFERENCE_6 = "reference-6"

    @property
    def words(self) -> str:
        """In words."""
        return {
            Notation.ADDRESS: "addresses counted from zero, as they travel",
            Notation.NUMBER: "numbers counted from one, without a digit for the table",
            Notation.REFERENCE_5: "reference numbers of five digits: the table's digit, then four counted from one",
            Notation.REFERENCE_6: "reference numbers of six digits: the table's digit, then five counted from one",
        }[self]

    @property
    def digits(self) -> int:
        """How many digits a reference number has; 0 for the others."""
        return {Notation.REFERENCE_5: 5, Notation.REFERENCE_6: 6}.get(self, 0)

    @property
    def is_reference(self) -> bool:
        return self in (Notation.REFERENCE_5, Notation.REFERENCE_6)


_DIGIT_TABLE: Final = {digit: table for table, digit in REFERENCE_DIGIT.items()}


@dataclass(frozen=True, slots=True)
class Printed:
    """An address as a table prints it. ``digits`` without any mark; ``last`` the end of a run; ``table`` where the cell
    itself names it; ``reference`` when it is written as such (``4x0001``): then ``digits`` have the table's digit."""

    text: str
    digits: str
    is_marked_hex: bool = False
    last: str = ""
    bit: int | None = None
    table: Table | None = None
    reference: Notation | None = None


_HEX = r"(?:0x|16#|\$|&h|#)?[0-9a-f]+h?"
_PREFIX: Final = re.compile(r"([a-z]+(?: registers?| inputs?)?|[0134]x)[ :_#]*(?=[0-9$&]|0x)")
_REFERENCE: Final = re.compile(r"([134]) ?(?:x|:|-) ?(\d{4,5})")
_RANGE: Final = re.compile(rf"({_HEX})\s*(?:[-\u2013\u2014]|\.\.+|…|~|to|bis|/|,|&|\+|and|und)\s*({_HEX})")
_BIT: Final = re.compile(rf"({_HEX})\s*(?:[.:/ ,]?\s*bit\s*|[.:]\s*b?|\[)\s*(\d{{1,2}})\]?")


def printed_of(cell: Cell) -> Printed:
    """An address cell taken apart. UnclearError if it is none."""
    text = cell.text.strip()
    shown = printable(text)[:40]
    which = "which register is it, in numbers?"
    if cell.is_date:
        raise UnclearError(f"the spreadsheet holds a date here ({shown}), made from what was typed", which)
    bare = re.sub(r"\s+", " ", text.lower().replace("\u00a0", " "))
    bare = re.sub(r"(?<=\d)[, '](?=\d{3}\b)", "", bare) if re.fullmatch(r"\d{1,3}([, ']\d{3})+", bare) else bare
    if not bare:
        raise UnclearError("the address is missing", which)
    table: Table | None = None
    if match := _REFERENCE.fullmatch(bare):
        notation = Notation.REFERENCE_5 if len(match[2]) == 4 else Notation.REFERENCE_6
        return Printed(text, match[1] + match[2], table=_DIGIT_TABLE[int(match[1])], reference=notation)
    if (match := _PREFIX.match(bare)) is not None:
        word = match[1].split()[0]
        if word in OTHER_TABLES or word in set(Table):
            table = Table(OTHER_TABLES.get(word, word))
            bare = bare[match.end() :]
    if cell.is_number and re.fullmatch(r"\d+\.[1-9]", bare) and bare.endswith(".1"):
        raise UnclearError(
            f"the spreadsheet holds the number {shown}: bit 1, or bit 10 whose zero is lost", "which bit is it?"
        )
    if re.fullmatch(_HEX, bare):
        digits, is_hex = _digits(bare)
        return Printed(text, digits, is_hex, table=table)
    if match := _BIT.fullmatch(bare):
        digits, is_hex = _digits(match[1])
        if int(match[2]) >= REGISTER_BITS:
            raise UnclearError(f"`{shown}` names bit {match[2]}, and a register has bits 0 to 15", "which bit is it?")
        return Printed(text, digits, is_hex, bit=int(match[2]), table=table)
    if match := _RANGE.fullmatch(bare):
        digits, is_hex = _digits(match[1])
        return Printed(text, digits, is_hex, last=_digits(match[2])[0], table=table)
    raise UnclearError(f"`{shown}` is no address", which)


def _digits(text: str) -> tuple[str, bool]:
    """The digits without marks, and whether marks say that they are hexadecimal."""
    bare = re.sub(r"^(0x|16#|\$|&h|#)", "", text)
    is_marked = bare != text and not text.startswith("#")
    if bare.endswith("h"):
        bare, is_marked = bare[:-1], True
    return bare, is_marked


# Readings.


@dataclass(frozen=True, slots=True)
class Place:
    """Where a printed number is. ``table`` is None where nothing names it."""

    table: Table | None
    address: int
    last: int | None = None


def place_of(printed: Printed, notation: Notation, table: Table | None, *, is_hex: bool) -> Place | str:
    """The place under one notation, or what speaks against it. ``table``: what the rest of the row says."""
    hexadecimal = is_hex or printed.is_marked_hex
    if printed.reference is not None:
        notation, hexadecimal = printed.reference, False
    first = _one(printed.digits, notation, table or printed.table, hexadecimal)
    if isinstance(first, str) or not printed.last:
        return first
    if len(printed.last) < len(printed.digits):
        # `40001-2`, `40001/02`: only the digits that change.
        last = _one(printed.digits[: -len(printed.last)] + printed.last, notation, table, hexadecimal)
    else:
        last = _one(printed.last, notation, table, hexadecimal)
    if isinstance(last, str):
        return last
    if last.address < first.address:
        return f"`{printable(printed.text)[:40]}` ends before it begins"
    return Place(first.table, first.address, last.address)


def _one(digits: str, notation: Notation, table: Table | None, hexadecimal: bool) -> Place | str:
    if not hexadecimal and not digits.isdecimal():
        return f"`{digits}` is not decimal"
    if len(digits) > 9:
        return f"`{digits[:20]}` has too many digits"
    number = int(digits, 16 if hexadecimal else 10)
    if notation is Notation.ADDRESS:
        return Place(table, number) if number <= ADDRESS_MAX else f"{number} is beyond the last address, {ADDRESS_MAX}"
    if notation is Notation.NUMBER:
        if not number:
            return "0 is printed, and what is counted from one has no 0"
        return Place(table, number - 1) if number <= ITEMS_PER_TABLE else f"{number} is beyond the last number, 65536"
    if hexadecimal:
        return "reference numbers are not written in hexadecimal"
    if len(digits) != notation.digits and (digits[0] == "0" or len(digits) > notation.digits):
        # Fewer digits are those of a coil whose zeros a spreadsheet has lost.
        return f"{digits} has {len(digits)} digit{'s' * (len(digits) != 1)}, and not {notation.digits}"
    digit, rest = divmod(number, 10_000 if notation is Notation.REFERENCE_5 else 100_000)
    if digit not in _DIGIT_TABLE:
        return f"the first digit of {number:0{5 if notation is Notation.REFERENCE_5 else 6}} stands for no table"
    if not 1 <= rest <= ITEMS_PER_TABLE:
        return f"{number} ends in {rest}, and reference numbers are counted from 1 to 65536"
    named = _DIGIT_TABLE[digit]
    if table is not None and table is not named:
        return f"{number} is in the table `{named}` by its first digit, and the row says `{table}`"
    return Place(named, rest - 1)


# Elimination.


@dataclass(frozen=True, slots=True)
class Numbered:
    """One row with its printed address, its number in the sheet for people, and what it says of its table."""

    where: str
    printed: Printed
    table: Table | None
    second: Printed | None = None
    """The address in another column of the same row."""


@dataclass(slots=True)
class Decision:
    """Which notation it is, and why; ``notation`` is None when more than one is possible."""

    notation: Notation | None = None
    is_hex: bool = False
    second: Notation | None = None
    """The notation of the other column."""
    second_is_hex: bool = False
    how: str = ""
    possible: tuple[Notation, ...] = ()
    against: dict[Notation, tuple[str, ...]] = field(default_factory=dict)
    """What speaks against each notation, with the row."""
    hints: tuple[str, ...] = ()
    """What speaks for one of them and does not decide."""
    readings: dict[Notation, str] = field(default_factory=dict)
    """What the first row would be under each possible notation."""
    is_base_open: bool = False
    """Decimal or hexadecimal is not decided."""


@dataclass(frozen=True, slots=True)
class Told:
    """What was said of a table from outside its rows."""

    notation: Notation | None = None
    """By the user."""
    is_hex: bool | None = None
    """By the user, or a heading."""
    heading: Notation | None = None
    """By a heading or a title."""
    heading_text: str = ""
    second_is_hex: bool | None = None


def decide(rows: Sequence[Numbered], told: Told) -> Decision:
    """Eliminate, and take what is left if it is one."""
    decision = Decision()
    decision.is_hex, decision.is_base_open = _base([each.printed for each in rows], told.is_hex)
    seconds = [each.second for each in rows if each.second is not None]
    decision.second_is_hex, _ = _base(seconds, told.second_is_hex)
    decision.against = {each: _contradictions(rows, each, decision.is_hex) for each in Notation}
    bound = max(1, len(rows) // CONTRADICTIONS_SHARE)
    possible = [each for each in Notation if not _is_out(each, rows, decision, bound)]
    if told.notation is not None:
        decision.notation, decision.how = told.notation, "said with --notation"
    elif rows and all(each.printed.reference is not None for each in rows):
        decision.notation, decision.how = rows[0].printed.reference, "every number is written with its table (4x...)"
    elif told.heading in possible:
        decision.notation, decision.how = told.heading, f'"{told.heading_text}" says it'
    elif (pair := _pair(rows, possible, decision)) is not None and _is_usual(pair[0], rows):
        decision.notation, decision.second = pair
        decision.how = (
            "the two columns of numbers agree in one way only "
            f"({rows[0].printed.text} and {rows[0].second.text if rows[0].second else ''} are the same register)"
        )
    elif len(possible) == 1 and _is_usual(possible[0], rows):
        decision.notation = possible[0]
        decision.how = "the rows exclude every other one: " + "; ".join(
            decision.against[each][0] for each in Notation if each is not possible[0] and decision.against[each]
        )
    if decision.notation is not None and decision.second is None and seconds:
        decision.second = _second_for(rows, decision)
    decision.possible = tuple(possible)
    decision.readings = {each: reading for each in possible if (reading := _reading(rows, each, decision))}
    decision.hints = tuple(_hints(rows, decision))
    return decision


def _reading(rows: Sequence[Numbered], notation: Notation, decision: Decision) -> str:
    """The first row under one notation, in words."""
    for each in rows:
        place = place_of(each.printed, notation, each.table, is_hex=decision.is_hex)
        if isinstance(place, Place):
            table = place.table
            where = f"address {place.address}" if table is None else f"{table} {place.address}"
            reference = "" if table is None else f" ({reference_number(table, place.address)})"
            return f"`{printable(each.printed.text)[:40]}` of {each.where} is {where}{reference}"
    return ""


def _contradictions(rows: Sequence[Numbered], notation: Notation, is_hex: bool) -> tuple[str, ...]:
    if notation.is_reference and not any(len(each.printed.digits) == notation.digits for each in rows):
        return tuple(f"no number has {notation.digits} digits" for _ in rows)
    found: list[str] = []
    for each in rows:
        place = place_of(each.printed, notation, each.table, is_hex=is_hex)
        if isinstance(place, str):
            found.append(f"{each.where}: {place}")
    return tuple(found)


def _is_usual(notation: Notation, rows: Sequence[Numbered]) -> bool:
    """Whether most rows have the digits of a reference number; else one misprint could make the others coils whose
    zeros are lost."""
    return not notation.is_reference or 2 * sum(len(each.printed.digits) == notation.digits for each in rows) > len(
        rows
    )


def _is_out(notation: Notation, rows: Sequence[Numbered], decision: Decision, bound: int) -> bool:
    against = decision.against[notation]
    if len(against) > bound:
        return True
    if notation.is_reference and not any(len(each.printed.digits) == notation.digits for each in rows):
        return True  # also when there are few rows
    # A table that begins with 0 is not a misprint.
    begins_with_zero = rows[0].printed.digits.strip("0") == "" if rows else False
    return notation is not Notation.ADDRESS and begins_with_zero and bool(against)


def _base(printed: Sequence[Printed], told: bool | None) -> tuple[bool, bool]:
    """Whether unmarked numbers are hexadecimal, and whether that is open."""
    if told is not None:
        return told, False
    bare = [each.digits for each in printed if not each.is_marked_hex and each.reference is None]
    lettered = sum(1 for each in bare if not each.isdecimal())
    if lettered > max(1, len(bare) // CONTRADICTIONS_SHARE):
        return True, False
    padded = [each for each in bare if re.fullmatch(r"0\d+", each) and int(each) >= 10]
    if not padded:
        return False, False
    numbers = {int(each) for each in bare if each.isdecimal()}
    # ...9 followed by ...10 without a gap: in hexadecimal six would be left out each time.
    follows = any(number % 10 == 9 and number + 1 in numbers for number in numbers)
    return False, not follows


def _pair(
    rows: Sequence[Numbered], possible: Sequence[Notation], decision: Decision
) -> tuple[Notation, Notation] | None:
    """The only pair of notations in which two columns of numbers mean the same registers."""
    both = [each for each in rows if each.second is not None]
    if len(both) < 2 or 2 * len(both) < len(rows):
        return None
    misprints = max(len(both) // CONTRADICTIONS_SHARE, 1 if len(both) >= PAIRS_MIN else 0)
    needed = len(both) - misprints
    fitting = [
        (first, second)
        for first in possible
        for second in Notation
        if _agreeing(both, first, second, decision) >= needed
    ]
    firsts = {first for first, _ in fitting}
    return fitting[0] if len(fitting) == 1 or (len(firsts) == 1 and fitting) else None


def _agreeing(rows: Sequence[Numbered], first: Notation, second: Notation, decision: Decision) -> int:
    count = 0
    for each in rows:
        assert each.second is not None
        one = place_of(each.printed, first, each.table, is_hex=decision.is_hex)
        other = place_of(each.second, second, each.table, is_hex=decision.second_is_hex)
        count += isinstance(one, Place) and isinstance(other, Place) and one.address == other.address
    return count


def _second_for(rows: Sequence[Numbered], decision: Decision) -> Notation | None:
    """The notation of the other column, once that of the first one is known; None if the two do not belong together."""
    assert decision.notation is not None
    both = [each for each in rows if each.second is not None]
    best = max(Notation, key=lambda each: _agreeing(both, decision.notation or each, each, decision))
    agreeing = _agreeing(both, decision.notation, best, decision)
    return best if agreeing >= max(2, len(both) - max(1, len(both) // CONTRADICTIONS_SHARE)) else None


def _hints(rows: Sequence[Numbered], decision: Decision) -> list[str]:
    hints: list[str] = []
    if not rows:
        return hints
    named = {each.table for each in rows if each.table is not None}
    for notation in (Notation.REFERENCE_5, Notation.REFERENCE_6):
        length = 5 if notation is Notation.REFERENCE_5 else 6
        if decision.against[notation] or any(len(each.printed.digits) != length for each in rows):
            continue
        places = [place_of(each.printed, notation, each.table, is_hex=False) for each in rows]
        tables = {each.table for each in places if isinstance(each, Place)}
        words = listed(sorted(map(str, tables)), last="and")
        if named == tables:
            hints.append(f"every first digit is that of the row's table ({words}), which speaks for {notation}")
        elif not named and len(tables) > 1:
            hints.append(f"the first digits name several tables ({words}), which speaks for {notation}")
    if any(each.printed.is_marked_hex for each in rows) or decision.is_hex:
        hints.append("lists in hexadecimal are usually addresses from zero (common practice)")
    return hints
