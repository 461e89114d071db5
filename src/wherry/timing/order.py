"""Who goes first in the queue of a controller. The engine, the analysis and what is played through take it from here.

Deadline-monotonic: what has the shorter period goes first, because it must be over sooner. Of one period, writes go
before reads, because what they carry is ageing; of these, what came first goes first. Nothing is interrupted.

Nothing is overtaken any more that has waited for longer than its own period. In a plan that can be carried nothing ever
waits so long; where there is too much for all, what has the longer period comes later and is not starved.

Earliest deadline first meets nearly the same deadlines (tests/timing/test_order.py plays both through), but has to look
at every request anew, and when there is too much for all it lets everything be late where this order lets only the
slowest be late.
"""

from __future__ import annotations

from collections import deque
from typing import Final, Protocol, TypeVar

AT_ONCE: Final = 0
"""The rank of what must go before all else: to find out who answers, or whether somebody does."""


class Ranked(Protocol):
    """Something that waits in a queue. The smaller rank goes first."""

    @property
    def rank(self) -> int: ...

    @property
    def asked_ns(self) -> int:
        """Since when it waits."""


T = TypeVar("T", bound=Ranked)


def rank_of(period_ns: int) -> int:
    """The rank of what belongs to a transfer or command of this period."""
    return period_ns


def enqueue(queue: deque[T], job: T, now_ns: int) -> None:
    """Put it into a queue, behind all that go before it, all of its own rank, and all that may not be overtaken."""
    if not queue or queue[-1].rank <= job.rank:
        queue.append(job)
        return
    at = len(queue)
    while at and queue[at - 1].rank > job.rank and not _is_overdue(queue[at - 1], now_ns):
        at -= 1
    queue.insert(at, job)


def first_of(writes: deque[T], reads: deque[T], now_ns: int) -> deque[T]:
    """The one of the two queues of a controller whose first one goes next; they are not both empty."""
    if not writes or not reads:
        return writes or reads
    write, read = writes[0], reads[0]
    first, other = (writes, reads) if write.rank <= read.rank else (reads, writes)
    return other if _is_overdue(other[0], now_ns) and not _is_overdue(first[0], now_ns) else first


def _is_overdue(job: Ranked, now_ns: int) -> bool:
    return 0 < job.rank < now_ns - job.asked_ns


def level_of(period_ns: int, *, is_write: bool) -> tuple[int, bool]:
    """What the same two functions come to: the smaller level goes first, and one level is first in, first out."""
    return rank_of(period_ns), not is_write
