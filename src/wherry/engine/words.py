"""Bits inside a register, for devices without the mask write (function 16 hex): read, change, write, read back.

Between our reading of the word and our writing of it somebody else may change another bit, and our write then puts the
old one back. No request tells that this has happened. So it is done only with words that the plan declares as its own
(``owned``), one exchange at a time for each word, with nothing of ours in between; and each exchange looks whether the
word still is as the last one left it. If it is not, somebody else writes into it: updates of his may have been lost
already, and will be. From then on the word is left alone, and every write of it fails and says why. Losing an update
leaves a trace: what was put back is not what its owner will find, so the word differs with his next change at the
latest. Only changes that undo each other before we look again stay unseen.

A write of ours that was not answered may still take effect, also after later ones: a word that holds exactly what such
a write has put is nobody else's doing.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from functools import partial
from typing import Any, Final

from wherry.clock import LoopClock
from wherry.engine.command import NOT_CARRIED_OUT
from wherry.engine.line import NEVER_NS, Job, Line, NotSent, Overwritten
from wherry.engine.verification import MAYBE_NS
from wherry.plan.model import Controller
from wherry.protocol.functions import FunctionCode
from wherry.protocol.pdu import ReadHoldingRegisters, Request, WriteMultipleRegisters, WriteSingleRegister
from wherry.protocol.session import Outcome, Prepared, Refusal, Reply, prepare

WORD: Final = 0xFFFF
OnForeign = Callable[[int, int, bool], None]
"""Told of a word that somebody else has changed: its address, the bits, and whether it was right after our write."""


class Merged:
    """What several mask writes to one word do together, in their order."""

    __slots__ = ("changed", "ones")

    def __init__(self, masks: Iterable[tuple[int, int]]) -> None:
        """``masks`` are (AND mask, OR mask) as in function 16 hex (V1.1b3, 6.16): bits at 1 in the first one stay."""
        self.changed = self.ones = 0
        for and_mask, or_mask in masks:
            mine = ~and_mask & WORD
            self.changed |= mine
            self.ones = self.ones & ~mine | or_mask & mine

    def applied(self, word: int) -> int:
        """The word with these bits changed, and all others as they were."""
        return word & ~self.changed & WORD | self.ones


class Word:
    """One register whose bits we set. One exchange at a time; what comes meanwhile goes together in the next one."""

    def __init__(
        self,
        address: int,
        controller: Controller,
        submit: Callable[[Job], None],
        clock: LoopClock,
        *,
        losses: Callable[[], int],
        on_foreign: OnForeign,
    ) -> None:
        """``losses`` counts lost connections and silences: after each of them the word may hold anything."""
        self.address = address
        self.foreign_changes = 0
        """How often somebody else had changed it."""
        self.is_left_alone = False
        self._losses = losses
        self._on_foreign = on_foreign
        self._submit = submit
        self._now_ns = clock.now_ns
        self._waiting: list[Job] = []
        self._jobs: list[Job] = []
        self._merged = Merged(())
        self._left: int | None = None
        self._left_losses = 0
        self._maybe: dict[int, int] = {}
        """Words that a write of ours would have put that was not answered, and when that was given up last."""
        self._before = self._wanted = 0
        self._reply: Reply | None = None
        unit = controller.unit
        read = prepare(unit, ReadHoldingRegisters(address, 1))
        # The read belongs to the write that follows, so it has its place in the queue.
        self._read = Job(read, self._read_done, is_write=True)
        self._read_back = Job(read, self._read_back_done, is_write=True)
        request: Request = (
            WriteSingleRegister(address, 0) if controller.write_single else WriteMultipleRegisters(address, b"\0\0")
        )
        self._write = Job(prepare(unit, request), self._write_done, is_write=True)

    def take(self, job: Job) -> None:
        """A mask write that is to be done."""
        self._waiting.append(job)
        if not self._jobs:
            self._begin()

    def trust_again(self) -> None:
        """Somebody has looked after it: the word is ours alone now."""
        self.is_left_alone = False
        self._left = None

    def _begin(self) -> None:
        now_ns = self._now_ns()
        waiting, self._waiting = self._waiting, []
        why_not = NotSent.FOREIGN if self.is_left_alone else NotSent.AGED
        jobs = [job for job in waiting if job.expires_ns > now_ns and not self.is_left_alone]
        if jobs:
            self._jobs = jobs
            self._merged = Merged(masks_of(job.prepared) for job in jobs)
            self._read.expires_ns = self._write.expires_ns = min(job.expires_ns for job in jobs)
            self._read.rank = self._write.rank = self._read_back.rank = min(job.rank for job in jobs)
            self._submit(self._read)
        for job in waiting:
            if job not in jobs:
                job.done(why_not)

    def _read_done(self, outcome: Outcome | NotSent) -> None:
        if not isinstance(outcome, Reply):
            self._end(outcome)
            return
        word = int.from_bytes(outcome.payload, "big")
        is_known = self._left is not None and self._left_losses == self._losses()
        if is_known and word != self._left and not self._may_be_ours(word):
            assert self._left is not None
            self._found_foreign(word ^ self._left, after_write=False)
            self._end(NotSent.FOREIGN)
            return
        self._before, self._wanted = word, self._merged.applied(word)
        if self._wanted == word:
            # It holds these bits already, and has just said so.
            self._left, self._left_losses = word, self._losses()
            self._end(outcome)
            return
        self._write.prepared = self._write.prepared.with_data(self._wanted.to_bytes(2, "big"))
        self._submit(self._write)

    def _write_done(self, outcome: Outcome | NotSent) -> None:
        if not isinstance(outcome, Reply):
            if not isinstance(outcome, NotSent):
                self._left = None
                if not (isinstance(outcome, Refusal) and outcome.code in NOT_CARRIED_OUT):
                    self._forget_maybe()
                    self._maybe[self._wanted] = self._now_ns()
            self._end(outcome)
            return
        self._reply = outcome
        self._read_back.expires_ns = NEVER_NS
        self._submit(self._read_back)

    def _read_back_done(self, outcome: Outcome | NotSent) -> None:
        written, self._reply = self._reply, None
        assert written is not None
        self._left = None
        if isinstance(outcome, Reply):
            word = int.from_bytes(outcome.payload, "big")
            if word == self._wanted:
                self._left, self._left_losses = word, self._losses()
                self._end(written)
                return
            if word != self._before and not self._may_be_ours(word):
                self._found_foreign(word ^ self._wanted, after_write=True)
        self._end(Overwritten(written.prepared, written.tag, written.sent_ns))

    def _may_be_ours(self, word: int) -> bool:
        """Whether a write that was not answered would have put this."""
        self._forget_maybe()
        return word in self._maybe

    def _forget_maybe(self) -> None:
        since_ns = self._now_ns() - MAYBE_NS
        self._maybe = {word: at_ns for word, at_ns in self._maybe.items() if at_ns >= since_ns}

    def _found_foreign(self, bits: int, *, after_write: bool) -> None:
        self.foreign_changes += 1
        self.is_left_alone = True
        self._on_foreign(self.address, bits, after_write)

    def _end(self, outcome: Outcome | NotSent) -> None:
        jobs, self._jobs = self._jobs, []
        for job in jobs:
            job.done(outcome)
        if self._waiting and not self._jobs:
            self._begin()


class WordLine(Line):
    """A line to a controller whose bits in registers are set by read, change and write."""

    def __init__(self, *arguments: Any, on_foreign: Callable[[Line, int, int, bool], None], **more: Any) -> None:
        """As a line. ``on_foreign(line, address, bits, after_write)`` hears of each change by somebody else."""
        super().__init__(*arguments, **more)
        self.words: dict[int, Word] = {}
        """The words whose bits were set, by address."""
        self._on_foreign = on_foreign

    @property
    def foreign_changes(self) -> int:
        """How often somebody else had changed one of the words."""
        return sum(word.foreign_changes for word in self.words.values())

    def submit(self, job: Job) -> None:
        """The same; a mask write becomes an exchange of its own."""
        if job.prepared.function == FunctionCode.MASK_WRITE_REGISTER:
            self._word(int.from_bytes(job.prepared.pdu[1:3], "big")).take(job)
        else:
            super().submit(job)

    def _word(self, address: int) -> Word:
        word = self.words.get(address)
        if word is None:
            word = self.words[address] = Word(
                address,
                self.controller,
                super().submit,
                self._clock,
                losses=lambda: self.losses,
                on_foreign=partial(self._on_foreign, self),
            )
        return word


def masks_of(prepared: Prepared) -> tuple[int, int]:
    """The AND mask and the OR mask of a mask write."""
    pdu = prepared.pdu
    return int.from_bytes(pdu[3:5], "big"), int.from_bytes(pdu[5:7], "big")
