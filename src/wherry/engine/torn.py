"""Reading a source that can be caught in the middle of an update: high word new, low word old.

No reply tells that it is torn, so something else must. A source may have a counter that it moves when it begins and
when it ends an update (a guard): the counter is read, then the values, then the counter again, one request after the
other. A counter that stood still at an even number says that no update was under way. That convention is the one of
sequence locks (Linux kernel documentation, "Sequence counters and sequential locks": the count is odd while an update
is under way). Without a guard everything is read twice, with at least the time of one update (``gap_ns``) in between,
and counts when both readings are equal: an update that the first one was caught in is over at the second. With both,
the counter must have stood still over both readings, whatever number it stood at, so that any counter will do that
moves with each update, be it at the beginning or at the end.

What double reading relies on: the source takes less than ``gap_ns`` for one update, and does not begin a second one
between the two readings. The guard relies on neither.

Laws: a torn reading never becomes a value, and the age counts from the first request whose answer the values rest on.
"""

from __future__ import annotations

from collections.abc import Callable, Generator, Sequence
from enum import Enum, auto
from typing import NamedTuple

from wherry.clock import LoopClock
from wherry.engine.carry import Carry
from wherry.engine.line import Job, Line, NotSent
from wherry.engine.reading import Cut, cut_bits, cut_registers
from wherry.packing.layout import ALIVE, ReadRequest, Sweep
from wherry.plan.model import Careful
from wherry.protocol.session import Outcome, Prepared, Reply
from wherry.timing.order import rank_of
from wherry.values.codec import reader


class Ask(Enum):
    """What is looked at."""

    GUARD = auto()
    VALUES = auto()


class Step(NamedTuple):
    """What to ask next, and from which instant on."""

    ask: Ask
    not_before_ns: int


class Sight(NamedTuple):
    """What was seen: the guard's number, or the values' content, with the replies that it came in."""

    content: object
    sent_ns: int
    """When the first request left."""
    ended_ns: int
    """When the last reply had come."""
    replies: tuple[Reply, ...] = ()


class Whole(NamedTuple):
    """A reading that is not torn. ``since_ns``: its age counts from here."""

    replies: tuple[Reply, ...]
    since_ns: int


Looks = Generator[Step, Sight, Whole | None]
"""Asks for one thing after the other, is sent what was seen; returns a whole reading, or None when all were torn."""


class Care:
    """Decides what is asked for, and what counts. Reads no clock and owns no line."""

    def __init__(self, rule: Careful, period_ns: int) -> None:
        self.torn = 0
        """Readings that were thrown away."""
        self._rule = rule
        self._period_ns = period_ns

    def looks(self, released_ns: int) -> Looks:
        """The looks of one cycle, which was released at this instant."""
        return self._guarded(released_ns) if self._rule.guard is not None else self._doubled(released_ns)

    def _guarded(self, released_ns: int) -> Looks:
        gap_ns, tries = self._rule.gap_ns, self._rule.tries
        for attempt in range(tries):
            before = yield Step(Ask.GUARD, released_ns + attempt * self._period_ns // (tries + 1))
            assert isinstance(before.content, int)
            last = before
            if gap_ns is not None or before.content % 2 == 0:
                values = last = yield Step(Ask.VALUES, 0)
                if gap_ns is not None:
                    last = yield Step(Ask.VALUES, values.ended_ns + gap_ns)
                if last.content == values.content:
                    last = yield Step(Ask.GUARD, 0)
                    if last.content == before.content:
                        return Whole(values.replies, before.sent_ns)
            self.torn += 1
            if last.ended_ns >= released_ns + self._period_ns:
                break
        return None

    def _doubled(self, released_ns: int) -> Looks:
        gap_ns = self._rule.gap_ns
        assert gap_ns is not None, "a careful transfer has a guard, reads double, or both"
        first = yield Step(Ask.VALUES, released_ns)
        for attempt in range(self._rule.tries):
            next_ns = first.ended_ns + gap_ns
            # The first comparison is always made; others only where there is time for them in this period.
            if attempt and next_ns >= released_ns + self._period_ns:
                break
            second = yield Step(Ask.VALUES, next_ns)
            if second.content == first.content:
                return Whole(first.replies, first.sent_ns)
            self.torn += 1
            first = second
        return None


class CarefulSweep:
    """The sweep of one transfer that is read with care: one request at a time, and given on only when whole."""

    def __init__(
        self,
        source: Line,
        sweep: Sweep,
        reads: Sequence[Prepared],
        guard: Prepared | None,
        carry: Carry,
        clock: LoopClock,
    ) -> None:
        rule = carry.transfer.careful
        assert rule is not None
        assert len(sweep.transfers) == 1
        self.care = Care(rule, sweep.period_ns)
        self._carry = carry
        self._source = source
        self._clock = clock
        rank = rank_of(sweep.period_ns)
        self._reads = [Job(prepared, self._value_done, is_write=False, rank=rank) for prepared in reads]
        self._guard = None if guard is None else Job(guard, self._guard_done, is_write=False, rank=rank)
        self._guard_number = None if rule.guard is None else reader(rule.guard)
        self._contents = [_content_of(request, carry) for request in sweep.reads]
        self._alive = {index: cut for index, request in enumerate(sweep.reads) if (cut := _alive_of(request))}
        self._replies: list[Reply] = []
        self._looks: Looks | None = None

    def release(self, due_ns: int, missed: int, now_ns: int) -> None:
        """Start a cycle, if the one before it is over."""
        carry = self._carry
        if missed:
            carry.scheduled += missed
            carry.skip(missed)
        if carry.release(due_ns, now_ns, may_start=self._looks is None):
            self._looks = self.care.looks(now_ns)
            self._take(next(self._looks))

    def _take(self, step: Step) -> None:
        if step.not_before_ns > self._clock.now_ns():
            self._clock.call_at(step.not_before_ns, lambda: self._take(step))
        elif step.ask is Ask.GUARD:
            assert self._guard is not None
            self._source.submit(self._guard)
        else:
            self._replies = []
            self._source.submit(self._reads[0])

    def _guard_done(self, outcome: Outcome | NotSent) -> None:
        if not isinstance(outcome, Reply):
            self._give_up(outcome)
            return
        assert self._guard_number is not None
        self._seen(Sight(self._guard_number(outcome.payload), outcome.sent_ns, outcome.received_ns))

    def _value_done(self, outcome: Outcome | NotSent) -> None:
        if not isinstance(outcome, Reply):
            self._give_up(outcome)
            return
        replies = self._replies
        alive = self._alive.get(len(replies))
        if alive is not None and self._carry.liveness is not None:
            # At once and each time: a reading that is thrown away still tells when the source's counter moved.
            self._carry.liveness.judge(alive(outcome.payload), outcome.sent_ns)
        replies.append(outcome)
        if len(replies) < len(self._reads):
            self._source.submit(self._reads[len(replies)])
            return
        content = tuple(cut(reply.payload) for cut, reply in zip(self._contents, replies, strict=True))
        self._seen(Sight(content, replies[0].sent_ns, outcome.received_ns, tuple(replies)))

    def _seen(self, sight: Sight) -> None:
        assert self._looks is not None
        try:
            step = self._looks.send(sight)
        except StopIteration as end:
            self._carry.torn_readings = self.care.torn
            self._decided(end.value)
        else:
            self._take(step)

    def _decided(self, whole: Whole | None) -> None:
        if whole is None:
            self._give_up(NotSent.TORN)
            return
        self._looks = None
        now_ns = self._clock.now_ns()
        for position, reply in enumerate(whole.replies):
            aged = Reply(reply.prepared, reply.tag, reply.payload, whole.since_ns, reply.received_ns)
            self._carry.read_done(position, aged, now_ns)

    def _give_up(self, outcome: Outcome | NotSent) -> None:
        """Nothing of what came counts: what was not looked at twice may be torn."""
        self._looks = None
        now_ns = self._clock.now_ns()
        for position in range(len(self._reads)):
            self._carry.read_done(position, outcome, now_ns)


def _alive_of(request: ReadRequest) -> Cut | None:
    """What takes the source's own counter out of a reply, if it is in there."""
    take = cut_bits if request.span.table.is_bits else cut_registers
    return next((take(each.offset, each.count) for each in request.cuts if each.value == ALIVE), None)


def _content_of(request: ReadRequest, carry: Carry) -> Callable[[bytes], tuple[bytes, ...]]:
    """What of a reply must stand still: the values, but not the source's own counter, which moves all the time."""
    values = carry.transfer.values
    cut = cut_bits if request.span.table.is_bits else cut_registers
    cuts = [
        cut(each.offset, each.count) for each in request.cuts if each.value >= 0 and not values[each.value].is_alive
    ]
    return lambda payload: tuple(take(payload) for take in cuts)
