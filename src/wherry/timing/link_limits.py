"""What the address of several controllers stands. The engine keeps to it, and the budget counts with it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Self

from wherry.plan.model import Connection, Controller, Framing
from wherry.protocol.tolerance import ID_TOLERANCES


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
