"""Liveness: once nothing is wrong any more, every transfer becomes Good again and stays so."""

from __future__ import annotations

from typing import ClassVar

from wherry.rehearse.checkers.base import MS, Checker, Look, Report, World


class Recovers(Checker):
    """Judges from ``calm_from_ns`` on; set when the plant has had the time to mend."""

    NAME: ClassVar[str] = "recovers"

    def __init__(self, world: World, report: Report) -> None:
        super().__init__(world, report)
        self.calm_from_ns: int | None = None

    def looked(self, look: Look) -> None:
        if self.calm_from_ns is None or look.at_ns < self.calm_from_ns:
            return
        transfer = look.transfer
        if any(each.step is not None and each.on_step.value == "hold" for each in transfer.values):
            # It may rightly wait for ever for a source that stays away.
            return
        if transfer.careful is not None:
            # What moves all the time is rightly never the same twice.
            return
        # What is moved in steps may rightly be on its way all the time, and what breaks the rules is never Good.
        ends = [self.plan.controller(each) for each in (transfer.source, transfer.destination)]
        is_never_good = any(each.step is not None for each in transfer.values) or any(each.tolerate for each in ends)
        if transfer.status is not None and look.quality < (1 if is_never_good else 2):
            self.wrong(transfer.name, f"nothing is wrong any more, but its receiver reads quality {look.quality}")
        bound_ns = transfer.max_age_ns + transfer.period_ns + self.world.drain_ns(transfer.destination)
        if look.held_ns is None:
            self.wrong(transfer.name, "nothing is wrong any more, but its receiver does not hold all its values")
        elif look.at_ns - look.held_ns > bound_ns and not all(each.is_on_change for each in transfer.values):
            age_ms = (look.at_ns - look.held_ns) / MS
            self.wrong(transfer.name, f"nothing is wrong any more, but its values are {age_ms:.0f} ms old")
