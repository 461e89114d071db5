"""Whether a reading can follow the one before it: the largest step, the direction and the modulus of a counter. Pure.

A reading that cannot is Bad, and never replaces the one that others are held against. What was believed last is
forgotten after ``forget_ns``; from then on, as at the first start, two readings in a row must fit each other before
the second is believed. So a single false number does no harm, and a source that really stands elsewhere is believed
again after a known time.
"""

from __future__ import annotations

from typing import Final, NamedTuple

from wherry.plan.model import Direction, Transfer, Value
from wherry.values.quality import Reason
from wherry.values.types import Kind

SLACK_FLOAT32: Final = 2.0**-22
SLACK_FLOAT64: Final = 2.0**-50
"""How far two numbers may be off by rounding alone, as a share of the greater: two steps of the format and a scaling
(IEEE 754-2019, 3.6: 24 and 53 bits of significand). Without it, 1.1 after 0.6 would be a step of more than 0.5."""


class _Reading(NamedTuple):
    number: int | float
    at_ns: int


class Plausibility:
    """Judges the readings of one value, in order. All numbers are in the value's unit."""

    __slots__ = ("_believed", "_doubted", "_forget_ns", "_jump", "_modulus", "_period_ns", "_sign", "_slack")

    def __init__(
        self,
        *,
        jump: float | None = None,
        counter: Direction | None = None,
        modulus: float | None = None,
        period_ns: int,
        forget_ns: int,
        slack: float = SLACK_FLOAT64,
    ) -> None:
        """``jump`` is the largest step within one period; ``modulus`` the number at which a counter begins again."""
        assert jump is None or jump > 0, jump
        assert modulus is None or (modulus > 0 and counter is not None), modulus
        self._jump = jump
        self._sign = 0 if counter is None else 1 if counter is Direction.UP else -1
        self._modulus = modulus
        self._period_ns = period_ns
        self._forget_ns = forget_ns
        self._slack = slack
        self._believed: _Reading | None = None
        self._doubted: _Reading | None = None

    def judge(self, number: int | float, at_ns: int) -> Reason:
        """Take a reading sampled at ``at_ns``; GOOD, or why it may not be given on."""
        if self._modulus is not None and not 0 <= number < self._modulus:
            return Reason.BAD_OUT_OF_RANGE
        reading = _Reading(number, at_ns)
        is_remembered = self._believed is not None and at_ns - self._believed.at_ns < self._forget_ns
        before = self._believed if is_remembered else self._doubted
        reason = Reason.BAD_WAITING_FOR_INITIAL_DATA
        if before is not None and at_ns - before.at_ns < self._forget_ns:
            reason = self._step_reason(before, reading)
        if reason is Reason.GOOD:
            self._believed, self._doubted = reading, None
        else:
            self._doubted = reading
        return reason

    def _step_reason(self, before: _Reading, reading: _Reading) -> Reason:
        # Readings that were missed in between leave room for as many steps more.
        periods = max(1, round((reading.at_ns - before.at_ns) / self._period_ns))
        step = reading.number - before.number
        slack = 0.0
        if isinstance(step, float):
            slack = self._slack * max(abs(reading.number), abs(before.number))
        if not self._sign:
            assert self._jump is not None
            return Reason.BAD_JUMPED if abs(step) > self._jump * periods + slack else Reason.GOOD
        step *= self._sign
        if self._modulus is None:
            if step < -slack:
                return Reason.BAD_COUNTED_WRONG
            if self._jump is not None and step > self._jump * periods + slack:
                return Reason.BAD_JUMPED
            return Reason.GOOD
        half = self._modulus / 2
        step %= self._modulus
        if step >= self._modulus - slack:  # no step at all, but for rounding
            return Reason.GOOD
        # Beyond half a round forwards cannot be told from backwards, however many readings were missed.
        most = half if self._jump is None else max(self._jump, min(self._jump * periods, half))
        if step <= most + slack:
            return Reason.GOOD
        return Reason.BAD_COUNTED_WRONG if step > half else Reason.BAD_JUMPED


def plausibility_of(transfer: Transfer, value: Value) -> Plausibility | None:
    """What judges the readings of a value; None where the plan asks for nothing of the kind."""
    if not (value.is_watched and value.take.type.is_number):
        return None
    is_float32 = value.take.type.kind is Kind.FLOAT and value.take.type.bits == 32
    return Plausibility(
        jump=value.jump,
        counter=value.counter,
        modulus=value.modulus,
        period_ns=transfer.period_ns,
        forget_ns=transfer.max_age_ns,
        slack=SLACK_FLOAT32 if is_float32 else SLACK_FLOAT64,
    )
