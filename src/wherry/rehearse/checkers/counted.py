"""Scheduled = delivered + skipped + failed, exactly, and what was delivered has really been confirmed."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, ClassVar

from wherry.rehearse.checkers.base import Checker, Report, Told, World
from wherry.rehearse.checkers.matching import Matching, StatusPut
from wherry.rehearse.tap import Ask, Link


class Counted(Checker):
    """Counts the confirmations by itself, and the releases by the period."""

    NAME: ClassVar[str] = "counted"
    WRITES_ONLY: ClassVar[bool] = True

    def __init__(self, world: World, report: Report, matching: Matching) -> None:
        super().__init__(world, report)
        self._matching = matching
        self._counted: dict[str, int] = {}
        self._cycles: dict[str, int] = {}
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
        # What one cycle writes comes from replies that all came before its first write: a reading that came after the
        # last one that was counted belongs to another cycle.
        for put in ask.puts:
            name, reply = put.track.transfer.name, put.reply
            if reply is not None and reply.number > self._counted.get(name, 0):
                self._cycles[name] = self._cycles.get(name, 0) + 1
                self._counted[name] = max(
                    stream.replies[-1].number for track in self._matching.tracks[name] for stream, _ in track.sources
                )

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
            cycles = self._cycles.get(name, 0)
            is_lazy = any(track.is_lazy for track in self._matching.tracks[name])
            is_replaced = any(value.substitute is not None for value in transfer.values)
            if cycles < delivered and not is_lazy and not is_replaced:
                self.wrong(name, f"{delivered} cycles were delivered, it says; {cycles} were confirmed")
            told = self._told.get(name)
            if told is not None and transfer.status is not None:
                sequence = self._turns.get(name, 0) * 0x10000 + told.sequence
                # More than delivered: what was told of a write whose answer was lost is not taken back.
                if not delivered - 1 <= sequence <= counts["scheduled"]:
                    self.wrong(name, f"the receiver was told {sequence} deliveries, the engine counts {delivered}")
