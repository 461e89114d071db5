"""Nothing is written outside the ``put`` places of the plan: judged on the frames as they leave."""

from __future__ import annotations

from typing import ClassVar, Final

from wherry.plan.model import Controller, Table
from wherry.rehearse.checkers.base import Checker, Report, Told, World
from wherry.rehearse.checkers.matching import is_in_owned_word
from wherry.rehearse.tap import Ask, Head, Link

READS: Final = frozenset({1, 2, 3, 4})
IDENTIFY: Final = b"\x2b\x0e"
ALL_BITS: Final = 0xFFFF


class Guard(Checker):
    """Works out the permitted places for itself."""

    NAME: ClassVar[str] = "guard"

    def __init__(self, world: World, report: Report) -> None:
        super().__init__(world, report)
        self._owned = {each.name: owned_bits(world, each) for each in self.plan.controllers}
        self._known: dict[tuple[str, Head], str] = {}

    def asked(self, link: Link, ask: Ask) -> None:
        head = ask.head
        if head.function in READS:
            return
        if not head.is_write:
            if ask.pdu[:2] != IDENTIFY:
                self.wrong(ask.controller.name, f"a request with function {head.function:02x} left")
            return
        if head.unit != ask.controller.unit:
            self.wrong(ask.controller.name, f"a write to unit {head.unit} left; the plan knows no such unit there")
            return
        if head.function == 0x16:
            why = self._mask(ask)
        else:
            key = (ask.controller.name, head)
            known = self._known.get(key)
            why = known if known is not None else self._whole(ask)
            self._known[key] = why
        if why:
            self.wrong(ask.controller.name, f"a write outside the plan left: {why}")

    def recorded(self, event: Told) -> None:
        if event.kind == "write refused":
            self.wrong(event.subject, "the engine made a write that it had to refuse itself")

    def _whole(self, ask: Ask) -> str:
        head, owned = ask.head, self._owned[ask.controller.name]
        table = Table.COIL if head.is_bits else Table.HOLDING
        for address in range(head.address, head.address + head.count):
            if owned.get((table, address), 0) != ALL_BITS:
                return f"{table} {address} is no place that it puts"
        return "" if head.count else "it writes nothing"

    def _mask(self, ask: Ask) -> str:
        changed = ~int.from_bytes(ask.pdu[3:5], "big") & ALL_BITS
        sets = int.from_bytes(ask.pdu[5:7], "big")
        owned = self._owned[ask.controller.name].get((Table.HOLDING, ask.head.address), 0)
        if changed & ~owned or sets & ~changed & ALL_BITS:
            return f"bits {changed & ~owned or sets & ~changed:#06x} of holding {ask.head.address} are not its own"
        return ""


def owned_bits(world: World, controller: Controller) -> dict[tuple[Table, int], int]:
    """What may be written: by item, which of its bits (all of them for a coil)."""
    owned: dict[tuple[Table, int], int] = {}

    def own(table: Table, start: int, count: int, bits: int = ALL_BITS) -> None:
        for address in range(start, start + count):
            owned[table, address] = owned.get((table, address), 0) | bits

    for transfer in world.plan.transfers:
        if transfer.destination != controller.name:
            continue
        if transfer.status is not None:
            own(Table.HOLDING, transfer.status.start, transfer.status.count)
        for value in transfer.values:
            put = value.put
            takes_all = put.bit is None or is_in_owned_word(controller, put)
            own(put.table, put.address, put.count, ALL_BITS if takes_all else 1 << (put.bit or 0))
    for command in world.plan.commands:
        if command.destination == controller.name:
            own(command.put.table, command.put.address, 1)
            for value in command.values:
                takes_all = value.put.bit is None or is_in_owned_word(controller, value.put)
                bits = ALL_BITS if takes_all else 1 << (value.put.bit or 0)
                own(value.put.table, value.put.address, value.put.count, bits)
        if command.source == controller.name and command.answer is not None:
            own(command.answer.table, command.answer.start, command.answer.count)
    return owned
