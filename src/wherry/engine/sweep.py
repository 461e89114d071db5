"""Reading for all transfers that share a source and a period: each request is sent once and its reply given to all."""

from __future__ import annotations

from collections.abc import Sequence

from wherry.clock import LoopClock
from wherry.engine.carry import Carry
from wherry.engine.line import Job, Line, NotSent
from wherry.protocol.session import Outcome, Prepared
from wherry.timing.order import rank_of


class _Read:
    """One request of the sweep, and the transfers that wait for its reply with the place it has among their reads."""

    __slots__ = ("asked_for_ns", "job", "now_ns", "waiters")

    def __init__(self, prepared: Prepared, rank: int, clock: LoopClock) -> None:
        self.job = Job(prepared, self._done, is_write=False, rank=rank)
        self.now_ns = clock.now_ns
        self.asked_for_ns = -1
        self.waiters: list[tuple[Carry, int]] = []

    def _done(self, outcome: Outcome | NotSent) -> None:
        waiters, self.waiters = self.waiters, []
        now_ns = self.now_ns()
        for carry, position in waiters:
            carry.read_done(position, outcome, now_ns)


class SweepRunner:
    """One sweep at work."""

    def __init__(self, source: Line, reads: Sequence[Prepared], carries: Sequence[Carry], clock: LoopClock) -> None:
        self.carries = tuple(carries)
        self._source = source
        rank = rank_of(carries[0].transfer.period_ns)
        self._reads = tuple(_Read(prepared, rank, clock) for prepared in reads)

    def release(self, due_ns: int, missed: int, now_ns: int) -> None:
        """Start a cycle of every transfer that has finished its last one, and ask for what they need."""
        wanted: list[_Read] = []
        for carry in self.carries:
            if missed:
                carry.scheduled += missed
                carry.skip(missed)
            needs = [self._reads[index] for index in carry.layout.reads]
            # A request still under way belongs to an older cycle: its reply must not serve this one.
            may_start = not any(read.waiters for read in needs if read.asked_for_ns != due_ns)
            if carry.release(due_ns, now_ns, may_start=may_start):
                for position, read in enumerate(needs):
                    if not read.waiters:
                        read.asked_for_ns = due_ns
                        wanted.append(read)
                    read.waiters.append((carry, position))
        for read in wanted:
            self._source.submit(read.job)
