"""A value with a ``step`` never changes its place by more than that, nor before its place was looked at."""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction
from typing import ClassVar

from wherry.plan.model import Table, Value
from wherry.rehearse.checkers.base import Checker, Report, World
from wherry.rehearse.checkers.conversion import decoder, put_factor
from wherry.rehearse.checkers.matching import covers, cutter
from wherry.rehearse.tap import Ask, Link

HOLDING_READ = 0x03


class _Place:
    """One place with a step, and the numbers that it may hold as far as the wire shows."""

    __slots__ = ("decode", "may_hold", "step", "value")

    def __init__(self, value: Value) -> None:
        assert value.step is not None
        self.value = value
        self.step: Fraction = abs(put_factor(value)) * Fraction(str(value.step))
        self.decode: Callable[[bytes], int | float | None] = decoder(value.put)
        self.may_hold: list[Fraction] = []
        """Empty: nobody has looked. More than one: a write was not answered, and may have arrived or not."""

    def number(self, data: bytes) -> Fraction | None:
        number = self.decode(data)
        return None if number is None else Fraction(number)


class Bump(Checker):
    """Judges each write to such a place against what the receiver was last known to hold."""

    NAME: ClassVar[str] = "bump"

    def __init__(self, world: World, report: Report) -> None:
        super().__init__(world, report)
        self._places: dict[str, list[_Place]] = {each.name: [] for each in self.plan.controllers}
        self._by_value: dict[tuple[str, int], _Place] = {}
        for transfer in self.plan.transfers:
            for index, value in enumerate(transfer.values):
                if value.step is not None and value.put.table is Table.HOLDING:
                    place = self._by_value[transfer.name, index] = _Place(value)
                    self._places[transfer.destination].append(place)

    def asked(self, link: Link, ask: Ask) -> None:
        for put in ask.puts:
            place = self._by_value.get((put.track.transfer.name, put.track.index))
            if place is None or not isinstance(put.data, bytes):
                continue
            number = place.number(put.data)
            name = place.value.name
            if number is None:
                continue
            if not place.may_hold:
                self.wrong(put.track.transfer.name, f"{name} was written before anybody looked what its place holds")
            elif min(abs(number - each) for each in place.may_hold) > place.step * (1 + Fraction(1, 10**6)):
                held = ", ".join(str(float(each)) for each in place.may_hold)
                self.wrong(
                    put.track.transfer.name, f"{name} was moved to {float(number):g} from {held}, by more than its step"
                )
            place.may_hold = [number, *(each for each in place.may_hold if each != number)][:8]

    def answered(self, ask: Ask, pdu: bytes, at_ns: int) -> None:
        if ask.head.is_write:
            for put in ask.puts:
                place = self._by_value.get((put.track.transfer.name, put.track.index))
                if place is not None and isinstance(put.data, bytes):
                    number = place.number(put.data)
                    place.may_hold = place.may_hold if number is None else [number]
        elif ask.head.function == HOLDING_READ:
            for place in self._places[ask.controller.name]:
                if covers(ask.head, place.value.put.span):
                    data = cutter(ask.head, place.value.put.span, None)(pdu[2:])
                    assert isinstance(data, bytes)
                    number = place.number(data)
                    place.may_hold = [] if number is None else [number]
