"""Deliberate breaks of the engine: each must be found, by the judge of the promise that it breaks.

Each break is made by patching the engine from outside, and comes with the faults that bring it to light; with the same
faults the unbroken engine must pass. ``docs/rehearse-checks.md`` lists them with what found them.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pytest

from wherry.engine import link as link_module
from wherry.engine.approach import Approach, Target
from wherry.engine.carry import Carry
from wherry.engine.command import Command, Sent
from wherry.engine.events import EventKind
from wherry.engine.guard import Guard
from wherry.engine.line import NEVER_NS, Job, Line, NotSent
from wherry.engine.link import Link
from wherry.engine.liveness import Liveness
from wherry.engine.runner import Engine
from wherry.engine.sweep import SweepRunner
from wherry.engine.writes import WriteTemplate
from wherry.plan import loads
from wherry.plan.model import Plan
from wherry.protocol import session as session_module
from wherry.protocol.pdu import WriteMultipleRegisters
from wherry.protocol.session import ClientSession, TimedOut, prepare
from wherry.rehearse.jury import NAMES
from wherry.rehearse.scenario import rehearse
from wherry.simulate.fault_kinds import FaultKind, FaultParameters, FaultPlan, PlannedFault
from wherry.values.quality import Quality

DOCUMENT = Path(__file__).parents[2] / "docs" / "rehearse-checks.md"
S = 1_000_000_000
MS = 1_000_000

PLAN = """
title = "Trout tanks"

[controller.skid]
connect = "tcp://10.20.0.11"
limits  = { gap = "3 ms", timeout = "300 ms" }

[controller.hall]
connect = "tcp://10.20.0.12"
limits  = { rate = 60, timeout = "300 ms" }

[transfer.water]
from    = "skid"
to      = "hall"
every   = "200 ms"
max_age = "1 s"
on_loss = "substitute"
alive   = "holding 9"
status  = "holding 90"
values  = [
  { name = "oxygen", take = "holding 0 float32", put = "holding 100 int16", scale = [0, 2, 0, 200], substitute = -1 },
  { name = "water made good", take = "holding 4 uint32", put = "holding 110 uint32", substitute = 1 },
]
[[controller.skid.simulate.signals]]
at = "holding 0 float32"
shape = "sine"
low = 2
high = 18
period = "20 s"
[[controller.skid.simulate.signals]]
at = "holding 4 uint32"
shape = "ramp"
low = 0
high = 900000
period = "60 s"
"""
"""Both values are another number in every reading, so that it can be told which reading a written value is."""


@dataclass(frozen=True)
class Break:
    """One break. ``make`` patches the engine; ``caught`` are the judges that must find it, all of them."""

    name: str
    caught: tuple[str, ...]
    make: Callable[[pytest.MonkeyPatch], None]
    faults: FaultPlan = ()
    seconds: int = 120
    change: tuple[str, str] | None = None
    """What of the plan is replaced, so that the break shows."""

    @property
    def plan_text(self) -> str:
        return PLAN if self.change is None else PLAN.replace(*self.change)


def fault(
    kind: FaultKind, controller: str, start_s: float, end_s: float, share: float = 1.0, delay_ms: int = 0
) -> PlannedFault:
    parameters = FaultParameters(share, delay_ms * MS)
    return PlannedFault(round(start_s * S), round(end_s * S), kind, controller, parameters)


OTHER_UNIT = (fault(FaultKind.ADDRESSING, "skid", 5, 40, 0.3),)
FROZEN_SKID = (fault(FaultKind.FROZEN, "skid", 20, 40),)
LATE = (fault(FaultKind.DELAY, "skid", 5, 40, 0.3, 310),)
SLOW_HALL = (fault(FaultKind.SLOW, "hall", 5, 40, 1.0, 250),)
SLOW_BOTH = (*SLOW_HALL, fault(FaultKind.SLOW, "skid", 5, 40, 1.0, 250))
SLOW_AND_LOST = (*SLOW_HALL, fault(FaultKind.SOURCE_KILLED, "skid", 20, 30))
LOST_REPLIES = (fault(FaultKind.LOSS, "hall", 5, 40, 0.2),)
LOST_COMMANDS = (fault(FaultKind.LOSS, "hall", 5, 1600, 0.3),)
FEED = (
    'title = "Trout tanks"\n',
    """title = "Trout tanks"
[command.feed]
from = "skid"
to = "hall"
every = "200 ms"
request = "holding 20"
values = [{ name = "portion", take = "holding 21", put = "holding 39", unit = "g", range = [1, 500] }]
put = "holding 40"
acknowledge = "holding 50"
result = "holding 51"
answer = "holding 30"
expiry = "3 s"
""",
)
STEP = ("substitute = -1 }", "substitute = -1, step = 0.5 }")
NO_SKID = (fault(FaultKind.SOURCE_KILLED, "skid", 20, 40),)
NO_HALL = (fault(FaultKind.REFUSED, "hall", 10, 50),)


# Replies.


def ignore_transaction_ids(patch: pytest.MonkeyPatch) -> None:
    original = ClientSession.receive

    def receive(self: ClientSession, data: bytes, now_ns: int) -> Any:
        waiting = list(self._waiting)
        if waiting and data[:2] not in self._waiting:
            data = waiting[0] + data[2:]
        return original(self, data, now_ns)

    patch.setattr(ClientSession, "receive", receive)


def accept_late_replies(patch: pytest.MonkeyPatch) -> None:
    original = ClientSession.send

    def send(self: ClientSession, prepared: Any, now_ns: int, deadline_ns: int, tag: object = None) -> bytes:
        return original(self, prepared, now_ns, now_ns + 3 * (deadline_ns - now_ns), tag)

    patch.setattr(ClientSession, "send", send)


def ignore_unit(patch: pytest.MonkeyPatch) -> None:
    answer = session_module._answer
    patch.setattr(session_module, "_answer", lambda prepared, _unit, pdu: answer(prepared, prepared.unit, pdu))


# Freshness.


def write_after_max_age(patch: pytest.MonkeyPatch) -> None:
    def submit(self: Carry, jobs: Any) -> None:
        self._pending = len(jobs)
        for job in jobs:
            job.expires_ns = NEVER_NS
            self.destination.submit(job)

    patch.setattr(Carry, "_submit", submit)


def retry_from_memory(patch: pytest.MonkeyPatch) -> None:
    original = Line.submit

    def submit(self: Line, job: Job) -> None:
        done = job.done

        def again(outcome: Any) -> None:
            if isinstance(outcome, TimedOut) and job.is_write:
                job.done = done
                original(self, job)
            else:
                done(outcome)

        job.done = again if job.is_write else done
        original(self, job)

    patch.setattr(Line, "submit", submit)


def swap_words(patch: pytest.MonkeyPatch) -> None:
    original = WriteTemplate.jobs

    def jobs(self: WriteTemplate, puts: Any, status: Any, done: Any) -> Any:
        swapped = [put if put is None or len(put) != 4 else put[2:] + put[:2] for put in puts]
        return original(self, swapped, status, done)

    patch.setattr(WriteTemplate, "jobs", jobs)


def leave_late(patch: pytest.MonkeyPatch) -> None:
    """Now and then a request is kept, and leaves only after that of the next cycle."""
    original = Line.submit
    kept: list[Job] = []
    turn = [0]

    def submit(self: Line, job: Job) -> None:
        if not job.is_write or job.age_at is not None:
            original(self, job)
            return
        turn[0] += 1
        if turn[0] % 40 == 0 and not kept:
            kept.append(Job(job.prepared, lambda _outcome: None, is_write=True, rank=job.rank))
            job.done(NotSent.AGED)
            return
        original(self, job)
        if kept and turn[0] % 40 == 2:
            original(self, kept.pop())

    patch.setattr(Line, "submit", submit)


# Places.


def queue_while_down(patch: pytest.MonkeyPatch) -> None:
    """What cannot be sent is kept, and sent when the connection is there again."""
    original, original_made = Line.submit, Link.connected
    waiting: list[tuple[Line, Job]] = []

    def submit(self: Line, job: Job) -> None:
        if not self.is_up and job.is_write:
            waiting.append((self, Job(job.prepared, lambda _outcome: None, is_write=True, rank=job.rank)))
        original(self, job)

    def connected(self: Link, transport: Any) -> None:
        original_made(self, transport)
        for line, job in [each for each in waiting if each[0].link is self]:
            waiting.remove((line, job))
            original(line, job)

    patch.setattr(Line, "submit", submit)
    patch.setattr(Link, "connected", connected)


def write_beside(patch: pytest.MonkeyPatch) -> None:
    """The layout is one off now and then, and nothing stands behind it."""
    original = WriteTemplate._prepare
    turn = [0]

    def prepare(self: WriteTemplate, offset: int, count: int) -> Any:
        turn[0] += 1
        return original(self, offset + (1 if turn[0] == 2 else 0), count)

    patch.setattr(WriteTemplate, "_prepare", prepare)
    patch.setattr(Guard, "permits", lambda _self, _frame: True)


def write_beside_behind_the_guard(patch: pytest.MonkeyPatch) -> None:
    original = WriteTemplate._prepare
    turn = [0]

    def prepare(self: WriteTemplate, offset: int, count: int) -> Any:
        turn[0] += 1
        return original(self, offset + (1 if turn[0] == 2 else 0), count)

    patch.setattr(WriteTemplate, "_prepare", prepare)


def meet_never(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(link_module, "meet", lambda _one, _other: False)


def split_values(patch: pytest.MonkeyPatch) -> None:
    original = WriteTemplate.jobs

    def jobs(self: WriteTemplate, puts: Any, status: Any, done: Any) -> Any:
        made: list[Job] = []
        for job in original(self, puts, status, done):
            data = job.prepared.data
            if len(data) == 4 and status is None:
                start = self._request.span.start
                for part in (0, 1):
                    request = write_of(start + part, data[2 * part : 2 * part + 2])
                    last = part == 1
                    made.append(
                        Job(request, job.done if last else (lambda _outcome: None), is_write=True, rank=job.rank)
                    )
            else:
                made.append(job)
        return made

    patch.setattr(WriteTemplate, "jobs", jobs)


def write_of(address: int, data: bytes) -> Any:
    return prepare(1, WriteMultipleRegisters(address, data))


# Politeness.


def ignore_gap(patch: pytest.MonkeyPatch) -> None:
    original = Link.__init__

    def init(self: Link, *arguments: Any) -> None:
        original(self, *arguments)
        self._gap_ns = 0
        self._is_paced = bool(self._spacing_ns)

    patch.setattr(Link, "__init__", init)


def two_in_flight(patch: pytest.MonkeyPatch) -> None:
    original = Link._new_session

    def new_session(self: Link) -> ClientSession:
        self.limits = replace(self.limits, in_flight=2)
        return original(self)

    patch.setattr(Link, "_new_session", new_session)


def no_back_off(patch: pytest.MonkeyPatch) -> None:
    original = Link._schedule_connect
    patch.setattr(Link, "_schedule_connect", lambda self, _wait_ns: original(self, 20 * MS))


def no_jitter(patch: pytest.MonkeyPatch) -> None:
    original = Link._went_down

    def went_down(self: Link, reason: str, **options: bool) -> None:
        patch.setattr(self._rng, "uniform", lambda _low, _high: 1.0)
        original(self, reason, **options)

    patch.setattr(Link, "_went_down", went_down)


def ignore_rate(patch: pytest.MonkeyPatch) -> None:
    original = Link.__init__

    def init(self: Link, *arguments: Any) -> None:
        original(self, *arguments)
        self._spacing_ns = 0
        self._is_paced = bool(self._gap_ns)

    patch.setattr(Link, "__init__", init)


# Loss.


def good_before_the_first_read(patch: pytest.MonkeyPatch) -> None:
    original = Engine._line_changed

    def changed(self: Engine, line: Line, is_up: bool, reason: str) -> None:
        original(self, line, is_up, reason)
        for carry in self.carries:
            if is_up and line.controller.name == carry.transfer.source:
                carry.quality = Quality.GOOD
                carry.delivered_sample_ns = self.now_ns()
                carry._write_status(self.now_ns())

    patch.setattr(Engine, "_line_changed", changed)


def beat_without_the_loop(patch: pytest.MonkeyPatch) -> None:
    original = SweepRunner.release

    def release(self: SweepRunner, due_ns: int, missed: int, now_ns: int) -> None:
        if now_ns < 30 * S:
            original(self, due_ns, missed, now_ns)
            return
        for carry in self.carries:
            carry.scheduled += 1
            carry.skipped_overrun += 1
            carry.delivered_sample_ns = now_ns
            carry._write_status(now_ns)

    patch.setattr(SweepRunner, "release", release)


def understate_age(patch: pytest.MonkeyPatch) -> None:
    original = Job.tell_age

    def tell_age(self: Job, now_ns: int) -> None:
        if self.sample_ns is not None:
            self.sample_ns = now_ns
        original(self, now_ns)

    patch.setattr(Job, "tell_age", tell_age)


def believe_a_frozen_program(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(Liveness, "judge", lambda _self, _data, _sample_ns: "")


def no_heartbeat_while_lost(patch: pytest.MonkeyPatch) -> None:
    original = Carry._write_status

    def write_status(self: Carry, now_ns: int) -> None:
        if self.quality is not Quality.BAD or self._status_told is not Quality.BAD or self.is_stopping:
            original(self, now_ns)

    patch.setattr(Carry, "_write_status", write_status)


# Counts, bounds, records, liveness.


def count_twice(patch: pytest.MonkeyPatch) -> None:
    original = Carry._conclude

    def conclude(self: Carry, now_ns: int) -> None:
        if not self._failure:
            self.delivered += 1
        original(self, now_ns)

    patch.setattr(Carry, "_conclude", conclude)


def count_failures_as_delivered(patch: pytest.MonkeyPatch) -> None:
    def count_failure(self: Carry) -> None:
        self.delivered += 1

    patch.setattr(Carry, "_count_failure", count_failure)


def take_lost_commands_as(sent: Sent) -> Callable[[pytest.MonkeyPatch], None]:
    """What became of the write of a number is not known: take it as known."""

    def make(patch: pytest.MonkeyPatch) -> None:
        put, seen = Command.number_put, Command.seen_receiver
        patch.setattr(Command, "number_put", lambda self, by, why: put(self, sent if by is Sent.UNSURE else by, why))
        patch.setattr(Command, "seen_receiver", lambda self, _acknowledged, _put: seen(self, 0, 0))

    return make


write_commands_again = take_lost_commands_as(Sent.NOT_SENT)
refuse_without_reply = take_lost_commands_as(Sent.REFUSED)


def keep_everything(patch: pytest.MonkeyPatch) -> None:
    original = Link.data_received

    def data_received(self: Link, data: bytes) -> None:
        kept = self.__dict__.setdefault("kept", [])
        kept += [bytes(data), (self.now_ns(), data[:2]), [data[2:]]]
        original(self, data)

    patch.setattr(Link, "data_received", data_received)


def forget_to_record(patch: pytest.MonkeyPatch) -> None:
    original = Engine._tell

    def tell(self: Engine, kind: EventKind, subject: str, message: str, **details: Any) -> None:
        if kind is not EventKind.TRANSFER_QUALITY or details["quality"]:
            original(self, kind, subject, message, **details)

    patch.setattr(Engine, "_tell", tell)


def forget_lost_lines(patch: pytest.MonkeyPatch) -> None:
    original = Engine._tell

    def tell(self: Engine, kind: EventKind, subject: str, message: str, **details: Any) -> None:
        if kind is not EventKind.LINE_DOWN:
            original(self, kind, subject, message, **details)

    patch.setattr(Engine, "_tell", tell)


def show_before_recording(patch: pytest.MonkeyPatch) -> None:
    original = Engine.__init__

    def init(self: Engine, plan: Plan, network: Any, **options: Any) -> None:
        options["listeners"] = tuple(reversed(options["listeners"]))
        original(self, plan, network, **options)

    patch.setattr(Engine, "__init__", init)


def give_up(patch: pytest.MonkeyPatch) -> None:
    original = Link._schedule_connect

    def schedule(self: Link, wait_ns: int) -> None:
        if self.connects < 3:
            original(self, wait_ns)

    patch.setattr(Link, "_schedule_connect", schedule)


def stumble(patch: pytest.MonkeyPatch) -> None:
    original = Carry._age_passed

    def age_passed(self: Carry) -> None:
        if self.quality is Quality.UNCERTAIN:
            raise ZeroDivisionError("a fault of ours")
        original(self)

    patch.setattr(Carry, "_age_passed", age_passed)


def forget_the_step(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(Target, "limit", lambda self, data, now_ns: (data, ""))


def write_before_looking(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(Approach, "look", lambda self, submit, done: done(""))
    forget_the_step(patch)


BREAKS: tuple[Break, ...] = (
    Break("the transaction id of a reply is not looked at", ("right reply",), ignore_transaction_ids, LATE),
    Break("a reply is accepted after its time-out", ("right reply",), accept_late_replies, LATE),
    Break("the unit id of a reply is not looked at", ("right reply",), ignore_unit, OTHER_UNIT),
    Break(
        "a value is written after `max_age`",
        ("fresh",),
        write_after_max_age,
        SLOW_BOTH,
        change=('max_age = "1 s"', 'max_age = "450 ms"'),
    ),
    Break("a write that was not answered is sent again", ("fresh",), retry_from_memory, LOST_REPLIES),
    Break("what cannot be sent is queued until it can", ("fresh",), queue_while_down, NO_HALL),
    Break("the words of a value change places", ("fresh",), swap_words),
    Break("a step that is too long is written all the same", ("bump",), forget_the_step, NO_SKID, change=STEP),
    Break("a place is written before anybody has looked at it", ("bump",), write_before_looking, change=STEP),
    Break("a write leaves after that of the next cycle", ("in order",), leave_late),
    Break(
        "two writes to one place are under way at once",
        ("in order",),
        meet_never,
        SLOW_AND_LOST,
        change=("rate = 60,", "in_flight = 4,"),
    ),
    Break("a write goes beside its place, and the guard is skipped", ("guard",), write_beside),
    Break("a write goes beside its place, and the guard stops it", ("guard",), write_beside_behind_the_guard),
    Break("a value of two registers is written in two requests", ("torn",), split_values),
    Break("the gap between two requests is not kept", ("polite",), ignore_gap),
    Break("the requests per second are not kept", ("polite",), ignore_rate, change=("rate = 60", "rate = 10")),
    Break("two requests are in flight where one is allowed", ("polite",), two_in_flight),
    Break("connecting is tried again without waiting longer", ("polite",), no_back_off, NO_HALL),
    Break("the waits before connecting have no jitter", ("polite",), no_jitter, NO_HALL),
    Break("Good is told after a return, before the first reading", ("loss",), good_before_the_first_read, NO_SKID),
    Break("the heartbeat goes on when the exchange has stopped", ("loss",), beat_without_the_loop),
    Break("the age that is told is less than the true one", ("loss",), understate_age, SLOW_HALL),
    Break("a source whose own counter stands still is believed", ("loss",), believe_a_frozen_program, FROZEN_SKID),
    Break("the heartbeat stops while the source is lost", ("loss",), no_heartbeat_while_lost, NO_SKID),
    Break("a delivery is counted twice", ("counted",), count_twice),
    Break("a failure is counted as a delivery", ("counted",), count_failures_as_delivered, LOST_REPLIES),
    Break("a command whose reply is lost is written again", ("once",), write_commands_again, LOST_COMMANDS, 1800, FEED),
    Break("a command without a reply is called refused", ("once",), refuse_without_reply, LOST_COMMANDS, 1800, FEED),
    Break("every reply is kept for ever", ("bounded",), keep_everything, seconds=600),
    Break("a change to Bad is not recorded", ("recorded",), forget_to_record, NO_SKID),
    Break("the loss of a line is not recorded", ("recorded",), forget_lost_lines, NO_SKID),
    Break("an event is shown before it is recorded", ("recorded",), show_before_recording),
    Break("after three attempts no connection is tried any more", ("recovers",), give_up, NO_HALL),
    Break("a fault of the engine's own ends a timer", ("runs",), stumble, NO_SKID),
)


def judged(this: Break) -> list[str]:
    """Which judges find something, in the order of the promises."""
    plan = loads(this.plan_text, "tanks.toml").plan
    found = {each.checker for each in rehearse(plan, hours=this.seconds / 3600, seed=1, faults=this.faults).broken}
    return [name for name in (*NAMES, "runs") if name in found]


@pytest.mark.parametrize("this", BREAKS, ids=lambda this: this.name)
def test_a_break_is_found_and_nothing_without_it(
    this: Break, monkeypatch: pytest.MonkeyPatch, in_the_docs: dict[str, list[str]]
) -> None:
    assert judged(this) == []
    this.make(monkeypatch)
    assert set(this.caught) <= set(judged(this))
    assert in_the_docs[this.name] == list(this.caught), "docs/rehearse-checks.md says otherwise"


@pytest.fixture(scope="module")
def in_the_docs() -> dict[str, list[str]]:
    """The table of the document: each break with the judges that find it."""
    text = DOCUMENT.read_text(encoding="utf-8")
    start, stop = text.index("<!-- breaks -->"), text.index("<!-- end of breaks -->")
    rows = [line.strip("| ").split(" | ") for line in text[start:stop].splitlines() if line.startswith("| ")][2:]
    return {name: caught.split(", ") for name, caught in rows}


def test_the_document_lists_exactly_these_breaks(in_the_docs: dict[str, list[str]]) -> None:
    assert list(in_the_docs) == [each.name for each in BREAKS]


def test_every_promise_has_a_break_that_its_judge_must_find() -> None:
    assert {name for each in BREAKS for name in each.caught} == {*NAMES, "runs"}
