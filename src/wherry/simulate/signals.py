"""Values that move: pure functions of time and a seed, so that the same instant always holds the same values.

Times are nanoseconds since the simulated controller was started. A random walk, too, can be asked for any instant: it
is smooth noise between points that a hash of the seed decides.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Final

from wherry.clock import NS_PER_MS, NS_PER_S
from wherry.errors import LocalError
from wherry.limits import REGISTER_BITS
from wherry.plan.model import Point, Signal, Table, Value
from wherry.protocol.message import pack_bits
from wherry.values.codec import type_range, writer
from wherry.values.scaling import exact, line_of, rounded
from wherry.values.types import Kind, ValueType

Cell = tuple[Table, int, int]
"""The smallest thing that moves: table, address, and the bit of a register (0 in a table of bits)."""
Shape = Callable[[int], float]
"""From nanoseconds since the start to the value."""

DERIVED_PERIOD_NS: Final = (7 * NS_PER_S, 11 * NS_PER_S, 13 * NS_PER_S, 17 * NS_PER_S, 23 * NS_PER_S)
"""Periods of the values that nobody declared a signal for: unlike each other, so that a mix-up is seen."""
COPY_PERIOD_NS: Final = 100 * NS_PER_MS
ALIVE_PERIOD_NS_MIN: Final = 10 * NS_PER_MS
MARGIN: Final = 0.1
"""A derived value stays this share of its range away from both ends."""
_WALK_OCTAVES: Final = ((2, 0.5), (4, 0.3), (8, 0.2))
"""Points of a walk in one period, and their share of its width."""
_WORD: Final = 0xFFFF
_MASK64: Final = (1 << 64) - 1

assert math.isclose(sum(share for _, share in _WALK_OCTAVES), 1)


def shape_of(name: str, low: float, high: float, period_ns: int, seed: int = 0) -> Shape:
    """One of the shapes a plan may name, between ``low`` and ``high``. LocalError for another name."""
    assert period_ns > 0, period_ns
    if name == "constant":
        return lambda _now_ns: low
    if name == "ramp":
        return lambda now_ns: low + (high - low) * (now_ns % period_ns / period_ns)
    if name == "sine":
        middle, half, turn = (low + high) / 2, (high - low) / 2, 2 * math.pi / period_ns
        return lambda now_ns: middle + half * math.sin(turn * (now_ns % period_ns))
    if name == "step":
        return lambda now_ns: low if now_ns % period_ns * 2 < period_ns else high
    if name == "counter":
        return lambda now_ns: low + now_ns // period_ns
    if name == "walk":
        return lambda now_ns: low + (high - low) * _wander(now_ns, period_ns, seed)
    raise LocalError(f"there is no signal shape `{name}`; there are constant, ramp, sine, walk, counter and step")


def _wander(now_ns: int, period_ns: int, seed: int) -> float:
    return sum(share * _noise(seed ^ points << 48, now_ns * points, period_ns) for points, share in _WALK_OCTAVES)


def _noise(seed: int, numerator: int, denominator: int) -> float:
    """Smooth noise from 0 to 1 with one random point at every whole number."""
    index, rest = divmod(numerator, denominator)
    part = rest / denominator
    weight = part * part * (3 - 2 * part)
    return _chance(seed, index) * (1 - weight) + _chance(seed, index + 1) * weight


def _chance(seed: int, index: int) -> float:
    return mixed(seed + 0x9E3779B97F4A7C15 * (index + 1)) / (1 << 64)


def mixed(number: int) -> int:
    """A 64-bit hash: the output function of splitmix64 (Steele, Lea, Flood, "Fast splittable ...", OOPSLA 2014)."""
    number &= _MASK64
    number = (number ^ number >> 30) * 0xBF58476D1CE4E5B9 & _MASK64
    number = (number ^ number >> 27) * 0x94D049BB133111EB & _MASK64
    return number ^ number >> 31


@dataclass(frozen=True, slots=True)
class Mover:
    """Items that move by themselves. ``bytes_at`` gives them as they travel (a bit of a word: b"\\0" or b"\\1")."""

    table: Table
    address: int
    count: int
    bit: int | None
    bytes_at: Callable[[int], bytes]
    text: str
    """What moves and how, for people."""
    part: Callable[[int, int], Mover] | None = None
    """The same movement of fewer items: from one address to before another; None when it can only move whole."""

    @property
    def cells(self) -> Iterable[Cell]:
        """What it covers: each bit of a table of bits, each bit of a register."""
        if self.bit is not None:
            return ((self.table, self.address, self.bit),)
        bits = 1 if self.table.is_bits else REGISTER_BITS
        return (
            (self.table, address, bit)
            for address in range(self.address, self.address + self.count)
            for bit in range(bits)
        )


def mover_of(signal: Signal, seed: int) -> Mover:
    """A declared signal as it moves its registers or bits. LocalError if its place holds no number and no bit."""
    point = signal.at
    shape = shape_of(signal.shape, signal.low, signal.high, signal.period_ns, mixed(seed ^ place_number(point)))
    text = f"{point}: {signal.shape}"
    if signal.shape == "constant":
        text += f" {signal.low:g}"
    elif signal.shape == "counter":
        text += f" every {duration_text(signal.period_ns)}"
    else:
        text += f" {signal.low:g} to {signal.high:g} in {duration_text(signal.period_ns)}"
    return _mover(point, _encoder(point, signal), shape, text)


def _mover(point: Point, encode: Callable[[float], bytes], shape: Shape, text: str) -> Mover:
    return Mover(point.table, point.address, point.count, point.bit, lambda now_ns: encode(shape(now_ns)), text)


def place_number(point: Point) -> int:
    """A number of its own for each place, to give each a chance of its own."""
    return (list(Table).index(point.table) << 32) | point.address << 8 | (0 if point.bit is None else point.bit + 1)


def _encoder(point: Point, signal: Signal) -> Callable[[float], bytes]:
    if point.type.kind is Kind.BOOL:
        write = writer(point)
        return lambda value: write(_is_on(value, signal))
    if point.type.is_number:
        wraps_to = round(signal.low) if signal.shape == "counter" else None
        return number_encoder(point, wraps_to=wraps_to)
    raise LocalError(f"{point} cannot move by a signal: it is neither a number nor a single bit")


def _is_on(value: float, signal: Signal) -> bool:
    if signal.shape == "constant":
        return value != 0
    if signal.shape == "counter":
        return round(value) % 2 == 1
    return value * 2 > signal.low + signal.high


def number_encoder(
    point: Point, *, wraps_to: int | None = None, avoided: frozenset[int] = frozenset()
) -> Callable[[float], bytes]:
    """How a number is put into its registers: rounded, and held within what the type can hold.

    ``wraps_to``: beyond the greatest number a counter goes on from here. ``avoided``: contents with another meaning.
    """
    write, value_type = writer(point), point.type
    if value_type.kind is Kind.FLOAT:
        low, high = type_range(value_type)
        return lambda value: write(float(min(max(value, low), high)))
    least, greatest = (int(each) for each in type_range(value_type))

    def encode(value: float) -> bytes:
        number = round(value)
        if wraps_to is not None and number > greatest:
            number = wraps_to + (number - wraps_to) % (greatest - wraps_to + 1)
        number = min(max(number, least), greatest)
        while _content(number, value_type) in avoided:
            number = number - 1 if number > least else greatest
        return write(number)

    return encode


def _content(number: int, value_type: ValueType) -> int:
    """The register content as one unsigned number, as not-available codes are written."""
    if value_type.kind is Kind.BCD:
        return int(str(number), 16)
    return number & (1 << value_type.bits) - 1


# What nobody declared.


def derived_movers(
    values: Sequence[Value], alive: Sequence[tuple[Point, int]], signals: Sequence[Signal], seed: int
) -> list[Mover]:
    """Movers for what is taken from a controller, as far as no declared signal covers it.

    Numbers swing inside their range, bits toggle, words of copies count up; ``alive`` counters (with the period of
    their transfer) count. To be applied in this order, before the declared ones.
    """
    covered = {cell for each in signals for cell in mover_of(each, seed).cells}
    result: list[Mover] = []
    copies: list[Mover] = []

    def add(mover: Mover) -> None:
        cells = set(mover.cells)
        if covered.isdisjoint(cells):
            covered.update(cells)
            result.append(mover)

    for point, period_ns in alive:
        add(alive_mover(point, period_ns))
    for index, value in enumerate(each for each in values if each.take.type.kind is not Kind.RAW):
        add(derived_mover(value, index))
    for value in values:
        if value.take.type.kind is Kind.RAW:
            copies += copy_movers(value.take, covered)
    # Copies move first: a bit that moves by itself inside a copied word then has its way.
    return copies + result


def alive_mover(point: Point, transfer_period_ns: int) -> Mover:
    """The source program's own counter: quick enough to move between any two readings."""
    if point.type.kind in (Kind.RAW, Kind.STRING):
        # Whatever it is, its first item counts.
        return copy_mover(point, point.address, point.address + 1)
    return mover_of(Signal(point, "counter", 0, 0, max(ALIVE_PERIOD_NS_MIN, transfer_period_ns // 2)), 0)


def derived_mover(value: Value, index: int) -> Mover:
    """A movement that fits a value of the plan. ``index`` makes neighbours unlike each other."""
    point = value.take
    period_ns = DERIVED_PERIOD_NS[index % len(DERIVED_PERIOD_NS)]
    if point.type.kind is Kind.BOOL:
        return mover_of(Signal(point, "step", 0, 1, period_ns), 0)
    if point.type.kind is Kind.STRING:
        data = writer(point)(value.name.encode("ascii", "replace").decode()[: point.type.length])
        return Mover(point.table, point.address, point.count, None, lambda _now_ns: data, f"{point}: its name")
    low, high = derived_range(value)
    encode = number_encoder(point, avoided=_contents(value))
    text = f"{point}: sine {low:g} to {high:g} in {duration_text(period_ns)}"
    return _mover(point, encode, shape_of("sine", low, high, period_ns), text)


def _contents(value: Value) -> frozenset[int]:
    return frozenset(code & (1 << value.take.type.bits) - 1 for code in value.not_available)


def derived_range(value: Value) -> tuple[float, float]:
    """The least and the greatest number in the source's registers of a value that swings inside its range."""
    value_type = value.take.type
    if value.range is not None:
        shown = value.range
    elif value.take_scale is not None:
        shown = (value.take_scale.to_low, value.take_scale.to_high)
    elif value.scale is not None and value.put_unit in ("", value.unit):
        shown = (value.scale.from_low, value.scale.from_high)
    else:
        shown = (0.0, 100.0)
    low, high = sorted(float(each) for each in shown)
    margin = MARGIN * (high - low)
    line = line_of(value.take_scale)
    if line.factor == 0:
        return float(line.offset), float(line.offset)
    ends = sorted((exact(end) - line.offset) / line.factor for end in (low + margin, high - margin))
    least, greatest = type_range(value_type)
    held = [min(max(each, exact(least)), exact(greatest)) for each in ends]
    if value_type.kind is not Kind.FLOAT:
        return float(rounded(held[0], value.rounding)), float(rounded(held[1], value.rounding))
    return float(held[0]), float(held[1])


def copy_movers(point: Point, covered: Collection[Cell] = ()) -> Iterator[Mover]:
    """The items of a copy, less those that something else moves whole, in runs."""
    bits = 1 if point.table.is_bits else REGISTER_BITS
    start: int | None = None
    for address in range(point.address, point.address + point.count + 1):
        is_free = address < point.address + point.count and not all(
            (point.table, address, bit) in covered for bit in range(bits)
        )
        if is_free and start is None:
            start = address
        elif not is_free and start is not None:
            yield copy_mover(point, start, address)
            start = None


def copy_mover(point: Point, start: int, stop: int) -> Mover:
    """Some items of a copy: each counts up, and all of one instant belong together (item i is the count plus i)."""
    count, first = stop - start, start - point.address
    text = f"{point}: counts up every {duration_text(COPY_PERIOD_NS)}"
    bytes_at = _counting_bits(first, count) if point.table.is_bits else _counting_words(first, count)
    return Mover(point.table, start, count, None, bytes_at, text, partial(copy_mover, point))


def _counting_words(first: int, count: int) -> Callable[[int], bytes]:
    pack = struct.Struct(f">{count}H").pack

    def words_at(now_ns: int) -> bytes:
        start = (now_ns // COPY_PERIOD_NS + first) & _WORD
        if start + count <= _WORD:
            return pack(*range(start, start + count))
        return pack(*(number & _WORD for number in range(start, start + count)))

    return words_at


def _counting_bits(first: int, count: int) -> Callable[[int], bytes]:
    patterns = [pack_bits([(start + index) & 1 for index in range(count)]) for start in (0, 1)]
    return lambda now_ns: patterns[(now_ns // COPY_PERIOD_NS + first) & 1]


def duration_text(duration_ns: int) -> str:
    """``200 ms``, ``1.5 s``: the largest unit that leaves at least one."""
    for unit, size_ns in (("s", NS_PER_S), ("ms", NS_PER_MS), ("us", 1000)):
        if duration_ns >= size_ns:
            return f"{duration_ns / size_ns:g} {unit}"
    return f"{duration_ns} ns"
