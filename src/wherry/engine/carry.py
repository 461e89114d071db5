"""The life of one transfer: released each period, read, converted, written, counted.

Laws, each held by a test:

* what is written was decoded from replies to requests of this very cycle, and leaves before it is older than
  ``max_age``;
* ``scheduled = delivered + skipped + failed`` whenever no cycle is under way;
* a value that is Bad is never put: its place is left alone (hold) or given the declared substitute;
* a group is put whole or not at all;
* the status registers tell of a loss within ``max_age`` plus one period, whatever the source does, unless its silence
  holds up the receiver's own line: that of units that share an address.
"""

from __future__ import annotations

import asyncio
from collections import Counter
from collections.abc import Callable, Sequence
from enum import Enum, auto
from functools import partial
from typing import Final

from wherry.clock import LoopClock
from wherry.engine.change import Batch, Changes
from wherry.engine.histogram import Histogram
from wherry.engine.line import NEVER_NS, Job, Line, NotSent, describe
from wherry.engine.liveness import NOT_READ, WAITING, Liveness, reason_of_standstill
from wherry.engine.reading import Cutter
from wherry.engine.receiving import Receiving
from wherry.engine.writes import StatusWords, WriteTemplate
from wherry.packing.layout import TransferLayout
from wherry.plan.model import Transfer
from wherry.protocol.session import Outcome, Reply
from wherry.values.conversion import Converted
from wherry.values.quality import Quality, Reason

UNFIT: Final = "no value is fit to be put"
FAILURES_MAX: Final = 24
"""Reasons counted by themselves: some quote what a peer sent, and no peer may fill the memory."""
OTHER_FAILURE: Final = "for other reasons"
SUBSTITUTES_FIRST: Final = "the substitutes were still on their way"
HELD_BACK: Final = "written again when `shortest` has passed"


class CarryState(Enum):
    """Where the current cycle of a transfer stands."""

    IDLE = auto()
    READING = auto()
    WRITING = auto()


class Carry:
    """One transfer at work. Instants are the event loop's, in nanoseconds."""

    doubt: Reason | None = None
    """Why nothing that is read is better than Uncertain."""

    def __init__(
        self,
        layout: TransferLayout,
        cutter: Cutter,
        destination: Line,
        *,
        writes: Sequence[WriteTemplate],
        status_alone: WriteTemplate | None,
        substitutes: Sequence[bytes | None] | None,
        changes: Changes | None,
        receiving: Receiving | None,
        is_armed: bool,
        clock: LoopClock,
        on_quality: Callable[[Carry, Quality, str], None],
    ) -> None:
        transfer = layout.transfer
        self.transfer: Transfer = transfer
        self.layout = layout
        self.destination = destination
        self.is_armed = is_armed
        self.state = CarryState.IDLE
        self.scheduled = self.delivered = 0
        self.skipped_overrun = self.skipped_unarmed = self.skipped_waiting = 0
        self.failed = self.torn_readings = 0
        self.failures: Counter[str] = Counter()
        self.age = Histogram()
        self.lateness = Histogram()
        self.results_at_ns: int | None = None
        self.quality = Quality.BAD
        self.quality_reason = "nothing carried yet"
        self.delivered_sample_ns: int | None = None
        self.delivered_at_ns: int | None = None
        self._clock = clock
        self._now_ns = clock.now_ns
        self._cutter = cutter
        self.liveness = Liveness(transfer.max_age_ns) if transfer.alive is not None else None
        self._on_quality = on_quality
        self._writes = tuple(writes)
        self._indexes = range(len(self._writes))
        self._dones = tuple(partial(self._write_done, index) for index in self._indexes)
        self._first_writes = tuple(zip(self._writes, self._dones, strict=True))[: layout.status_in]
        self._changes = changes
        self.receiving = receiving
        self._batch: Batch | None = None
        self._puts: Sequence[bytes | None] = (None,) * len(transfer.values)
        self._chosen: Sequence[bytes | None] = ()
        self._has_put = self._has_replaced = False
        self._unput: set[int] = set()
        self._lacking: Sequence[bytes | None] = ()
        self._fresh_until_ns = 0
        self._last_is_due = self._tells_next = self._is_counted_on = False
        self._told: Quality | None = None
        self._substitutes = substitutes
        self._fallback_pending = self._pending = 0
        self._failure = self._last_failure = ""
        self._last_worst = (Quality.GOOD, "")
        self._sample_ns = 0
        self._started_ns = self._now_ns()
        self._max_age_ns = transfer.max_age_ns
        self._age_timer: asyncio.TimerHandle | None = None
        self._status_alone = status_alone
        self._status_in_writes = layout.status_in is not None
        self._status_is_pending = self._status_again = False
        self._status_told = Quality.BAD
        self._status_told_ns = self._heartbeat = self._sequence = 0
        self.is_stopping = self._is_over = False

    def begin(self) -> None:
        """The schedule begins: from now on the age counts."""
        self._started_ns = self._now_ns()
        self._watch_age()

    # A new cycle.

    @property
    def results(self) -> Sequence[Converted]:
        """What became of each value in the last cycle whose replies came."""
        return self._cutter.results

    @property
    def skipped(self) -> int:
        return self.skipped_overrun + self.skipped_unarmed + self.skipped_waiting

    def release(self, due_ns: int, now_ns: int, *, may_start: bool) -> bool:
        """The period has come round. Returns whether a cycle starts (its reads must then be asked for)."""
        self.scheduled += 1
        self.lateness.record(now_ns - due_ns)
        if self.state is CarryState.IDLE and may_start:
            self.state = CarryState.READING
            self._pending = len(self.layout.reads)
            if self._last_failure:
                # The cycle before brought nothing and this one may not either: the heartbeat must not wait for it.
                self._judge(now_ns)
                if now_ns - self._status_told_ns >= self.transfer.period_ns // 2:
                    self._write_status(now_ns)
            self._failure = ""
            self._sample_ns = NEVER_NS
            self._cutter.start()
            return True
        self.skip(1)
        if self.state is not CarryState.WRITING:
            self._judge(now_ns)
            self._write_status(now_ns)
        return False

    def skip(self, count: int) -> None:
        """Count releases that found the cycle before them unfinished, or that were missed altogether."""
        self.skipped_overrun += count

    # Reading.

    def read_done(self, position: int, outcome: Outcome | NotSent, now_ns: int) -> None:
        """One of the sweep's requests that this transfer needs is over."""
        assert self.state is CarryState.READING
        if type(outcome) is Reply:
            self._cutter.take(position, outcome.payload, outcome.sent_ns)
            if outcome.sent_ns < self._sample_ns:
                self._sample_ns = outcome.sent_ns
        else:
            self._cutter.miss(position, outcome)
            self._failure = f"read: {describe(outcome)}"
        self._pending -= 1
        if self._pending == 0:
            self._all_read(now_ns)

    def _all_read(self, now_ns: int) -> None:
        if self.liveness is not None:
            alive = self._cutter.alive_data
            why_not = self.liveness.judge(alive, self._sample_ns) if alive else NOT_READ
            if why_not:
                self._failure = self._failure or why_not
                self._cutter.condemn(reason_of_standstill(why_not))
        if self.doubt is not None:
            self._cutter.doubt(self.doubt)
        self.results_at_ns = now_ns
        if not self.is_armed:
            self.state = CarryState.IDLE
            if self._failure == WAITING:
                self.skipped_waiting += 1
            elif self._failure:
                self._count_failure()
            else:
                self.skipped_unarmed += 1
                self.delivered_sample_ns = self._sample_ns
                if self._age_timer is None:
                    self._watch_age()
            self._conclude(now_ns)
            return
        if self._is_over:
            self._abandon()
        else:
            self._start_writing(now_ns)

    # Writing.

    def _looked(self, failure: str) -> None:
        """What the receiver's places hold is known, or could not be read."""
        self._failure = self._failure or failure
        if self._is_over:
            self._abandon()
        else:
            self._start_writing(self._now_ns(), may_look=False)

    def _start_writing(self, now_ns: int, *, may_look: bool = True) -> None:
        """Send the write requests of this cycle; a Bad value is left out, or replaced where the plan says so."""
        if self.receiving is not None and self._fallback_pending:
            # What the places hold is not known before the substitutes have arrived.
            self._puts = (None,) * len(self.transfer.values)
            self._has_put = self._has_replaced = False
            self._unput.clear()
            self._told = None
            self._failure = self._failure or SUBSTITUTES_FIRST
            self._finish(now_ns)
            return
        if self.receiving is not None and may_look and self.receiving.must_look(now_ns, self.destination.losses):
            self.state = CarryState.WRITING
            self.receiving.look(self.destination.submit, self._now_ns, self._looked)
            return
        # A value that is Bad by itself is replaced at once; a value that could not be read only when it has aged.
        may_replace = not self._failure or self._is_lost(now_ns)
        self._puts = puts = self._cutter.puts(self._substitutes if may_replace else None)
        self._told = None
        self._has_put = False
        self._has_replaced = may_replace
        self._unput.clear()
        if not self._cutter.all_good and all(put is None for put in puts):
            self._failure = self._failure or UNFIT
            self._finish(now_ns)
            return
        if self.receiving is not None:
            puts = self.receiving.limit(puts, now_ns)
            if all(put is None for put in puts):
                self._failure = self._failure or self._worst()[1]
                self._finish(now_ns)
                return
        self.state = CarryState.WRITING
        self._last_is_due = self._status_in_writes
        self._tells_next = self._is_counted_on = False
        if self._changes is not None:
            self._batch = batch = self._changes.select(puts, self._cutter.judged, now_ns, self.destination.losses)
            puts = batch.chosen
            self._has_put = batch.held_back
        if self.receiving is not None:
            self.receiving.keep_to(puts)
        self._chosen = puts
        jobs = [job for template, done in self._first_writes for job in template.jobs(puts, None, done)]
        if jobs:
            self._submit(jobs)
        elif self._last_is_due:
            self._write_last(now_ns)
        else:
            # Every place holds its value already, or must not be written yet.
            self._finish(now_ns)

    def _submit(self, jobs: Sequence[Job]) -> None:
        self._pending = len(jobs)
        expires_ns = self._sample_ns + self._max_age_ns
        for job in jobs:
            job.expires_ns = expires_ns
            self.destination.submit(job)

    def _write_last(self, now_ns: int) -> None:
        """The request that carries the status registers too: only now is it known what became of the others."""
        self._last_is_due = False
        if self._failure:
            self._told = self._verdict(now_ns, self._failure)[0]
            status = self._status_words(self._told, self.delivered_sample_ns, self._sequence)
        else:
            self._told = self._worst()[0]
            status = self._status_words(self._told, self._sample_ns, self._sequence + 1)
            self._tells_next = True
        last, done = self._writes[-1], self._dones[-1]
        jobs = last.jobs(self._chosen, status, done)
        if len(jobs) > 1:
            # What is left out parts it into several requests: then it is told by itself, when all of them are over.
            self._told, self._tells_next = None, False
            jobs = last.jobs(self._chosen, None, done)
        self._submit(jobs)

    def _write_done(self, index: int, outcome: Outcome | NotSent) -> None:
        assert self.state is CarryState.WRITING
        if type(outcome) is Reply:
            self._has_put = True
        else:
            self._unput.add(index)
            self._failure = self._failure or f"write: {describe(outcome)}"
            self._told = None
        if self._batch is not None:
            self._batch.tell(index, is_done=type(outcome) is Reply, has_left=not isinstance(outcome, NotSent))
        if self._tells_next and not isinstance(outcome, NotSent):
            # The receiver may have been told the next number, whatever becomes of the cycle: it is not told another
            # time, and never goes back.
            self._tells_next = False
            self._sequence = (self._sequence + 1) & 0xFFFF
            self._is_counted_on = True
        if self.receiving is not None:
            self.receiving.tell(index, outcome)
        self._pending -= 1
        if self._pending:
            return
        if self._is_over:
            self._abandon()
        elif self._last_is_due:
            self._write_last(self._now_ns())
        else:
            self._finish(self._now_ns())

    def _finish(self, now_ns: int) -> None:
        """The cycle is over: count it, and tell the receiver if the values did not do so."""
        self.state = CarryState.IDLE
        if self._batch is not None:
            self._batch.settle(now_ns)
        if self.receiving is not None and not self._fallback_pending:
            # Else what is under way are substitutes, which settle when they are answered.
            self.receiving.settle(now_ns)
        if self._failure == WAITING:
            self.skipped_waiting += 1
        elif self._failure:
            self._count_failure()
        else:
            self.delivered += 1
            if not self._is_counted_on:
                self._sequence = (self._sequence + 1) & 0xFFFF
            self.delivered_sample_ns = self._sample_ns
            self.delivered_at_ns = now_ns
            if self._age_timer is None:
                self._watch_age()
            self.age.record(now_ns - self._sample_ns)
        self._conclude(now_ns)
        if self._told is not self.quality:
            self._write_status(now_ns)
        if self._failure and self._substitutes is not None:
            self._note_lacking(self._substitutes)
            # What the cycle itself has replaced is not put a second time: the line is there for others too.
            if self._is_lost(now_ns) and not (self._has_replaced and self._has_put and not self._unput):
                self._write_substitutes(now_ns)

    def _note_lacking(self, substitutes: Sequence[bytes | None]) -> None:
        """Which values a cycle that failed did not put: substitutes must not take the places of those that it did."""
        self._fresh_until_ns = self._sample_ns + self._max_age_ns if self._has_put and self._sample_ns < NEVER_NS else 0
        self._lacking = [
            None if self._has_replaced or put is not None else substitute
            for substitute, put in zip(substitutes, self._puts, strict=True)
        ]

    def _conclude(self, now_ns: int) -> None:
        """Keep what became of the cycle: the next one begins with nothing known, and must not be judged by that."""
        self._last_failure = self._failure
        self._last_worst = self._worst()
        self._batch = None
        self._judge(now_ns)

    def _worst(self) -> tuple[Quality, str]:
        """The quality of the worst value of the cycle, and which one it is and why."""
        worst = self._cutter.worst()
        if self._batch is not None and self._batch.late is not None and worst[0] is Quality.GOOD:
            name = self.transfer.values[self._batch.late].name
            return Quality.UNCERTAIN, f"{name}: {Reason.UNCERTAIN_LAST_USABLE_VALUE.words}; {HELD_BACK}"
        limited = None if self.receiving is None else self.receiving.worst
        return limited if limited is not None and limited[0] < worst[0] else worst

    def _abandon(self) -> None:
        """The cycle outlasted the stop: the receiver was told that nothing more comes, so nothing more may."""
        self.state = CarryState.IDLE
        self._batch = None
        self._failure = self._failure or NotSent.STOPPING.value
        self._count_failure()

    def _count_failure(self) -> None:
        self.failed += 1
        is_room = self._failure in self.failures or len(self.failures) < FAILURES_MAX
        self.failures[self._failure if is_room else OTHER_FAILURE] += 1

    # Age and quality.

    def age_ns(self, now_ns: int) -> int | None:
        """How old the values are that the receiver was last given; None before the first delivery."""
        return None if self.delivered_sample_ns is None else now_ns - self.delivered_sample_ns

    def _is_lost(self, now_ns: int) -> bool:
        """Nothing was delivered for ``max_age``."""
        since = self._started_ns if self.delivered_sample_ns is None else self.delivered_sample_ns
        return now_ns - since >= self._max_age_ns

    def _judge(self, now_ns: int) -> None:
        """Set the quality of the transfer as a whole by the last cycle that ended, and tell when it changes."""
        quality, reason = self._verdict(now_ns, self._last_failure)
        self.quality_reason = reason
        if quality is not self.quality:
            self.quality = quality
            self._on_quality(self, quality, reason)

    def _verdict(self, now_ns: int, failure: str) -> tuple[Quality, str]:
        """The quality, and why, after a cycle that ended so."""
        if failure == UNFIT:
            # All was read: that not one of the values could be put is told as if some could.
            return self._last_worst
        if self._is_lost(now_ns):
            return Quality.BAD, failure or "older than max_age"
        if self.delivered_sample_ns is None:
            return Quality.BAD, failure or "nothing carried yet"
        if failure and failure == self._last_worst[1]:
            # What kept all of them from being put is told as if it kept some.
            return self._last_worst
        if failure:
            return Quality.UNCERTAIN, f"last usable value; {failure}"
        return self._last_worst

    def _watch_age(self) -> None:
        """One timer for the transfer, re-armed only when it fires: the loss is told even while nothing comes back."""
        since = self._started_ns if self.delivered_sample_ns is None else self.delivered_sample_ns
        self._age_timer = self._clock.call_at(since + self._max_age_ns, self._age_passed)

    def _age_passed(self) -> None:
        self._age_timer = None
        now_ns = self._now_ns()
        if self.is_stopping:
            return
        if not self._is_lost(now_ns):
            self._watch_age()
            return
        self._judge(now_ns)
        if self.state is not CarryState.WRITING:
            self._write_status(now_ns)
            self._write_substitutes(now_ns)

    # What the receiver is told apart from the values.

    def _write_substitutes(self, now_ns: int, *, may_look: bool = True) -> None:
        if self._substitutes is None or not self.is_armed or self._fallback_pending:
            return
        is_partial = now_ns < self._fresh_until_ns
        if is_partial and not self._unput and all(put is None for put in self._lacking):
            return
        status: StatusWords | None = None
        if self._status_in_writes:
            status = self._status_words(Quality.BAD, self.delivered_sample_ns, self._sequence)
        puts = [self._lacking if is_partial and i not in self._unput else self._substitutes for i in self._indexes]
        if self.receiving is not None:
            if may_look and self.receiving.must_look(now_ns, self.destination.losses):
                self._fallback_pending = 1
                self.receiving.look(self.destination.submit, self._now_ns, self._looked_for_substitutes)
                return
            puts = self.receiving.limit_by_template(puts, now_ns)
        jobs: list[Job] = []
        if self._changes is None:
            if self.receiving is not None:
                self.receiving.keep_to(puts[0])
            for index, template in enumerate(self._writes):
                jobs += template.jobs(puts[index], status, partial(self._substitute_done, index))
        else:
            batch = self._changes.select_by_template(puts, now_ns, self.destination.losses)
            if self.receiving is not None:
                self.receiving.keep_to(batch.chosen)
            for index, template in enumerate(self._writes):
                jobs += template.jobs(batch.chosen, status, partial(self._changed_substitute_done, batch, index))
        self._fallback_pending = len(jobs)
        for job in jobs:
            job.expires_ns = NEVER_NS
            self.destination.submit(job)

    def _looked_for_substitutes(self, _failure: str) -> None:
        self._fallback_pending = 0
        now_ns = self._now_ns()
        if not self._is_over and self._is_lost(now_ns):
            self._write_substitutes(now_ns, may_look=False)

    def _substitute_done(self, index: int, outcome: Outcome | NotSent) -> None:
        if self.receiving is not None:
            self.receiving.tell(index, outcome)
        self._fallback_pending -= 1
        if self.receiving is not None and not self._fallback_pending:
            self.receiving.settle(self._now_ns())

    def _changed_substitute_done(self, batch: Batch, index: int, outcome: Outcome | NotSent) -> None:
        batch.tell(index, is_done=type(outcome) is Reply, has_left=not isinstance(outcome, NotSent))
        self._substitute_done(index, outcome)
        if not self._fallback_pending:
            batch.settle(self._now_ns())

    def _write_status(self, now_ns: int) -> None:
        """Heartbeat, quality, age and sequence by themselves. At most one such request at a time."""
        if self._status_alone is None or not self.is_armed:
            return
        quality = Quality.BAD if self._is_over else self.quality
        if self._status_is_pending:
            # What is under way will be answered or time out; a change is told right after it.
            self._status_again = quality is not self._status_told
            return
        self._status_again = False
        self._status_told = quality
        self._status_told_ns = now_ns
        words = self._status_words(quality, self.delivered_sample_ns, self._sequence)
        (job,) = self._status_alone.jobs((), words, self._status_done)
        if quality is not Quality.BAD and self.delivered_sample_ns is not None:
            # Not to be told of values that have aged while it waited.
            job.expires_ns = self.delivered_sample_ns + self._max_age_ns
        self._status_is_pending = True
        self.destination.submit(job)

    def _status_done(self, outcome: Outcome | NotSent) -> None:
        self._status_is_pending = False
        if self.state is CarryState.WRITING:
            # The cycle tells at its end what became of it; told now, what was so before would come after that.
            self._status_again = False
        elif outcome is NotSent.AGED:
            # It aged between two looks at the clock: what it would have told is no longer so, and must be judged anew.
            now_ns = self._now_ns()
            self._judge(now_ns)
            if self.quality is Quality.BAD:
                self._write_status(now_ns)
        elif self._status_again:
            self._write_status(self._now_ns())

    def _status_words(self, quality: Quality, sample_ns: int | None, sequence: int) -> StatusWords:
        self._heartbeat = (self._heartbeat + 1) & 0xFFFF
        words = (self._heartbeat, int(quality), 0, sequence & 0xFFFF)
        return StatusWords(b"".join(word.to_bytes(2, "big") for word in words), sample_ns)

    # The end.

    @property
    def is_at_rest(self) -> bool:
        """No request of this transfer is under way."""
        return self.state is CarryState.IDLE and not self._status_is_pending and not self._fallback_pending

    def say_stopped(self) -> None:
        """Tell the receiver that nothing more comes: quality Bad."""
        if self._age_timer is not None:
            self._age_timer.cancel()
            self._age_timer = None
        self._is_over = True
        self._write_status(self._now_ns())
