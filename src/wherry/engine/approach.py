"""Start and return without a bump: a place is looked at before each write, and moved in steps.

A value with a ``step`` is written only after its place was read in this very cycle. What an answer to an earlier write
said is no proof: the device may be in local mode, may have restarted, or somebody may have moved it by hand. What is
put differs from what the place holds by at most ``step``, in the numbers that travel: rounded towards what it holds,
so that no rounding makes the step longer. Where the next number that the place can hold is further away than ``step``
(a float tells fewer numbers apart the greater they are) it cannot be moved at all: nothing is put, and that is said.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Callable, Sequence
from fractions import Fraction
from typing import Final

from wherry.engine.job import Job, NotSent, describe
from wherry.plan.model import Controller, OnStep, Point, Table, Transfer, Value
from wherry.protocol.pdu import ReadCoils, ReadHoldingRegisters
from wherry.protocol.session import Outcome, Prepared, Reply, prepare
from wherry.timing.order import rank_of
from wherry.values.codec import UnreadableError, reader, writer
from wherry.values.scaling import exact
from wherry.values.types import Kind
from wherry.values.units import line_to_put

ON_THE_WAY: Final = "moved by `step` towards the source's value"
HELD: Final = "held: further than `step` from what the receiver holds"
UNKNOWN: Final = "not written: what the receiver holds could not be read"
STUCK: Final = "not moved: `step` is smaller than the way to the next number that its place can hold"
_FLOAT_CODES: Final = {32: ">f", 64: ">d"}


class Target:
    """The place of one value with a ``step``: what it holds, as far as known."""

    __slots__ = (
        "_decode", "_encode", "is_ramp", "moved_ns", "number", "pace_ns", "put", "step",
    )  # fmt: skip

    def __init__(self, value: Value, period_ns: int) -> None:
        assert value.step is not None
        to_put = line_to_put(value.unit, value.put_unit, value.scale)
        self.put = value.put
        self.step: Fraction = abs(to_put.factor) * exact(value.step)
        self.is_ramp = value.on_step is OnStep.RAMP
        self.number: Fraction | None = None
        """What it holds, as the number that travels; None while that is not known."""
        self.pace_ns = period_ns - period_ns // 8
        """Least time between two steps: a cycle may come a little early after one that was late."""
        self.moved_ns = -self.pace_ns
        self._decode = reader(value.put)
        self._encode = writer(value.put)

    def read(self, data: bytes) -> None:
        """Take what the place was read to hold."""
        self.number = self._number(data)

    def _number(self, data: bytes) -> Fraction | None:
        try:
            number = self._decode(data)
        except UnreadableError:
            return None
        assert isinstance(number, int | float)
        return Fraction(number) if math.isfinite(number) else None

    def limit(self, data: bytes, now_ns: int) -> tuple[bytes | None, str]:
        """What may be put of what is wanted, and why it is something else; an empty text if it is not."""
        wanted = self._number(data)
        if self.number is None or wanted is None:
            return None, UNKNOWN
        if now_ns - self.moved_ns < self.pace_ns and wanted != self.number:
            # The step before was in this period too: stay where it is.
            return self._encode(int(self.number) if self.number.denominator == 1 else float(self.number)), ON_THE_WAY
        if abs(wanted - self.number) <= self.step:
            if wanted != self.number:
                self.moved_ns = now_ns
            return data, ""
        if not self.is_ramp:
            return None, HELD
        is_up = wanted > self.number
        put = self._encoded(self.number + self.step if is_up else self.number - self.step, is_up=is_up)
        if self._number(put) == self.number:
            return None, STUCK
        self.moved_ns = now_ns
        return put, ON_THE_WAY

    def _encoded(self, bound: Fraction, *, is_up: bool) -> bytes:
        """The number nearest to ``bound`` that is not beyond it, as it travels."""
        if self.put.type.kind is not Kind.FLOAT:
            return self._encode(math.floor(bound) if is_up else math.ceil(bound))
        code = _FLOAT_CODES[self.put.type.bits]
        number: float = struct.unpack(code, struct.pack(code, float(bound)))[0]
        if Fraction(number) > bound if is_up else Fraction(number) < bound:
            number = _neighbour(number, code, is_up=not is_up)
        return self._encode(number)


def _neighbour(number: float, code: str, *, is_up: bool) -> float:
    """The next number of the format. Read as whole numbers, floats of one sign keep their order (IEEE 754-2019)."""
    whole = code.replace("f", "I").replace("d", "Q")
    (magnitude,) = struct.unpack(whole, struct.pack(code, abs(number)))
    is_below_zero = number < 0 or (number == 0 and not is_up)
    moved = magnitude + (1 if is_up is not is_below_zero else -1)
    neighbour: float = struct.unpack(code, struct.pack(whole, moved))[0]
    return -neighbour if is_below_zero else neighbour


class Approach:
    """The values with a ``step`` of one transfer."""

    def __init__(
        self,
        transfer: Transfer,
        controller: Controller,
        groups: Sequence[Sequence[int]],
    ) -> None:
        """``groups`` are values that are put whole or not at all."""
        self.targets = [
            Target(value, transfer.period_ns) if value.step is not None else None for value in transfer.values
        ]
        self.reasons: dict[int, str] = {}
        """Why values of this cycle are not put as they came, by their position."""
        self._names = [value.name for value in transfer.values]
        self._rank = rank_of(transfer.period_ns)
        self._groups = groups
        self._pending = 0
        self._failure = ""
        self._reads = [(_prepare(controller, target.put), target) for target in self.targets if target is not None]

    # Looking.

    def look(self, submit: Callable[[Job], None], done: Callable[[str], None]) -> None:
        """Read every place. ``done`` is told why one could not be, or an empty text."""
        self._pending = len(self._reads)
        self._failure = ""

        def over(target: Target, outcome: Outcome | NotSent) -> None:
            target.number = None
            if isinstance(outcome, Reply):
                target.read(outcome.payload)
            else:
                self._failure = f"reading what the receiver holds: {describe(outcome)}"
            self._pending -= 1
            if not self._pending:
                done(self._failure)

        for read, target in self._reads:
            submit(Job(read, lambda outcome, target=target: over(target, outcome), is_write=False, rank=self._rank))  # type: ignore[misc]

    # Limiting.

    def limit(self, puts: Sequence[bytes | None], now_ns: int) -> list[bytes | None]:
        """What may be put in this cycle; a group whole or not at all."""
        self.reasons.clear()
        limited = list(puts)
        for index, target in enumerate(self.targets):
            wanted = puts[index]
            if target is None or wanted is None:
                continue
            limited[index], why = target.limit(wanted, now_ns)
            if why:
                self.reasons[index] = why
        for group in self._groups:
            held = next((index for index in group if puts[index] is not None and limited[index] is None), None)
            if held is None:
                continue
            for index in group:
                limited[index] = None
                self.reasons[index] = self.reasons[held]
        return limited

    @property
    def worst(self) -> str:
        """The first value that is not put as it came, and why; an empty text if all are."""
        return next((f"{self._names[index]}: {why}" for index, why in self.reasons.items()), "")


def _prepare(controller: Controller, put: Point) -> Prepared:
    assert put.table in (Table.HOLDING, Table.COIL)
    read = ReadHoldingRegisters if put.table is Table.HOLDING else ReadCoils
    return prepare(controller.unit, read(put.address, put.count))


def approach_of(transfer: Transfer, controller: Controller, groups: Sequence[Sequence[int]]) -> Approach | None:
    """What moves the values of a transfer in steps; None where none has a ``step``."""
    if all(value.step is None for value in transfer.values):
        return None
    return Approach(transfer, controller, groups)
