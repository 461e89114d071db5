"""Writes to one place leave in the order in which their values were sampled, one in flight."""

from __future__ import annotations

from typing import ClassVar

from wherry.plan.model import Table
from wherry.rehearse.checkers.base import Checker, Report, World
from wherry.rehearse.checkers.fresh import text
from wherry.rehearse.checkers.matching import Verdict
from wherry.rehearse.tap import Ask, Link


class InOrder(Checker):
    """Remembers which writes wait for their answer."""

    NAME: ClassVar[str] = "in order"
    WRITES_ONLY: ClassVar[bool] = True

    def __init__(self, world: World, report: Report) -> None:
        super().__init__(world, report)
        self._under_way: dict[Link, list[Ask]] = {}

    def asked(self, link: Link, ask: Ask) -> None:
        if not ask.head.is_write:
            return
        for put in ask.puts:
            if put.verdict is Verdict.OLDER:
                self.wrong(put.track.transfer.name, f"{put.track.value.name} was written {text(put)}")
        under_way = self._under_way.get(link)
        if under_way:
            under_way = [each for each in under_way if not each.is_over and ask.at_ns < each.deadline_ns]
            for each in under_way:
                if meet(ask, each):
                    table = Table.COIL if ask.head.is_bits else Table.HOLDING
                    place = f"{table} {ask.head.address} with {ask.head.count}"
                    self.wrong(ask.controller.name, f"a write to {place} left while one to the same place waited")
            under_way.append(ask)
            self._under_way[link] = under_way
        else:
            self._under_way[link] = [ask]

    def closed(self, link: Link, at_ns: int) -> None:
        self._under_way.pop(link, None)


def meet(one: Ask, other: Ask) -> bool:
    """Whether two writes touch the same item."""
    a, b = one.head, other.head
    return (
        a.unit == b.unit
        and a.is_bits is b.is_bits
        and a.address < b.address + b.count
        and b.address < a.address + a.count
    )
