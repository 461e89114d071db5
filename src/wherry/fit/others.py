"""Known texts and known switches: sought in registers and bits like numbers, with fewer ways to keep them."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

from wherry.fit.readings import Round
from wherry.limits import REGISTER_BITS
from wherry.plan.model import Point, Span, Table
from wherry.values.codec import TEXT_ENCODING
from wherry.values.order import reorder
from wherry.values.types import BOOL, Order, string

ACCIDENT_MAX: Final = 1e-3
PADDING: Final = b"\x00 "


@dataclass(frozen=True, slots=True)
class KnownText:
    """A text that some registers hold at every reading: a serial number, a model name."""

    name: str
    text: str
    places: tuple[Span, ...] = ()


@dataclass(frozen=True, slots=True)
class KnownSwitch:
    """Something that is on or off; ``states`` by reading, from 0."""

    name: str
    states: Mapping[int, bool] = field(default_factory=dict)
    places: tuple[Span, ...] = ()
    is_present: bool = False


@dataclass(frozen=True, slots=True)
class Found:
    """The places that fit a text or a switch. ``accidents``: how many are to be expected by chance."""

    name: str
    points: tuple[Point, ...]
    accidents: float
    is_decided: bool
    why: str


def find_text(rounds: Sequence[Round], known: KnownText) -> Found:
    """Where a text lies, in every order of bytes and words. How long its field is can only be guessed: it is taken to
    end with the last NUL or blank that follows."""
    points = [point for table in (Table.INPUT, Table.HOLDING) for point in _texts(rounds, known, table)]
    counts = [len(each.tables.get(table, {})) for each in rounds for table in (Table.INPUT, Table.HOLDING)]
    accidents = sum(counts) * 4 * 2.0 ** (-8 * len(known.text))
    places = {(point.table, point.address) for point in points}
    is_decided = len(points) == 1 and accidents <= ACCIDENT_MAX
    why = f"it is at {len(places)} places" if len(places) != 1 else "one way fits; its length is not proved"
    return Found(known.name, tuple(points), accidents, is_decided, why if points else "no registers hold this text")


def _texts(rounds: Sequence[Round], known: KnownText, table: Table) -> Iterator[Point]:
    data = known.text.encode(TEXT_ENCODING)
    words = (len(data) + 1) // 2
    held = [each.tables.get(table, {}) for each in rounds]
    starts = sorted({address for each in held for address in each if address + words - 1 in each})
    seen: set[tuple[int, tuple[int, ...]]] = set()
    for address in starts:
        if known.places and not any(s.table is table and s.start <= address < s.stop for s in known.places):
            continue
        for order in Order:
            if all(_reads(each, address, words, order, data) for each in held if address in each):
                positions = tuple(reorder(bytes(range(2 * words)), order))
                if (address, positions) in seen:
                    continue
                seen.add((address, positions))
                # Words in reverse are only known for exactly this many: no padding is taken in.
                is_plain = order in (Order.ABCD, Order.BADC)
                length = _field_length(held, address, words) if is_plain else 2 * words
                yield Point(table, address, string(length), order)


def _reads(held: Mapping[int, int], address: int, words: int, order: Order, data: bytes) -> bool:
    run = [held.get(address + offset) for offset in range(words)]
    if None in run:
        return False
    content = reorder(b"".join(word.to_bytes(2, "big") for word in run if word is not None), order)
    return content[: len(data)] == data and all(byte in PADDING for byte in content[len(data) :])


def _field_length(held: Sequence[Mapping[int, int]], address: int, words: int) -> int:
    end = address + words
    while any(end in each for each in held) and all(each.get(end, 0) in (0, 0x2020) for each in held):
        end += 1
    return 2 * (end - address)


def find_switch(rounds: Sequence[Round], known: KnownSwitch) -> Found:
    """The bits, in tables of bits and inside registers, that were on and off as the switch was."""
    points, moved = [], 0
    for table in Table:
        for address, bit in _bits(rounds, known, table):
            content = [_bit(each, table, address, bit) for each in rounds]
            moved += len({each for each in content if each is not None}) > 1
            told = [(content[at], state) for at, state in known.states.items() if at < len(content)]
            if any(each is not None for each, _ in told) and all(each in (None, state) for each, state in told):
                points.append(Point(table, address, BOOL, bit=bit))
    accidents = max(1, moved) * 2.0 ** -len(known.states)
    is_sure = known.is_present or accidents <= ACCIDENT_MAX
    count = len(points)
    why = "no bit was on and off like this" if not count else f"{count:,} bits fit" if count > 1 else "one bit fits"
    if count == 1 and not is_sure:
        why += f", but so would {accidents:.2g} by accident"
    return Found(known.name, tuple(points), accidents, count == 1 and is_sure, why)


def _bits(rounds: Sequence[Round], known: KnownSwitch, table: Table) -> Iterator[tuple[int, int | None]]:
    for address in sorted({address for each in rounds for address in each.tables.get(table, {})}):
        if known.places and not any(s.table is table and s.start <= address < s.stop for s in known.places):
            continue
        if table.is_bits:
            yield address, None
        else:
            yield from ((address, bit) for bit in range(REGISTER_BITS))


def _bit(held: Round, table: Table, address: int, bit: int | None) -> bool | None:
    word = held.tables.get(table, {}).get(address)
    return None if word is None else bool(word >> (bit or 0) & 1)
