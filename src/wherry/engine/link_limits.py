"""Where a line can stand, and how often an address may be connected to."""

from __future__ import annotations

from collections.abc import Iterable
from enum import StrEnum

from wherry.engine.waits import ConnectBudget
from wherry.plan.model import Controller


class LineState(StrEnum):
    """Where a line stands."""

    WAITING = "waiting to connect"
    CONNECTING = "connecting"
    UP = "connected"
    SILENT = "connected, the unit does not answer"
    RESTING = "closed while nothing is asked"
    CLOSED = "closed"


def budgets_of(controllers: Iterable[Controller]) -> dict[tuple[str, int], ConnectBudget]:
    """The attempts to connect to each address, by host and port: the least of what is declared there."""
    least: dict[tuple[str, int], int | None] = {}
    for each in controllers:
        key, allowed = (each.host.lower(), each.port), each.limits.connects_per_hour
        known = least.setdefault(key, allowed)
        if allowed is not None and (known is None or allowed < known):
            least[key] = allowed
    return {key: ConnectBudget(allowed) for key, allowed in least.items()}
