"""How long to wait for whom: pure decisions about units that are silent or busy, and about connections."""

from __future__ import annotations

from collections import deque
from collections.abc import Collection, Hashable
from typing import Final

from wherry.clock import NS_PER_MS, NS_PER_S
from wherry.limits import FAILURES_BEFORE_BACKOFF, PROBE_SHARE, PROBE_WAIT_NS, TIMEOUTS_BEFORE_RECONNECT

PROBE_WAIT_NS_MAX: Final = 30 * NS_PER_S
BUSY_WAIT_NS: Final = 100 * NS_PER_MS
BUSY_WAIT_NS_MAX: Final = 5 * NS_PER_S
_DOUBLINGS_MAX: Final = 16


HOUR_NS: Final = 3600 * NS_PER_S
PATIENCE_DOUBLINGS_MAX: Final = 3
LINGER_FIRST_NS: Final = NS_PER_S
"""How long a connection that is made for an exchange waits for its first request."""


class ConnectBudget:
    """Attempts to connect to one address: never more than ``per_hour`` in any hour. None: no limit."""

    __slots__ = ("_instants", "per_hour")

    def __init__(self, per_hour: int | None) -> None:
        self.per_hour = per_hour
        self._instants: deque[int] = deque(maxlen=per_hour or 0)

    def spend(self, now_ns: int) -> None:
        """Count an attempt."""
        if self.per_hour is not None:
            self._instants.append(now_ns)

    def wait_ns(self, now_ns: int) -> int:
        """How long the next attempt must wait; 0: not at all."""
        if self.per_hour is None or len(self._instants) < self.per_hour:
            return 0
        return max(0, self._instants[0] + HOUR_NS + 1 - now_ns)

    def longest_wait_ns(self, otherwise_ns: int) -> int:
        """What growing waits grow to: so long that a controller that is down uses up only half of the attempts."""
        return otherwise_ns if self.per_hour is None else max(otherwise_ns, 2 * HOUR_NS // self.per_hour)


def patience_with(fruitless: int) -> int:
    """How many time-outs in a row make a connection suspect that has not answered yet.

    ``fruitless`` is how many connections before it brought no answer at all. Where something on the way accepts
    connections for a device that cannot be reached, a new one is no better than the old: so they are kept longer, which
    spares the device connections, and the first request after the way is free again is answered.
    """
    return TIMEOUTS_BEFORE_RECONNECT << min(fruitless, PATIENCE_DOUBLINGS_MAX)


def probe_wait_ns(failures: int, cost_ns: int, dead_count: int) -> int:
    """How long a unit is left alone after ``failures`` requests in a row without an answer; 0: not at all.

    ``cost_ns`` is the time that asking it in vain took from the others, ``dead_count`` how many units of the line are
    in this state. The waits double, and are long enough that all such units together take a tenth of the line's time.
    """
    if failures < FAILURES_BEFORE_BACKOFF:
        return 0
    growing_ns = PROBE_WAIT_NS << min(failures - FAILURES_BEFORE_BACKOFF, _DOUBLINGS_MAX)
    return max(min(growing_ns, PROBE_WAIT_NS_MAX), PROBE_SHARE * cost_ns * max(1, dead_count))


def busy_wait_ns(answers: int) -> int:
    """How long a unit is left alone after ``answers`` in a row that said it is busy."""
    return min(BUSY_WAIT_NS_MAX, BUSY_WAIT_NS << min(max(answers - 1, 0), _DOUBLINGS_MAX))


class Silence:
    """Tells a unit that is silent from a connection that is.

    The connection is suspect when requests in a row were not answered and every unit that answers on it is among those
    that did not. A unit that keeps silent while others answer no longer counts as one that answers.
    """

    __slots__ = ("_all", "_in_row", "_patience", "_silent", "heard")

    def __init__(self, units: Collection[Hashable]) -> None:
        self._all = frozenset(units)
        self.heard: set[Hashable] = set()
        """The units that answer on this connection."""
        self._silent: set[Hashable] = set()
        self._in_row = 0
        self._patience = TIMEOUTS_BEFORE_RECONNECT

    def connected(self, patience: int = TIMEOUTS_BEFORE_RECONNECT) -> None:
        """A new connection: nobody has answered on it yet. Until then it is suspect after ``patience`` time-outs."""
        self._patience = patience
        self.heard.clear()
        self._silent.clear()
        self._in_row = 0

    def answered(self, unit: Hashable) -> None:
        """A unit has answered, or the gateway for it."""
        self._patience = TIMEOUTS_BEFORE_RECONNECT
        self.heard -= self._silent
        self.heard.add(unit)
        self._silent.clear()
        self._in_row = 0

    def heard_late(self) -> None:
        """An answer came after its time: the connection lives."""
        self._silent.clear()
        self._in_row = 0

    def timed_out(self, unit: Hashable) -> None:
        """A unit has not answered in time."""
        self._silent.add(unit)
        self._in_row += 1

    @property
    def is_whole(self) -> bool:
        """Whether nobody who could answer does."""
        return self._silent >= (self.heard or self._all)

    @property
    def is_suspect(self) -> bool:
        """Whether the connection itself should be given up."""
        if self._in_row < self._patience:
            return False
        return self.is_whole or len(self._silent & self.heard) > 1
