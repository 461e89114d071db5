"""What became of a write: each verified value is read back before it is written the next time. Decisions are pure.

A place that was seen to hold what we put, and now holds something else although we put nothing else, was changed by
somebody: by the device itself (it holds again what it held before our first write: reverted) or by a second writer
(overwritten). Then nothing is put there any more in this run: two who write to one place make both unreliable.

No single reading decides that. With the first one that speaks against us the place is left alone, and is read once more
in the next cycle: only if that reading speaks against us too is it so. In between nothing is put there.
"""

from __future__ import annotations

import math
from collections import Counter, deque
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from enum import StrEnum
from fractions import Fraction
from functools import partial
from typing import Final

from wherry.engine.command import NOT_CARRIED_OUT
from wherry.engine.job import Job, NotSent, touched
from wherry.engine.reading import Cut as Cutting
from wherry.engine.reading import cut_bits, cut_registers
from wherry.limits import VERIFY_PERIODS_MAX
from wherry.packing.layout import Cut, ReadRequest, TransferLayout
from wherry.plan.model import Controller, Point, Value
from wherry.plan.wording import printable
from wherry.protocol.pdu import ReadCoils, ReadDiscreteInputs, ReadHoldingRegisters, ReadInputRegisters, Request
from wherry.protocol.session import Outcome, Prepared, Refusal, Reply, prepare
from wherry.timing.order import rank_of
from wherry.values.codec import UnreadableError, reader
from wherry.values.codec import Value as Content
from wherry.values.scaling import exact
from wherry.values.units import line_to_put

PUTS_KEPT: Final = VERIFY_PERIODS_MAX + 8
"""Puts of one value that are remembered while they may still take effect."""
MAYBE_NS: Final = 60 * 1_000_000_000
"""How long after its time-out a write is reckoned with that was not answered."""
READS: Final[Mapping[str, Callable[[int, int], Request]]] = {
    "coil": ReadCoils,
    "discrete": ReadDiscreteInputs,
    "input": ReadInputRegisters,
    "holding": ReadHoldingRegisters,
}


class Became(StrEnum):
    """What became of a write."""

    ACCEPTED = "accepted"
    """The controller answered it, and the place does not (or not yet) hold it."""
    VERIFIED = "verified"
    REFUSED = "refused"
    REVERTED = "reverted"
    OVERWRITTEN = "overwritten"


DOUBTED: Final = "it was read otherwise than put, and is read once more before anything is put there"
STOPPED: Final = frozenset({Became.REVERTED, Became.OVERWRITTEN})
Tell = Callable[[str, Became, str], None]
"""(name of the value, what became of it, in words)"""


class Watch:
    """One verified value. Instants are those of the event loop, in nanoseconds."""

    __slots__ = (
        "_apart_ns", "_decode", "_decode_put", "_doubt", "_doubted_ns", "_settle_ns", "_tell", "_tolerance",
        "_window_ns", "asked", "at", "before", "changed_ns", "counts", "doubts", "heard_ns", "late_ns_max", "matched",
        "maybe", "name", "previous", "puts", "span", "state", "wanted_ns", "words",
    )  # fmt: skip

    def __init__(self, value: Value, period_ns: int, tell: Tell) -> None:
        assert value.verify_ns is not None
        self.name = value.name
        self.span = value.put.span
        self.at: Point = value.verify_at or value.put
        self.state: Became | None = None
        self.words = "not written yet"
        self.counts: Counter[str] = Counter()
        self.late_ns_max = 0
        """The longest time from the first write of a value until its place held it."""
        self.before: Content | None = None
        """What the place held before the first write."""
        self.matched: Content | None = None
        """What it held when it last held what was put; None while it never did."""
        self.puts: deque[tuple[int, Content]] = deque(maxlen=PUTS_KEPT)
        """What was put and acknowledged, the last one last, as long as it may still take effect."""
        self.maybe: deque[tuple[int, Content]] = deque(maxlen=PUTS_KEPT)
        """What was put and not answered: it may take effect or not."""
        self.previous: Content | None = None
        """What it held when another value than before was put last."""
        self.wanted_ns: int | None = None
        """When there was something to put last, whether it had to be written again or not."""
        self.heard_ns: int | None = None
        """When the controller answered last, to a reading of the place or a write."""
        self.changed_ns = 0
        """When another value than before was acknowledged first."""
        self.asked: bytes | None = None
        self.doubts = 0
        """How often one reading spoke against us and the next one did not."""
        self._doubted_ns: int | None = None
        """When the reading was sent that spoke against us, while the next one must still say the same."""
        self._doubt = ""
        self._apart_ns = period_ns // 2
        """Two readings that are nearer than that count as one: substitutes are preceded by a reading of their own."""
        self._decode = reader(self.at)
        # A bit on its way into a register is a byte of its own, whatever its place there.
        self._decode_put = reader(value.put if value.put.bit is None else replace(value.put, bit=0))
        self._settle_ns = value.verify_ns
        self._window_ns = value.verify_ns + 2 * period_ns
        factor = line_to_put(value.unit, value.put_unit, value.scale).factor
        self._tolerance: Fraction = abs(factor) * exact(value.tolerance)
        self._tell = tell

    @property
    def is_stopped(self) -> bool:
        """Whether nothing is put there any more."""
        return self.state in STOPPED

    @property
    def is_doubted(self) -> bool:
        """Whether one reading spoke against us, so that nothing is put there until the next one has come."""
        return self._doubted_ns is not None

    @property
    def last_ns(self) -> tuple[int | None, int | None]:
        """When there was something to put last, and when the controller answered last."""
        return self.wanted_ns, self.heard_ns

    def forget(self) -> None:
        """The controller was lost, or nothing was put for long: what it holds is its own affair until the next put."""
        self.before = self.matched = self.previous = self.wanted_ns = self.heard_ns = None
        self.puts.clear()

    # Writing.

    def wrote(self, outcome: Outcome | NotSent | None, now_ns: int) -> None:
        """The write of ``asked`` is over; None: no request that carries it has left."""
        data, self.asked = self.asked, None
        if data is None or outcome is None:
            return
        if isinstance(outcome, Refusal):
            self._become(Became.REFUSED, f"refused (exception {outcome.code:02X})")
        if isinstance(outcome, NotSent) or (isinstance(outcome, Refusal) and outcome.code in NOT_CARRIED_OUT):
            return
        put = self._decode_put(data)
        if isinstance(outcome, Reply):
            self.heard_ns = now_ns
        else:
            # Nobody knows whether it arrived, or still will.
            self.maybe.append((now_ns, put))
            return
        if not self.puts or not self._near(self.puts[-1][1], put):
            self.changed_ns, self.previous = now_ns, self.matched
        while self.puts and now_ns - self.puts[0][0] > self._window_ns:
            self.puts.popleft()
        self.puts.append((now_ns, put))
        if self.state is None or self.state is Became.REFUSED:
            self.state, self.words = Became.ACCEPTED, "accepted, not read back yet"

    # Reading back.

    def read(self, data: bytes, sent_ns: int) -> None:
        """What the place held at an instant not before ``sent_ns``."""
        try:
            held = self._decode(data)
        except UnreadableError:
            return
        self.heard_ns = sent_ns
        if not self.puts:
            self.before = held
            return
        put_ns, put = self.puts[-1]
        if sent_ns < put_ns or (self._doubted_ns is not None and sent_ns - self._doubted_ns < self._apart_ns):
            return
        was_doubted = self.is_doubted
        while self.maybe and sent_ns - self.maybe[0][0] > self._window_ns + MAYBE_NS:
            self.maybe.popleft()
        if self._near(held, put):
            self._seen(held, sent_ns)
        elif not any(self._near(held, each) for _, each in self.maybe):
            is_earlier_put = any(self._near(held, each) for at_ns, each in self.puts if at_ns < put_ns)
            if self.matched is not None and not is_earlier_put:
                self._gone(held, put, sent_ns)
            else:
                self._not_there(held, put, sent_ns)
        if was_doubted:
            self._doubt_is_over()

    def _seen(self, held: Content, sent_ns: int) -> None:
        if self.state is not Became.VERIFIED:
            late_ns = max(0, sent_ns - self.changed_ns)
            late = f", {late_ns / 1e9:.1f} s after the write" if late_ns > self._settle_ns else ""
            self.late_ns_max = max(self.late_ns_max, late_ns)
            self._become(Became.VERIFIED, f"verified{late}", is_told=self.counts[Became.ACCEPTED] > 0)
        else:
            self.counts[Became.VERIFIED] += 1
        self.matched = held

    def _gone(self, held: Content, put: Content, sent_ns: int) -> None:
        """It was there, and something else is there now."""
        assert self.matched is not None
        # Where another value has been put since, it may be on its way there, or held up by a bound of the device.
        if not self._near(self.matched, put) and sent_ns - self.changed_ns < self._settle_ns:
            return
        if not self._near(self.matched, put) and (
            self._near(held, self.matched) or self._is_between(self.matched, held, put)
        ):
            self._not_there(held, put, sent_ns)
            return
        if self._doubted_ns is None:
            self._doubted_ns = sent_ns
            self._doubt = f"{shown(held)} in place of {shown(put)}"
            return
        if any(each is not None and self._near(held, each) for each in (self.before, self.previous)):
            words = f"reverted to {shown(held)}, which it held before"
            self._become(Became.REVERTED, words)
        else:
            self._become(
                Became.OVERWRITTEN, f"overwritten by somebody else: it holds {shown(held)} in place of {shown(put)}"
            )

    def _doubt_is_over(self) -> None:
        """The reading after the one that spoke against us has come."""
        self._doubted_ns = None
        if self.is_stopped:
            return
        self.doubts += 1
        if self.doubts == 1 and self.state is not None:
            self._tell(self.name, self.state, f"read as {self._doubt} once, and not any more: it goes on")

    def _not_there(self, held: Content, put: Content, sent_ns: int) -> None:
        """It has not got there."""
        if sent_ns - self.changed_ns < self._settle_ns:
            return
        was = self.matched if self.matched is not None else self.before
        if was is not None and self._near(held, was):
            words = f"accepted and ignored: it still holds {shown(held)} in place of {shown(put)}"
        else:
            words = f"accepted, but it holds {shown(held)} in place of {shown(put)}"
        if self.state is not Became.ACCEPTED or self.words != words:
            self._become(Became.ACCEPTED, words)

    def unreadable(self, code: int) -> None:
        """The controller refuses to tell what the place holds."""
        if self.state is Became.ACCEPTED:
            words = f"accepted, but its place cannot be read (exception {code:02X})"
            if words != self.words:
                self._become(Became.ACCEPTED, words)

    def _become(self, state: Became, words: str, *, is_told: bool = True) -> None:
        is_new = state is not self.state or (state is Became.ACCEPTED and words[:13] != self.words[:13])
        self.state, self.words = state, words
        self.counts[state] += 1
        if is_new and is_told:
            self._tell(self.name, state, words)

    # Numbers.

    def _near(self, one: Content, other: Content) -> bool:
        if isinstance(one, bool | str | bytes) or isinstance(other, bool | str | bytes):
            return one == other
        if not (math.isfinite(one) and math.isfinite(other)):
            return False
        return abs(Fraction(one) - Fraction(other)) <= self._tolerance

    def _is_between(self, one: Content, held: Content, other: Content) -> bool:
        numbers = [each for each in (one, held, other) if isinstance(each, int | float) and math.isfinite(each)]
        if len(numbers) < 3:
            return False
        low, high = sorted((numbers[0], numbers[2]))
        return low <= numbers[1] <= high

    def summary(self) -> dict[str, object]:
        """For the JSON answer."""
        return {
            "state": None if self.state is None else self.state.value,
            "words": self.words,
            **{each.value: self.counts[each] for each in Became},
            "doubted": self.doubts,
            "late_ms_max": round(self.late_ns_max / 1e6, 3),
        }


Watched = Sequence[tuple[Watch, Cutting]]
"""What is cut out of one reply, and for whom."""


class Verification:
    """The verified values of one transfer, by their position."""

    def __init__(
        self,
        layout: TransferLayout,
        controller: Controller,
        members: Sequence[Sequence[int]],
        tell: Tell,
        losses: Callable[[], int],
    ) -> None:
        """``losses`` is the line's count of events after which the controller may have begun anew."""
        transfer = layout.transfer
        self.watches = {
            index: Watch(value, transfer.period_ns, tell)
            for index, value in enumerate(transfer.values)
            if value.verify_ns is not None
        }
        self._members = members
        self._max_age_ns = transfer.max_age_ns
        self._rank = rank_of(transfer.period_ns)
        self._outcomes: dict[int, Outcome] = {}
        """What became of the request that carried a value, by the value's position."""
        self._losses = 0
        self._losses_now = losses
        self._pending = 0
        self._reads = [
            ([(self.watches[cut.value], cutter_of(request, cut)) for cut in request.cuts], prepared)
            for request in layout.verify_reads
            for prepared in [prepare_read_of(controller, request)]
        ]

    @property
    def worst(self) -> str:
        """The first value that is not put any more, and why; an empty text if there is none."""
        return next((f"{each.name}: {each.words}" for each in self.watches.values() if each.is_stopped), "")

    @property
    def doubted(self) -> str:
        """The first value that is held back until its place was read once more; an empty text if there is none."""
        return next((f"{each.name}: {DOUBTED}" for each in self.watches.values() if each.is_doubted), "")

    def begin(self, now_ns: int, losses: int) -> None:
        """A cycle is about to write. ``losses`` as the line counts them."""
        is_lost = losses != self._losses
        self._losses = losses
        for watch in self.watches.values():
            is_old = any(at_ns is not None and now_ns - at_ns > self._max_age_ns for at_ns in watch.last_ns)
            # A doubt outlasts a loss: what spoke against us must not be written over because the line failed just then.
            if not watch.is_stopped and not watch.is_doubted and (is_lost or is_old):
                watch.forget()

    def look(self, submit: Callable[[Job], None], now_ns: Callable[[], int], done: Callable[[str], None]) -> None:
        """Read the places back. What cannot be read is no verdict, and holds nothing up but for its time-out."""
        wanted = [each for each in self._reads if not all(watch.is_stopped for watch, _ in each[0])]
        self._pending = len(wanted)
        if not wanted:
            done("")
            return

        def over(watched: Watched, outcome: Outcome | NotSent) -> None:
            # A controller that was lost while the reading waited may have begun anew: the next cycle looks again.
            is_lost = self._losses_now() != self._losses
            for watch, cut in watched:
                if watch.is_stopped or is_lost:
                    continue
                if isinstance(outcome, Reply):
                    watch.read(cut(outcome.payload), outcome.sent_ns)
                elif isinstance(outcome, Refusal):
                    watch.unreadable(outcome.code)
            self._pending -= 1
            if not self._pending:
                done("")

        for watched, read in wanted:
            submit(Job(read, partial(over, watched), is_write=False, rank=self._rank))

    def limit(self, puts: Sequence[bytes | None], now_ns: int) -> list[bytes | None]:
        """The puts without those that are stopped, and those whose place must be read once more."""
        for index, watch in self.watches.items():
            if puts[index] is not None:
                watch.wanted_ns = now_ns
        left_alone = {index for index, watch in self.watches.items() if watch.is_stopped or watch.is_doubted}
        return [None if index in left_alone else put for index, put in enumerate(puts)]

    def keep_to(self, chosen: Sequence[bytes | None]) -> None:
        """What is really written in this cycle."""
        for index, watch in self.watches.items():
            watch.asked = chosen[index]

    def tell(self, template: int, outcome: Outcome | NotSent) -> None:
        """A request of a template is over; it may have carried some of its values only."""
        if isinstance(outcome, NotSent):
            return
        assert outcome.prepared is not None, "a job's outcome has its request"
        bits, start, stop = touched(outcome.prepared)
        for index in self._members[template]:
            watch = self.watches.get(index)
            is_carried = watch is not None and start <= watch.span.start and watch.span.stop <= stop
            if watch is not None and is_carried and watch.span.table.is_bits is bits:
                self._outcomes[index] = outcome

    def settle(self, now_ns: int) -> None:
        """All requests are over."""
        for index, watch in self.watches.items():
            watch.wrote(self._outcomes.get(index), now_ns)
        self._outcomes.clear()


def prepare_read_of(controller: Controller, request: ReadRequest) -> Prepared:
    """What brings the content of the places."""
    span = request.span
    return prepare(controller.unit, READS[span.table.value](span.start, span.count))


def cutter_of(request: ReadRequest, cut: Cut) -> Cutting:
    """What takes one value out of the reply."""
    return (cut_bits if request.span.table.is_bits else cut_registers)(cut.offset, cut.count)


def shown(held: Content) -> str:
    """A register's content for people."""
    return f"{held:g}" if isinstance(held, float) else printable(str(held))
