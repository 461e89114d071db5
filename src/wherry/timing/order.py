"""Who goes first in the queue of a controller. The engine, the analysis and what is played through take it from here.

Deadline-monotonic: what has the shorter period goes first, because it must be over sooner. Of one period, writes go
before reads, because what they carry is ageing; of these, what came first goes first. Nothing is interrupted.

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


T = TypeVar("T", bound=Ranked)


def rank_of(period_ns: int) -> int:
    """The rank of what belongs to a transfer or command of this period."""
    return period_ns


def enqueue(queue: deque[T], job: T) -> None:
    """Put it into a queue, behind all that go before it and all of its own rank."""
    if not queue or queue[-1].rank <= job.rank:
        queue.append(job)
        return
    at = len(queue) - 1
    while at and queue[at - 1].rank > job.rank:
        at -= 1
    queue.insert(at, job)


def first_of(writes: deque[T], reads: deque[T]) -> deque[T]:
    """The one of the two queues of a controller whose first one goes next; they are not both empty."""
    return writes if writes and (not reads or writes[0].rank <= reads[0].rank) else reads


def level_of(period_ns: int, *, is_write: bool) -> tuple[int, bool]:
    """What the same two functions come to: the smaller level goes first, and one level is first in, first out."""
    return rank_of(period_ns), not is_write
