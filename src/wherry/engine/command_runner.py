"""A command at work: asks on the lines what the decisions (``command``) want to know, one request after the other."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any, Final

from wherry.clock import LoopClock
from wherry.engine.building import conversion_of, prepare_read
from wherry.engine.command import NOT_CARRIED_OUT, Ask, Command, Conclusion, Outcome, Sent
from wherry.engine.line import NEVER_NS, Job, Line, NotSent, describe
from wherry.engine.reading import Cutter
from wherry.engine.writes import WriteTemplate
from wherry.packing.layout import ReadRequest, layout
from wherry.plan.model import Command as Declared
from wherry.plan.model import Plan, Span, Table
from wherry.protocol.pdu import WriteMultipleRegisters
from wherry.protocol.session import Outcome as Answer
from wherry.protocol.session import Prepared, Refusal, Reply, prepare
from wherry.timing.order import rank_of

Then = Callable[[bytes], None]
"""Goes on with the payload of a reply."""
OnConcluded = Callable[["CommandRunner", Conclusion | None], None]
"""Told of each request that has ended; None: of the one that stood there before the start."""


class CommandRunner:
    """One command of the plan. Released each period; ``state`` has its counts."""

    def __init__(
        self,
        declared: Declared,
        plan: Plan,
        lines: Mapping[str, Line],
        *,
        armed: frozenset[str],
        clock: LoopClock,
        on_concluded: OnConcluded,
    ) -> None:
        self.declared = declared
        self.skipped_overrun = 0
        """Periods in which the requests of the one before were still under way."""
        self.is_stopping = False
        self.is_at_rest = True
        """No request of it is under way."""
        self._source, self._destination = lines[declared.source], lines[declared.destination]
        self._clock = clock
        self._rank = rank_of(declared.period_ns)
        self._on_concluded = on_concluded
        transfer = declared.as_transfer
        (sweep,) = layout(Plan("", plan.controllers, (transfer,)))
        (laid_out,) = sweep.transfers
        self._value_reads = [prepare_read(self._source.controller, each) for each in sweep.reads]
        self._cutter = Cutter(laid_out, 0, sweep.reads, [conversion_of(value) for value in transfer.values])
        self._templates = [WriteTemplate(self._destination.controller, transfer, each) for each in laid_out.writes]
        self._puts: list[bytes | None] = []
        self._request = self._read_of(self._source, declared.request.span)
        self._acknowledge = self._read_of(self._destination, declared.acknowledge.span)
        self._put = self._read_of(self._destination, declared.put.span)
        self._result = None if declared.result is None else self._read_of(self._destination, declared.result.span)
        self._answered: Prepared | None = None
        self._answer: Prepared | None = None
        if declared.answer is not None:
            self._answered = self._read_of(self._source, Span(Table.HOLDING, declared.answer.start, 1))
            request = WriteMultipleRegisters(declared.answer.start, bytes(2 * declared.answer.count))
            self._answer = prepare(self._source.controller.unit, request)
        needs = {declared.destination, *([declared.source] if declared.answer is not None else [])}
        self.is_armed = needs <= armed
        self.state = Command(
            declared.expiry_ns,
            has_values=bool(declared.values),
            has_own_writes=len(self._templates) > 1,
            has_result=declared.result is not None,
            has_answer=declared.answer is not None,
            is_armed=self.is_armed,
        )

    @staticmethod
    def _read_of(line: Line, span: Span) -> Prepared:
        return prepare_read(line.controller, ReadRequest(span, ()))

    def release(self, due_ns: int, missed: int, now_ns: int) -> None:
        """Begin a period, unless the one before is not over."""
        self.skipped_overrun += missed
        if not self.is_at_rest:
            self.skipped_overrun += 1
            return
        self.state.release()
        self._go_on()

    def _go_on(self) -> None:
        """Ask what is wanted next; rest when that is nothing."""
        state = self.state
        ask = None if self.is_stopping else state.next(self._clock.now_ns())
        for conclusion in state.take_concluded():
            self._on_concluded(self, conclusion)
        self.is_at_rest = ask is None
        if ask is not None:
            _STEPS[ask](self)

    # Reading.

    def _read(self, line: Line, prepared: Prepared, then: Then) -> None:
        """Read, and go on with the payload; without one the period is over."""

        def done(outcome: Answer | NotSent) -> None:
            if isinstance(outcome, Reply) and not line.is_barred:
                then(outcome.payload)
            self._go_on()

        line.submit(Job(prepared, done, is_write=False, rank=self._rank))

    def _read_request(self) -> None:
        def done(outcome: Answer | NotSent) -> None:
            # What another device than the plan names holds there is no request.
            if isinstance(outcome, Reply) and not self._source.is_barred:
                was_starting = self.state.stood_before is None
                self.state.seen_request(_number(outcome.payload), outcome.sent_ns)
                self._tell_what_stood_there(was_starting)
            self._go_on()

        self._source.submit(Job(self._request, done, is_write=False, rank=self._rank))

    def _read_answered(self) -> None:
        def then(payload: bytes) -> None:
            self.state.seen_answered(_number(payload))
            self._tell_what_stood_there(True)

        assert self._answered is not None
        self._read(self._source, self._answered, then)

    def _tell_what_stood_there(self, was_starting: bool) -> None:
        if was_starting and self.state.stood_before:
            self._on_concluded(self, None)

    def _read_values(self) -> None:
        """All parameters, one request after the other, and then the number once more: it must be the same."""
        cutter = self._cutter
        cutter.start()
        waiting = list(enumerate(self._value_reads))

        def go_on() -> None:
            if not waiting:
                self._read(self._source, self._request, confirm)
                return
            position, prepared = waiting.pop(0)

            def done(outcome: Answer | NotSent) -> None:
                if isinstance(outcome, Reply):
                    cutter.take(position, outcome.payload, outcome.sent_ns)
                    go_on()
                else:
                    self._go_on()

            self._source.submit(Job(prepared, done, is_write=False, rank=self._rank))

        def confirm(payload: bytes) -> None:
            self._puts = [*cutter.puts(None)[:-1], payload]
            self.state.seen_values(cutter.worst()[1] if None in self._puts else "", _number(payload))

        go_on()

    def _read_receiver(self) -> None:
        def done(outcome: Answer | NotSent) -> None:
            if isinstance(outcome, Reply):
                acknowledged = _number(outcome.payload)
                self._read(
                    self._destination, self._put, lambda put: self.state.seen_receiver(acknowledged, _number(put))
                )
            else:
                self._go_on()

        self._destination.submit(Job(self._acknowledge, done, is_write=False, rank=self._rank))

    def _read_acknowledge(self) -> None:
        self._read(self._destination, self._acknowledge, lambda payload: self.state.seen_acknowledge(_number(payload)))

    def _read_result(self) -> None:
        assert self._result is not None
        self._read(self._destination, self._result, lambda payload: self.state.seen_result(_number(payload)))

    # Writing.

    def _put_values(self) -> None:
        """The parameters that have requests of their own, one after the other."""
        waiting = [job for each in self._templates[:-1] for job in each.jobs(self._puts, None, _never)]

        def go_on(outcome: Answer | NotSent) -> None:
            sent = sent_of(outcome)
            if sent is not Sent.DONE:
                self.state.values_put(sent, describe(outcome))
            elif waiting:
                self._submit_write(waiting.pop(0), go_on)
                return
            else:
                self.state.values_put(Sent.DONE, "")
            self._go_on()

        self._submit_write(waiting.pop(0), go_on)

    def _put_number(self) -> None:
        puts = self._puts if self.declared.values else [self.state.number.to_bytes(2, "big")]
        (job,) = self._templates[-1].jobs(puts, None, _never)

        def done(outcome: Answer | NotSent) -> None:
            self.state.number_put(sent_of(outcome), describe(outcome))
            self._go_on()

        self._submit_write(job, done)

    def _submit_write(self, job: Job, done: Callable[[Answer | NotSent], None]) -> None:
        job.done = done
        job.expires_ns = self.state.until_ns
        self._destination.submit(job)

    def _put_answer(self) -> None:
        told = self.state.answer
        assert told is not None
        assert self._answer is not None
        words = (told.number, int(told.outcome), told.result)
        data = b"".join(word.to_bytes(2, "big") for word in words)

        def done(outcome: Answer | NotSent) -> None:
            if isinstance(outcome, Reply):
                self.state.answer_put(told)
            self._go_on()

        job = Job(self._answer.with_data(data), done, is_write=True, rank=self._rank)
        job.expires_ns = NEVER_NS
        self._source.submit(job)

    def summary(self) -> dict[str, Any]:
        """The figures, with stable keys (docs/commands.md)."""
        state, last = self.state, self.state.last
        return {
            "from": self.declared.source,
            "to": self.declared.destination,
            "period_ms": self.declared.period_ns / 1e6,
            "expiry_ms": self.declared.expiry_ns / 1e6,
            "armed": self.is_armed,
            "requested": state.requested,
            **{outcome.name.lower(): state.counts[outcome] for outcome in Outcome},
            "pending": state.pending,
            "phase": state.phase.value,
            "stood_before": state.stood_before,
            "unanswered": int(state.answer is not None),
            "skipped_overrun": self.skipped_overrun,
            "last_number": None if last is None else last.number,
            "last_outcome": None if last is None else last.outcome.name.lower(),
            "last_result": None if last is None else last.result,
            "last_reason": None if last is None else last.reason,
        }


_STEPS: Final[Mapping[Ask, Callable[[CommandRunner], None]]] = {
    Ask.REQUEST: CommandRunner._read_request,
    Ask.ANSWERED: CommandRunner._read_answered,
    Ask.VALUES: CommandRunner._read_values,
    Ask.RECEIVER: CommandRunner._read_receiver,
    Ask.PUT_VALUES: CommandRunner._put_values,
    Ask.PUT_NUMBER: CommandRunner._put_number,
    Ask.ACKNOWLEDGE: CommandRunner._read_acknowledge,
    Ask.RESULT: CommandRunner._read_result,
    Ask.PUT_ANSWER: CommandRunner._put_answer,
}


def sent_of(outcome: Answer | NotSent) -> Sent:
    """What is certain about a write after this."""
    if isinstance(outcome, Reply):
        return Sent.DONE
    if isinstance(outcome, NotSent):
        return Sent.REFUSED if outcome is NotSent.GUARD else Sent.NOT_SENT
    return Sent.REFUSED if isinstance(outcome, Refusal) and outcome.code in NOT_CARRIED_OUT else Sent.UNSURE


def _number(payload: bytes) -> int:
    return int.from_bytes(payload, "big")


def _never(outcome: Answer | NotSent) -> None:
    raise AssertionError("replaced before the job is submitted")


def build_commands(
    plan: Plan,
    lines: Mapping[str, Line],
    *,
    armed: frozenset[str],
    clock: LoopClock,
    on_concluded: OnConcluded,
) -> Sequence[CommandRunner]:
    """The commands of a plan, ready to work."""
    return [
        CommandRunner(each, plan, lines, armed=armed, clock=clock, on_concluded=on_concluded) for each in plan.commands
    ]
