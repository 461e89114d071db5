"""All judges together: hears the tap, the record and the receivers, and lets each judge hear what it listens to."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, Final

from wherry.plan.model import Controller, Plan
from wherry.rehearse.checkers.base import Checker, Look, Told, World
from wherry.rehearse.checkers.bounded import Bounded
from wherry.rehearse.checkers.bump import Bump
from wherry.rehearse.checkers.counted import Counted
from wherry.rehearse.checkers.fresh import Fresh
from wherry.rehearse.checkers.guard import Guard
from wherry.rehearse.checkers.in_order import InOrder
from wherry.rehearse.checkers.loss import Loss
from wherry.rehearse.checkers.matching import Matching
from wherry.rehearse.checkers.once import Once
from wherry.rehearse.checkers.polite import Polite
from wherry.rehearse.checkers.recorded import Recorded
from wherry.rehearse.checkers.recovers import Recovers
from wherry.rehearse.checkers.right_reply import RightReply
from wherry.rehearse.checkers.torn import Torn
from wherry.rehearse.result import Broken
from wherry.rehearse.tap import Ask, Link

BROKEN_KEPT: Final = 200
HOOKS: Final = (
    "connecting", "failed", "opened", "closed", "asked", "answered", "refused", "ill", "recorded", "shown", "looked",
    "measured", "finished",
)  # fmt: skip

NAMES: Final = tuple(
    each.NAME
    for each in (
        Guard,
        Fresh,
        Bump,
        Torn,
        RightReply,
        InOrder,
        Loss,
        Polite,
        Counted,
        Once,
        Bounded,
        Recorded,
        Recovers,
    )
)
"""The judges, in the order of the promises; the last judges liveness."""


def has_steps(plan: Plan) -> bool:
    """Whether any value is moved in steps."""
    return any(value.step is not None for transfer in plan.transfers for value in transfer.values)


class Jury:
    """The judges of one rehearsal. ``instant`` tells the time without taking any."""

    def __init__(self, world: World, instant: Callable[[], int]) -> None:
        self.world = world
        self.broken: dict[tuple[str, str], Broken] = {}
        """The first of each judge and subject."""
        self.broken_count = 0
        self.matching = Matching(world.plan)
        self._instant = instant
        self.recovers = Recovers(world, self.report, self.matching)
        self.judges: tuple[Checker, ...] = (
            Guard(world, self.report),
            Fresh(world, self.report),
            Torn(world, self.report),
            RightReply(world, self.report),
            InOrder(world, self.report),
            Loss(world, self.report, self.matching),
            Polite(world, self.report),
            Counted(world, self.report, self.matching),
            *([Bump(world, self.report)] if has_steps(world.plan) else []),
            *([Once(world, self.report)] if world.plan.commands else []),
            Bounded(world, self.report),
            Recorded(world, self.report),
            self.recovers,
        )
        listeners = {hook: self._listeners(hook) for hook in HOOKS}
        self._on_ask, self._on_answer, self._on_look = (listeners[hook] for hook in ("asked", "answered", "looked"))
        self._listeners_by_hook = listeners
        self._on_read = tuple(each.asked for each in self.judges if not each.WRITES_ONLY and each.asked in self._on_ask)

    def _listeners(self, hook: str) -> tuple[Callable[..., None], ...]:
        return tuple(
            getattr(each, hook) for each in self.judges if getattr(type(each), hook) is not getattr(Checker, hook)
        )

    def report(self, name: str, subject: str, message: str) -> None:
        """Take down a broken promise, at this instant."""
        self.broken_count += 1
        if len(self.broken) < BROKEN_KEPT:
            found = Broken(self._instant() - self.world.start_ns, name, subject, message)
            self.broken.setdefault((name, subject), found)

    def _tell(self, hook: str, *what: Any) -> None:
        for listener in self._listeners_by_hook[hook]:
            listener(*what)

    # From the tap.

    def connecting(self, controllers: tuple[Controller, ...], at_ns: int) -> None:
        """A connection is tried."""
        self._tell("connecting", controllers, at_ns)

    def failed(self, controllers: tuple[Controller, ...], at_ns: int) -> None:
        """It could not be made."""
        self._tell("failed", controllers, at_ns)

    def opened(self, link: Link, at_ns: int) -> None:
        """It is there."""
        self._tell("opened", link, at_ns)

    def closed(self, link: Link, at_ns: int) -> None:
        """It is over."""
        self._tell("closed", link, at_ns)

    def asked(self, link: Link, ask: Ask) -> None:
        """A request has left."""
        if ask.head.is_write:
            self.matching.asked(ask)
            for listener in self._on_ask:
                listener(link, ask)
        else:
            for listener in self._on_read:
                listener(link, ask)

    def answered(self, ask: Ask, pdu: bytes, at_ns: int) -> None:
        """A right reply has come."""
        self.matching.answered(ask, pdu)
        for listener in self._on_answer:
            listener(ask, pdu, at_ns)

    def refused(self, ask: Ask, code: int, at_ns: int) -> None:
        """An exception response has come."""
        self._tell("refused", ask, code, at_ns)

    def ill(self, link: Link, ask: Ask | None, pdu: bytes, at_ns: int, why: str) -> None:
        """A reply has come that answers nothing."""
        self.matching.ill(link, pdu, at_ns, why)
        self._tell("ill", link, ask, pdu, at_ns, why)

    # From the engine and the receivers.

    def recorded(self, event: Told) -> None:
        """The engine has put an event on record."""
        self._tell("recorded", event)

    def shown(self, event: Told) -> None:
        """It has shown an event."""
        self._tell("shown", event)

    def looked(self, look: Look) -> None:
        """A receiver's registers were looked at."""
        for listener in self._on_look:
            listener(look)

    def measured(self, footprint: int) -> None:
        """The engine was weighed."""
        self._tell("measured", footprint, self._instant())

    def finished(self, summary: Mapping[str, Any], at_ns: int) -> None:
        """The engine has stopped; it was told to at ``at_ns`` since the start."""
        self._tell("finished", summary, at_ns)
