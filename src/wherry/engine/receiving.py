"""What is known of the receiver's places, and what that lets a cycle put: steps, and what became of earlier writes."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from wherry.engine.approach import Approach, approach_of
from wherry.engine.job import Job, NotSent
from wherry.engine.verification import Tell, Verification, Watch
from wherry.packing.layout import TransferLayout
from wherry.plan.model import Controller
from wherry.protocol.session import Outcome
from wherry.values.quality import Quality


class Receiving:
    """For one transfer. Its two halves are asked in turn: who has stopped first, who moves in steps second."""

    def __init__(
        self,
        approach: Approach | None,
        verification: Verification | None,
        members: Sequence[Sequence[int]],
        groups: Sequence[Sequence[int]],
    ) -> None:
        self._approach = approach
        self._verification = verification
        self._members = members
        self._groups = groups
        self._pending = 0
        self._failure = ""

    @property
    def watches(self) -> Sequence[Watch]:
        """The values that are read back."""
        return () if self._verification is None else tuple(self._verification.watches.values())

    def must_look(self, now_ns: int, losses: int) -> bool:
        """Whether the places must be read before anything is written."""
        if self._verification is not None:
            self._verification.begin(now_ns, losses)
        return self._approach is not None or any(not each.is_stopped for each in self.watches)

    def look(self, submit: Callable[[Job], None], now_ns: Callable[[], int], done: Callable[[str], None]) -> None:
        """Read them. ``done`` is told why they could not be read where that keeps values from being put."""
        self._pending = (self._verification is not None) + (self._approach is not None)
        self._failure = ""

        def over(failure: str) -> None:
            self._failure = self._failure or failure
            self._pending -= 1
            if not self._pending:
                done(self._failure)

        if self._verification is not None:
            self._verification.look(submit, now_ns, over)
        if self._approach is not None:
            self._approach.look(submit, over)

    def limit(self, puts: Sequence[bytes | None], now_ns: int) -> Sequence[bytes | None]:
        """What may be put in this cycle; a group whole or not at all."""
        limited: Sequence[bytes | None] = puts
        if self._verification is not None:
            limited = self._verification.limit(limited, now_ns)
        if self._approach is not None:
            limited = self._approach.limit(limited, now_ns)
        whole = list(limited)
        for group in self._groups:
            if any(puts[index] is not None and limited[index] is None for index in group):
                for index in group:
                    whole[index] = None
        return whole

    def limit_by_template(self, puts: Sequence[Sequence[bytes | None]], now_ns: int) -> list[Sequence[bytes | None]]:
        """The same for substitutes, where each template has puts of its own."""
        chosen: list[bytes | None] = [None] * (1 + max((max(each, default=-1) for each in self._members), default=-1))
        for own, indexes in zip(puts, self._members, strict=True):
            for index in indexes:
                chosen[index] = own[index]
        return [self.limit(chosen, now_ns)] * len(puts)

    def keep_to(self, chosen: Sequence[bytes | None]) -> None:
        """What of it is really written."""
        if self._verification is not None:
            self._verification.keep_to(chosen)

    def tell(self, template: int, outcome: Outcome | NotSent) -> None:
        """A request of a template is over."""
        if self._verification is not None:
            self._verification.tell(template, outcome)

    def settle(self, now_ns: int) -> None:
        """All requests are over."""
        if self._verification is not None:
            self._verification.settle(now_ns)

    @property
    def worst(self) -> tuple[Quality, str] | None:
        """What speaks against the values as the receiver has them; None if nothing does."""
        if self._verification is not None and (why := self._verification.worst):
            return Quality.BAD, f"{why}; nothing is put there until the next start"
        if self._verification is not None and (why := self._verification.doubted):
            return Quality.UNCERTAIN, why
        if self._approach is not None and (why := self._approach.worst):
            return Quality.UNCERTAIN, why
        return None


def receiving_of(
    layout: TransferLayout,
    controller: Controller,
    members: Sequence[Sequence[int]],
    groups: Sequence[Sequence[int]],
    tell: Tell,
    losses: Callable[[], int],
) -> Receiving | None:
    """What a transfer must know of its receiver; None where it puts whatever comes."""
    approach = approach_of(layout.transfer, controller, groups)
    verification = Verification(layout, controller, members, tell, losses) if layout.verify_reads else None
    if approach is None and verification is None:
        return None
    return Receiving(approach, verification, members, groups)
