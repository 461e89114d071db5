"""What the address of several controllers stands. The engine keeps to it, and the budget counts with it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Self

from wherry.clock import NS_PER_MS, NS_PER_S
from wherry.plan.model import Connection, Controller, Framing
from wherry.protocol.tolerance import ID_TOLERANCES

LINGER_NS: Final = 100 * NS_PER_MS
"""How long a connection that is made for an exchange waits for one more request."""
CLOSING_NS: Final = 100 * NS_PER_MS
"""How long a device is given to notice that a connection was closed, before the next: it may have room for one only."""
IDLE_MARGIN: Final = 10
"""A connection is given up, or used, this part (a tenth) of the idle time before the device would close it."""
IDLE_MARGIN_NS_MAX: Final = NS_PER_S


def idle_wait_ns(idle_ns: int) -> int:
    """How long a connection may be unused before something is done about it, if the device closes it at ``idle_ns``."""
    return idle_ns - min(idle_ns // IDLE_MARGIN, IDLE_MARGIN_NS_MAX)


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
