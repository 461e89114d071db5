"""Scheduled = delivered + skipped + failed, exactly, and what was delivered has really been confirmed."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, ClassVar

from wherry.rehearse.checkers.base import Checker, Report, Told, World
from wherry.rehearse.checkers.matching import StatusPut, Verdict, is_in_owned_word
from wherry.rehearse.tap import Ask, Link


class Counted(Checker):
    """Counts the confirmations by itself, and the releases by the period."""

    NAME: ClassVar[str] = "counted"

    def __init__(self, world: World, report: Report) -> None:
        super().__init__(world, report)
        self._confirmed: dict[tuple[str, int], int] = {}
        self._told: dict[str, StatusPut] = {}
        self._turns: dict[str, int] = {}
        self._begin_ns: int | None = None
        self._unheard = {name for each in self.plan.transfers for name in (each.source, each.destination)}

    def asked(self, link: Link, ask: Ask) -> None:
        for status in ask.statuses:
            name = status.transfer.name
            before = self._told.get(name)
            if before is not None and status.sequence < before.sequence:
                self._turns[name] = self._turns.get(name, 0) + 1
            self._told[name] = status
            if before is not None and (status.sequence - before.sequence) & 0xFFFF >= 0x8000:
                self.wrong(name, f"the sequence went back from {before.sequence} to {status.sequence}")

    def answered(self, ask: Ask, pdu: bytes, at_ns: int) -> None:
        for put in ask.puts:
            if put.verdict is not Verdict.SUBSTITUTE:
                key = (put.track.transfer.name, put.track.index)
                self._confirmed[key] = self._confirmed.get(key, 0) + 1

    def recorded(self, event: Told) -> None:
        if event.kind in ("line up", "line down") and event.subject in self._unheard:
            self._unheard.discard(event.subject)
            if not self._unheard:
                self._begin_ns = event.at_ns

    def finished(self, summary: Mapping[str, Any], at_ns: int) -> None:
        for transfer in self.plan.transfers:
            counts = summary["transfers"][transfer.name]
            name, delivered = transfer.name, counts["delivered"]
            total = delivered + counts["skipped"] + counts["failed"]
            if counts["scheduled"] != total:
                self.wrong(name, f"{counts['scheduled']} were scheduled, but {total} delivered, skipped or failed")
            if sum(counts["failures"].values()) != counts["failed"]:
                self.wrong(name, f"{counts['failed']} failed, but reasons are given for {counts['failures']}")
            if self._begin_ns is not None:
                due = (at_ns - self._begin_ns) / transfer.period_ns
                if abs(counts["scheduled"] - due) > 2:
                    self.wrong(name, f"{counts['scheduled']} were scheduled in {due:.1f} periods")
            for index, value in enumerate(transfer.values):
                confirmed = self._confirmed.get((name, index), 0)
                is_lazy = value.is_on_change or is_in_owned_word(self.plan.controller(transfer.destination), value.put)
                if not is_lazy and value.substitute is None and confirmed < delivered:
                    self.wrong(
                        name,
                        f"{delivered} cycles were delivered, it says; {value.name} was confirmed {confirmed} times",
                    )
            told = self._told.get(name)
            if told is not None and transfer.status is not None:
                sequence = self._turns.get(name, 0) * 0x10000 + told.sequence
                if not delivered - 1 <= sequence <= delivered:
                    self.wrong(name, f"the receiver was told {sequence} deliveries, the engine counts {delivered}")
