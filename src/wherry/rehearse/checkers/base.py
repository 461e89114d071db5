"""What every judge is: told what happens, it says what must not have happened.

A judge sees the frames at the engine's sockets, the receivers' registers, and what the engine recorded; nothing of the
engine's insides, and it shares no code with it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, ClassVar, Protocol

from wherry.plan.model import Controller, Plan, Transfer
from wherry.rehearse.tap import Ask, Link

MS = 1_000_000
S = 1000 * MS


class Told(Protocol):
    """An event as the engine told it."""

    @property
    def at_ns(self) -> int: ...
    @property
    def kind(self) -> str: ...
    @property
    def subject(self) -> str: ...
    @property
    def message(self) -> str: ...
    @property
    def details(self) -> Mapping[str, Any]: ...


@dataclass(frozen=True, slots=True)
class Look:
    """The receiver's registers of one transfer at one instant. ``held_ns``: when the oldest value that it holds was
    sampled; None before it holds them all."""

    at_ns: int
    transfer: Transfer
    heartbeat: int
    quality: int
    age_ms: int
    sequence: int
    held_ns: int | None


@dataclass(slots=True)
class World:
    """What all judges may know besides what they are told."""

    plan: Plan
    start_ns: int = 0
    troubled: Callable[[str, int, int], bool] = lambda _name, _start, _end: False
    """Whether anything was wrong with a controller or its link between two instants, or may not be mended yet."""
    drain_ns: Callable[[str], int] = lambda _name: 0
    """How long it takes at most until everything that is asked of a controller at one instant is answered."""
    carried_out: dict[str, Mapping[int, int]] = field(default_factory=dict)
    """By command: how often the receiver's program has carried out each request number."""


Report = Callable[[str, str, str], None]


class Checker:
    """Does nothing by itself. ``report(name, subject, message)`` takes down what is wrong."""

    NAME: ClassVar[str] = ""
    WRITES_ONLY: ClassVar[bool] = False
    """Whether it need not be told of requests that write nothing."""

    def __init__(self, world: World, report: Report) -> None:
        self.world = world
        self.plan = world.plan
        self._report = report

    def wrong(self, subject: str, message: str) -> None:
        """Take down a broken promise."""
        self._report(self.NAME, subject, message)

    def connecting(self, controllers: tuple[Controller, ...], at_ns: int) -> None:
        """A connection is tried."""

    def failed(self, controllers: tuple[Controller, ...], at_ns: int) -> None:
        """It could not be made."""

    def opened(self, link: Link, at_ns: int) -> None:
        """A connection is there."""

    def closed(self, link: Link, at_ns: int) -> None:
        """A connection is over."""

    def asked(self, link: Link, ask: Ask) -> None:
        """A request has left. For a write ``puts`` and ``statuses`` say what it carries."""

    def answered(self, ask: Ask, pdu: bytes, at_ns: int) -> None:
        """A right reply has come."""

    def refused(self, ask: Ask, code: int, at_ns: int) -> None:
        """An exception response has come."""

    def ill(self, link: Link, ask: Ask | None, pdu: bytes, at_ns: int, why: str) -> None:
        """A reply has come that answers nothing."""

    def recorded(self, event: Told) -> None:
        """The engine has put an event on record."""

    def shown(self, event: Told) -> None:
        """It has shown an event."""

    def looked(self, look: Look) -> None:
        """A receiver's registers were looked at."""

    def measured(self, footprint: int, at_ns: int) -> None:
        """How many objects the engine holds, all in all."""

    def finished(self, summary: Mapping[str, Any], at_ns: int) -> None:
        """The engine has stopped, with these figures of its own."""
