"""Whether what a source showed can be Good by what the plan declares of its values (range, step, counter, codes).

A source that breaks its own declaration is rightly not Good, for a known time. Judged from the right replies alone.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from fractions import Fraction
from typing import Final

from wherry.plan.model import Direction, Plan, Transfer, Value
from wherry.rehearse.checkers.conversion import decoder, exactly, ordered, take_line
from wherry.rehearse.checkers.matching import Data, Matching, Stream, Track
from wherry.rehearse.tap import Ask

SLACK: Final = Fraction(1, 10**6)
"""Relative: what rounding in the source's own format may take a counter back by."""
PERIODS_KEPT: Final = 3
"""A reading is held against those of so many periods before: another transfer may read the same place more often, and
which of the readings counted cannot be told from the wire."""


class Shown:
    """What the source showed of one value, and when that broke its declaration last."""

    __slots__ = ("_codes", "_counter", "_decode", "_jump", "_line", "_modulus", "_order", "_period_ns", "_range",
                 "_readings", "broken_ns")  # fmt: skip

    def __init__(self, transfer: Transfer, value: Value) -> None:
        self.broken_ns: int | None = None
        self._period_ns = transfer.period_ns
        self._decode = decoder(value.take)
        self._line = take_line(value)
        self._order = value.take.order.value
        bits = 16 * value.take.type.registers
        self._codes = frozenset(code % (1 << bits) for code in value.not_available)
        self._range = None if value.range is None else (exactly(value.range[0]), exactly(value.range[1]))
        self._jump = None if value.jump is None else exactly(value.jump)
        self._modulus = None if value.modulus is None else exactly(value.modulus)
        self._counter = value.counter
        self._readings: deque[tuple[int, Fraction]] = deque()

    def note(self, data: bytes, at_ns: int) -> None:
        """A right reply to a request that left at this instant holds this."""
        source = self._decode(data)
        if source is None or int.from_bytes(ordered(data, self._order), "big") in self._codes:
            self.broken_ns = at_ns
            return
        number = Fraction(source) * self._line[0] + self._line[1]
        while self._readings and self._readings[0][0] < at_ns - PERIODS_KEPT * self._period_ns:
            self._readings.popleft()
        if self._is_outside(number) or any(self._is_step(at_ns - then, number, was) for then, was in self._readings):
            self.broken_ns = at_ns
        self._readings.append((at_ns, number))

    def _is_outside(self, number: Fraction) -> bool:
        if self._modulus is not None and not 0 <= number < self._modulus:
            return True
        return self._range is not None and not self._range[0] <= number <= self._range[1]

    def _is_step(self, apart_ns: int, number: Fraction, was: Fraction) -> bool:
        """Whether it is one that must not be: larger than the largest, or the wrong way for a counter."""
        most = None if self._jump is None else self._jump * max(1, round(apart_ns / self._period_ns))
        step = number - was
        if self._counter is None:
            return most is not None and abs(step) > most
        if self._counter is Direction.DOWN:
            step = -step
        slack = SLACK * max(abs(number), abs(was))
        if self._modulus is not None:
            step %= self._modulus
            if step > self._modulus / 2:
                return step < self._modulus - slack
        return step < -slack or (most is not None and step > most)


Watched = list[tuple[Shown, Callable[[bytes], Data]]]
"""What is noted of one read, and how it is cut out of the reply."""


class Implausible:
    """All values of a plan of which anything is declared that a reading can break."""

    def __init__(self, plan: Plan, matching: Matching) -> None:
        self._shown: dict[str, list[tuple[Shown, Track]]] = {}
        for transfer in plan.transfers:
            tracks = [each for each in matching.tracks[transfer.name] if is_declared(each.value)]
            if tracks:
                self._shown[transfer.name] = [(Shown(transfer, each.value), each) for each in tracks]
        self._by_stream: dict[Stream, Watched] = {}

    def answered(self, ask: Ask, pdu: bytes) -> None:
        """A right reply has come."""
        if not self._shown or ask.head.is_write:
            return
        stream: Stream = ask.head.parts
        if stream not in self._by_stream:
            self._by_stream[stream] = [
                (shown, cut)
                for watched in self._shown.values()
                for shown, track in watched
                for each, cut in track.sources
                if each is stream
            ]
        for shown, cut in self._by_stream[stream]:
            data = cut(pdu[2:])
            assert isinstance(data, bytes), "numbers lie in registers"
            shown.note(data, ask.at_ns)

    def is_since(self, name: str, since_ns: int) -> bool:
        """Whether any value of a transfer has broken its declaration since an instant."""
        return any(each.broken_ns is not None and each.broken_ns >= since_ns for each, _ in self._shown.get(name, ()))


def is_declared(value: Value) -> bool:
    """Whether a reading of the value can break what the plan says of it."""
    # What is outside its range and clamped is put, but no better than Uncertain.
    return value.take.type.is_number and bool(value.range is not None or value.not_available or value.is_watched)
