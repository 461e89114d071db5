"""Where a line can stand, and what the address of several controllers stands."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Self

from wherry.engine.waits import ConnectBudget
from wherry.plan.model import Connection, Controller, Framing
from wherry.protocol.tolerance import ID_TOLERANCES


class LineState(StrEnum):
    """Where a line stands."""

    WAITING = "waiting to connect"
    CONNECTING = "connecting"
    UP = "connected"
    SILENT = "connected, the unit does not answer"
    RESTING = "closed while nothing is asked"
    CLOSED = "closed"


@dataclass(frozen=True, slots=True)
class LinkLimits:
    """What an address stands: the gentlest of what is declared for the controllers that are reached through it."""

    in_flight: int
    gap_ns: int
    spacing_ns: int
    """Least time between two requests; 0: no limit."""
    timeout_ns: int
    """The longest: how long a connection is waited for."""
    reconnect_ns: int
    reconnect_ns_max: int
    idle_ns: int | None
    is_per_exchange: bool

    @classmethod
    def of(cls, controllers: Sequence[Controller], links: int = 1) -> Self:
        """``links``: how many connections go to the address; they share out what it stands as a whole."""
        limits = [each.limits for each in controllers]
        rates = [each.requests_per_s for each in limits if each.requests_per_s]
        # Without transaction ids that can be believed, requests go one at a time, whatever the plan allows.
        has_no_ids = controllers[0].framing is Framing.RTU or any(
            not ID_TOLERANCES.isdisjoint(each.tolerate) for each in controllers
        )
        return cls(
            in_flight=1 if has_no_ids else max(1, min(each.in_flight for each in limits) // links),
            gap_ns=max(each.gap_ns for each in limits),
            spacing_ns=int(links * 1e9 / min(rates)) if rates else 0,
            timeout_ns=max(each.timeout_ns for each in limits),
            reconnect_ns=max(each.reconnect_ns for each in limits),
            reconnect_ns_max=max(each.reconnect_ns_max for each in limits),
            idle_ns=min((each.idle_ns for each in limits if each.idle_ns), default=None),
            is_per_exchange=any(each.connection is Connection.PER_EXCHANGE for each in limits),
        )


def budgets_of(controllers: Iterable[Controller]) -> dict[tuple[str, int], ConnectBudget]:
    """The attempts to connect to each address, by host and port: the least of what is declared there."""
    least: dict[tuple[str, int], int | None] = {}
    for each in controllers:
        key, allowed = (each.host.lower(), each.port), each.limits.connects_per_hour
        known = least.setdefault(key, allowed)
        if allowed is not None and (known is None or allowed < known):
            least[key] = allowed
    return {key: ConnectBudget(allowed) for key, allowed in least.items()}
