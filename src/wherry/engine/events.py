"""What the engine tells: changes of state and refused writes, as plain values.

An event goes first to the record and only then to whoever shows it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from enum import StrEnum


class EventKind(StrEnum):
    """What happened. The names are stable: they stand in records."""

    STARTED = "started"
    ARMED = "armed"
    LINE_UP = "line up"
    LINE_DOWN = "line down"
    IDENTITY = "identity"
    UNIT_UP = "unit up"
    UNIT_DOWN = "unit down"
    TRANSFER_QUALITY = "transfer quality"
    VALUE_QUALITY = "value quality"
    WRITE_REFUSED = "write refused"
    COMMAND = "command"
    """A request has an outcome, or stood there before the start."""
    WRITE_OUTCOME = "write outcome"
    """A write turned out to be verified, refused, without effect, reverted or overwritten."""
    FOREIGN_BITS = "foreign bits"
    """Somebody else changes bits in a register that was declared to be ours alone."""
    RECORD_LOST = "record lost"
    STOPPED = "stopped"


@dataclass(frozen=True, slots=True)
class Event:
    """One change. ``at_ns`` is the event loop's time since the start of the run; ``subject`` names what changed."""

    at_ns: int
    kind: EventKind
    subject: str
    message: str
    details: Mapping[str, str | int | float | None] = field(default_factory=dict)


Listener = Callable[[Event], None]
