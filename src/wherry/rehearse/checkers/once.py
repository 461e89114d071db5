"""A command is carried out once or reported unknown, never twice; and what is said of it is what was done."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, ClassVar

from wherry.plan.model import Command, Table
from wherry.rehearse.checkers.base import Checker, Report, Told, World
from wherry.rehearse.tap import Ask, Link

OUTCOMES = ("executed", "refused", "expired", "unknown", "pending")
REGISTER_WRITES = (0x06, 0x10)


class Once(Checker):
    """Counts the writes of each request number by itself, and asks the receiver's program what it has done."""

    NAME: ClassVar[str] = "once"

    def __init__(self, world: World, report: Report) -> None:
        super().__init__(world, report)
        self._by_place: dict[tuple[str, int], Command] = {
            (each.destination, each.put.address): each for each in self.plan.commands if each.put.table is Table.HOLDING
        }
        self._left: dict[str, set[int]] = {each.name: set() for each in self.plan.commands}
        self._said: dict[str, dict[int, str]] = {each.name: {} for each in self.plan.commands}

    def asked(self, link: Link, ask: Ask) -> None:
        head = ask.head
        if head.function not in REGISTER_WRITES:
            return
        for address in range(head.address, head.address + head.count):
            command = self._by_place.get((ask.controller.name, address))
            if command is not None:
                at = head.data_at + 2 * (address - head.address)
                number = int.from_bytes(ask.pdu[at : at + 2], "big")
                if number in self._left[command.name]:
                    self.wrong(command.name, f"request {number} left for a second time")
                self._left[command.name].add(number)

    def recorded(self, event: Told) -> None:
        if event.kind == "command" and "outcome" in event.details:
            number, outcome = event.details["number"], event.details["outcome"]
            if number in self._said[event.subject]:
                self.wrong(event.subject, f"request {number} has a second outcome, {outcome}")
            self._said[event.subject][number] = outcome

    def finished(self, summary: Mapping[str, Any], at_ns: int) -> None:
        for command in self.plan.commands:
            name = command.name
            counts = summary["commands"][name]
            total = sum(counts[outcome] for outcome in OUTCOMES)
            if counts["requested"] != total:
                self.wrong(name, f"{counts['requested']} were requested, but {total} have an outcome")
            done = self.world.carried_out.get(name, {})
            for number, times in done.items():
                if times > 1:
                    self.wrong(name, f"request {number} was carried out {times} times")
            for number, outcome in self._said[name].items():
                was_done = done.get(number, 0) > 0
                if outcome != "unknown" and was_done is not (outcome == "executed"):
                    self.wrong(
                        name, f"request {number} is {outcome}, but {'was' if was_done else 'was not'} carried out"
                    )
