"""``wherry run``: carry the values of a plan, guarded and counted."""

from __future__ import annotations

import asyncio
import contextlib
import signal
import sys
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Final

from cyclopts import Parameter

from wherry.checks.check import check
from wherry.cli import output, run_view
from wherry.cli.check_view import tell_errors
from wherry.cli.output import Exit
from wherry.engine.events import Listener
from wherry.engine.guard import write_spans
from wherry.engine.ledger import Ledger, wears_out
from wherry.engine.runner import Engine
from wherry.engine.status import summary
from wherry.errors import LocalError
from wherry.findings import Level
from wherry.plan import load
from wherry.plan.durations import duration_text, parse_duration
from wherry.plan.model import Plan
from wherry.record.file import BYTES_MAX, RecordFile
from wherry.record.plans import open_record
from wherry.record.sampling import SAMPLE_NS, Sampler
from wherry.record.writer import FLUSH_NS, Recorder
from wherry.transports.network import Network
from wherry.transports.tcp import TcpNetwork

MIB: Final = 1 << 20
CAUTION = (
    "Not a safety function. Writing into a live controller can move machinery: agree with the process "
    "owner, isolate, and follow the site's permit and lock-out rules first. Local codes come before this."
)


def run_command(
    plan: Path,
    *,
    arm: Annotated[list[str] | None, Parameter(negative=())] = None,
    read_only: Annotated[bool, Parameter(negative=())] = False,
    for_: Annotated[str | None, Parameter(name="--for")] = None,
    record: Path | None = None,
    sample_every: str = "10s",
    record_mib: int = BYTES_MAX // MIB,
    ledger: Path | None = None,
    json: Annotated[bool, Parameter(negative=())] = False,
) -> int:
    """Carry the values of a plan. Reads only, unless a controller is armed.

    Parameters
    ----------
    plan
        The plan file.
    arm
        A controller that may be written to; give it once for each, or say all.
    read_only
        Do not ask about arming: read, compute, and show what would be written.
    for_
        How long to run, for example 10s or 5min. Without it: until Ctrl-C.
    record
        Where the run is recorded (docs/record.md); a record that is there already goes on. When something is armed and
        nothing is given: the plan's name with the ending .record.
    sample_every
        How often values are written into the record, those that have changed; 0s writes none.
    record_mib
        How large the record may become, in MiB. When it is full, the oldest entries go.
    ledger
        Where the writes to places that wear out are counted, for all runs together. When something is armed that may
        wear out and nothing is given: the plan's name with the ending .ledger.
    json
        Print one JSON document at the end, and nothing else on stdout.
    """
    duration_ns = None if for_ is None else parse_duration(for_)
    if duration_ns == 0:
        raise LocalError("there is nothing to do in no time: give --for a duration above zero, for example 10s")
    sample_ns = sample_interval(sample_every)
    bytes_max = record_size(record_mib)
    ready = load_for_run(plan)
    if ready is None:
        return Exit.WRONG_CALL
    armed = choose_armed(ready, arm or [], may_ask=not (read_only or json))
    books = Books(
        ledger=open_ledger(ready, armed, ledger or plan.with_suffix(".ledger")),
        record=open_run_record(
            record or (plan.with_suffix(".record") if armed else None), plan, armed, sample_ns, bytes_max
        ),
        sample_ns=sample_ns,
    )
    outcome = run_plan(ready, TcpNetwork(), armed, duration_ns, books=books, show_live=not json)
    if json:
        output.json_document(outcome.summary | {"exit_code": int(outcome.exit_code)})
    else:
        run_view.print_summary(outcome.summary)
        output.recorded(outcome.summary.get("record"))
    return outcome.exit_code


def load_for_run(path: Path) -> Plan | None:
    """The plan, if no finding of level error speaks against it; else says what does."""
    loaded = load(path)
    errors = [finding for finding in check(loaded) if finding.level is Level.ERROR]
    if not errors:
        return loaded.plan
    tell_errors(path, errors, "nothing was started")
    return None


def choose_armed(plan: Plan, wanted: Sequence[str], *, may_ask: bool, is_answer: bool = False) -> frozenset[str]:
    """Which controllers may be written to: as asked for on the command line, or by a person at the terminal.

    The cautions are shown in either case. LocalError for a name that the plan does not write to.
    """
    destinations = {each.destination for each in plan.putting}
    if wanted and not is_answer:
        output.talk(output.paragraph(CAUTION, to_stderr=True))
    if "all" in wanted:
        return told_of_silence(plan, destinations)
    for name in wanted:
        if name not in destinations:
            known = ", ".join(sorted(destinations))
            raise LocalError(f"cannot arm `{name}`: the plan writes to {known}")
    if wanted or not may_ask or not sys.stdin.isatty() or not output.in_terminal():
        return told_of_silence(plan, wanted)
    return ask_armed(plan, destinations)


def told_of_silence(plan: Plan, armed: Iterable[str]) -> frozenset[str]:
    """Say what each armed controller does when this run ends; stopping is an action too."""
    for name in sorted(set(armed)):
        controller = plan.controller(name)
        after = "" if controller.lease_ns is None else f" after {duration_text(controller.lease_ns)}"
        if controller.when_silent is None:
            said = f"When this run ends, what {name} does{after} is not declared in the plan (`when_silent`)."
        else:
            said = f"When this run ends, {name} {controller.when_silent.words}{after}, as the plan declares."
        output.talk(output.lines_of(said, to_stderr=True))
    return frozenset(armed)


def ask_armed(plan: Plan, destinations: set[str]) -> frozenset[str]:
    """The answer of a person at the terminal; asked again until it names what the plan has."""
    output.talk(output.paragraph(CAUTION, to_stderr=True))
    output.talk("\nThis plan would write to:")
    for name in sorted(destinations):
        spans = ", ".join(map(str, write_spans(plan, name)))
        said = f"  {name} ({plan.controller(name).host}): {spans}"
        output.talk(output.lines_of(said, hanging=4, to_stderr=True))
    output.talk("\nType the names of the controllers to arm, or `all`, or press Enter to read only.")
    while True:
        try:
            answer = input("arm: ").replace(",", " ").split()
        except EOFError:
            raise LocalError(
                "the question what to arm was not answered: nothing was started; "
                "give the names with --arm, or --read-only"
            ) from None
        try:
            return choose_armed(plan, answer, may_ask=False, is_answer=True)
        except LocalError as wrong:
            output.talk(output.lines_of(f"  {wrong}", hanging=2, to_stderr=True))


@dataclass(frozen=True)
class Books:
    """The files that a run keeps."""

    record: RecordFile | None = None
    ledger: Ledger | None = None
    sample_ns: int | None = SAMPLE_NS


def open_ledger(plan: Plan, armed: frozenset[str], path: Path) -> Ledger | None:
    """The ledger of writes, where something armed wears out or may. One that cannot be kept is refused beforehand."""
    if not wears_out(plan, armed):
        return None
    try:
        return Ledger(path, output.error)
    except OSError as failed:
        raise LocalError(
            f"the ledger of writes {path} cannot be opened ({failed.strerror}): nothing was started; give another "
            'place with --ledger, or declare `storage = "volatile"` where nothing wears out'
        ) from None


def sample_interval(text: str) -> int | None:
    """How often values are written into the record, in nanoseconds; None: never. LocalError for what makes no sense."""
    sample_ns = parse_duration(text)
    if 0 < sample_ns < SAMPLE_NS_MIN:
        raise LocalError(f"--sample-every {text} is too often: give {duration_text(SAMPLE_NS_MIN)} or more, or 0s")
    return sample_ns or None


def record_size(mib: int) -> int:
    """How large the record may become, in bytes. LocalError for what makes no sense."""
    if not 1 <= mib <= RECORD_MIB_MAX:
        raise LocalError(f"--record-mib {mib} makes no sense: give a number from 1 to {RECORD_MIB_MAX:,}")
    return mib * MIB


def open_run_record(
    path: Path | None, plan: Path, armed: frozenset[str], sample_ns: int | None, bytes_max: int
) -> RecordFile | None:
    """The record of the run; a place that cannot be written is refused before anything is started."""
    if path is None:
        return None
    more = {"armed": sorted(armed), "sample_ns": sample_ns, "flush_ns": FLUSH_NS}
    return open_record(path, "run", load(plan), is_simulated=False, bytes_max=bytes_max, more=more)


NO_BOOKS: Final = Books()
RECORD_MIB_MAX: Final = 1_000_000
SAMPLE_NS_MIN: Final = 100_000_000
"""Looking at all values more often would cost the exchange time."""


@dataclass(frozen=True)
class Outcome:
    """What a run came to."""

    summary: dict[str, Any]
    exit_code: Exit


def run_plan(
    plan: Plan,
    network: Network,
    armed: frozenset[str],
    duration_ns: int | None,
    *,
    books: Books = NO_BOOKS,
    show_live: bool,
    on_started: Callable[[Engine], None] | None = None,
) -> Outcome:
    """Run on the fastest event loop there is until the time is over or Ctrl-C."""
    with asyncio.Runner(loop_factory=best_loop_factory()) as runner:
        return runner.run(carry_until(plan, network, armed, duration_ns, books, show_live, on_started))


def best_loop_factory() -> Callable[[], asyncio.AbstractEventLoop] | None:
    """uvloop's where it is installed, else the standard one."""
    try:
        import uvloop
    except ImportError:
        return None
    return uvloop.new_event_loop


async def carry_until(
    plan: Plan,
    network: Network,
    armed: frozenset[str],
    duration_ns: int | None,
    books: Books,
    show_live: bool,
    on_started: Callable[[Engine], None] | None,
) -> Outcome:
    """The run itself."""
    live = show_live and output.in_terminal()
    shown: list[Listener] = [] if live else [run_view.tell_event]
    recorder = None if books.record is None else Recorder(books.record, output.error)
    listeners = shown if recorder is None else [recorder.listener(shown)]
    engine = Engine(plan, network, armed=armed, listeners=listeners, ledger=books.ledger)
    sampler = None if recorder is None else Sampler(engine, recorder, engine.now_ns, every_ns=books.sample_ns)
    over = asyncio.Event()
    interrupted = catch_interrupt(over)
    engine.start()
    if sampler is not None:
        sampler.start()
    if on_started is not None:
        on_started(engine)
    view = asyncio.create_task(run_view.show_live(engine, recorder)) if live else None
    try:
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(over.wait(), None if duration_ns is None else duration_ns / 1e9)
    finally:
        if view is not None:
            view.cancel()
            await asyncio.gather(view, return_exceptions=True)
        code = judge(engine)
        await engine.stop()
        if books.ledger is not None:
            books.ledger.close()
        now_ns = engine.now_ns()
        figures = summary(engine, now_ns)
        if recorder is not None and sampler is not None:
            sampler.finish()
            is_whole = recorder.close(now_ns - engine.started_ns, {"summary": figures})
            figures = figures | {"record": recorder.file.end_data(is_whole=is_whole)}
    return Outcome(figures, Exit.INTERRUPTED if interrupted() else code)


def judge(engine: Engine) -> Exit:
    """The answer of a run that ended by itself: is everything carried and reachable at the end?"""
    for line in engine.lines.values():
        is_silent = line.counters.requests > 0 and line.last_reply_ns is None
        if not line.is_up or is_silent:
            return Exit.UNREACHABLE
    if any(carry.is_armed and carry.quality.name != "GOOD" for carry in engine.carries):
        return Exit.NO
    return Exit.OK


def catch_interrupt(over: asyncio.Event) -> Callable[[], bool]:
    """Ctrl-C and a polite kill end the run cleanly; a second Ctrl-C ends it at once."""
    loop = asyncio.get_running_loop()
    seen: list[int] = []

    def on_signal(number: int, _frame: object = None) -> None:
        if seen:
            raise KeyboardInterrupt
        seen.append(number)
        loop.call_soon_threadsafe(over.set)

    for number in (signal.SIGINT, signal.SIGTERM):
        with contextlib.suppress(ValueError):  # not in the main thread: whoever embeds us handles signals
            signal.signal(number, on_signal)
    return lambda: bool(seen)
