"""Liveness: once nothing is wrong any more, every transfer becomes Good again and stays so."""

from __future__ import annotations

from typing import ClassVar, Final

from wherry.plan.model import Transfer
from wherry.rehearse.checkers.base import MS, Checker, Look, Report, World
from wherry.rehearse.checkers.implausible import Implausible
from wherry.rehearse.checkers.matching import Matching
from wherry.rehearse.tap import Ask

PERIODS_OF_DOUBT: Final = 3


class Recovers(Checker):
    """Judges from ``calm_from_ns`` on; set when the plant has had the time to mend."""

    NAME: ClassVar[str] = "recovers"

    def __init__(self, world: World, report: Report, matching: Matching) -> None:
        super().__init__(world, report)
        self.calm_from_ns: int | None = None
        self._implausible = Implausible(self.plan, matching)
        self._lookback_ns = max((2 * self._doubt_ns(each) for each in self.plan.transfers), default=0)

    def _doubt_ns(self, transfer: Transfer) -> int:
        """How long a transfer may be not Good after a reading that breaks its declaration: until the reading before is
        forgotten (``max_age``), and two that fit each other have come and gone through."""
        drains = sum(self.world.drain_ns(each) for each in (transfer.source, transfer.destination))
        return transfer.max_age_ns + PERIODS_OF_DOUBT * transfer.period_ns + drains

    def answered(self, ask: Ask, pdu: bytes, at_ns: int) -> None:
        if self.calm_from_ns is not None and ask.at_ns >= self.calm_from_ns - self._lookback_ns:
            self._implausible.answered(ask, pdu)

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
        if self._implausible.is_since(transfer.name, look.at_ns - self._doubt_ns(transfer)):
            # The source shows what the plan says it never does; that is rightly not Good.
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
