"""``wherry rehearse``: a whole plan for hours of simulated time, with faults, and what came of it."""

from __future__ import annotations

import contextlib
import math
import signal
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Annotated, Any, Final

from cyclopts import Parameter

from wherry import drawing
from wherry.cli import output, rehearse_view
from wherry.cli.check_view import pointed
from wherry.cli.output import Exit
from wherry.cli.run import load_for_run
from wherry.cli.saving import make_folder
from wherry.clock import NS_PER_S, today
from wherry.engine.ledger import Shape, read_counts
from wherry.errors import LocalError
from wherry.plan import load
from wherry.plan.model import Plan
from wherry.record.plans import open_record
from wherry.record.sampling import SAMPLE_NS
from wherry.record.writer import DirectRecorder
from wherry.rehearse import picture
from wherry.rehearse.report import document
from wherry.rehearse.result import Rehearsal
from wherry.rehearse.scenario import rehearse
from wherry.simulate.fault_draw import liveness_ns
from wherry.simulate.fault_file import FaultFileError, menu_of
from wherry.simulate.fault_kinds import MENUS

HOURS_MAX: Final = 300.0
"""Virtual time is exact to the nanosecond for longer than this; it takes minutes of real time."""
SECONDS_MIN: Final = 60.0
"""Shorter and there is no room for a fault and for what follows it."""
REPORT_FILE: Final = "rehearsal.json"
JOURNAL_FILE: Final = "rehearsal.journal"
PICTURE_FILE: Final = "ages"
RECORDED: Final = ("hours", "is_interrupted", "seed", "faults_asked", "faults", "broken", "broken_count")
"""What of the answer is written into a record: what does not depend on the day, so that a seed gives one record."""


def rehearse_command(
    plan: Path,
    *,
    hours: float = 24.0,
    seed: int = 1,
    faults: str = "usual",
    save: Path | None = None,
    record: Path | None = None,
    json: Annotated[bool, Parameter(negative=())] = False,
) -> int:
    """Run a plan for hours of simulated time on simulated controllers, with faults. Nothing real is connected to.

    Answers 0 when every declared bound was kept, 1 when one was broken, 2 when the call or the plan is wrong.

    Parameters
    ----------
    plan
        The plan file.
    hours
        How long, in hours of simulated time; a day takes some minutes.
    seed
        A whole number; the same one gives the same rehearsal, another one other faults at other times.
    faults
        The menu that faults are drawn from: none, usual or harsh; or a file with faults
        (docs/rehearse-faults.md).
    save
        A folder for the whole report, the journal, and a picture of the ages of values.
    record
        Record the rehearsal here as a run is recorded (docs/record.md); a record that is there already goes on.
    json
        Print one JSON document at the end, and nothing else on stdout.
    """
    check_call(hours, seed)
    ready = load_for_run(plan)
    if ready is None or not faults_are_sound(faults, ready):
        return Exit.WRONG_CALL
    tell_left_out(faults, ready, hours)
    if not ready.transfers and not ready.commands:
        raise LocalError(f"{plan} carries nothing: there is nothing to rehearse")
    if save is not None:
        drawing.require()
        make_folder(save, nothing_was="nothing was rehearsed")
    recorder = open_rehearsal_record(record, plan, hours=hours, seed=seed, faults=faults)
    with output.progress(f"rehearsing {hours:g} h") as on_progress, caught_interrupt() as is_over:
        rehearsal = rehearse(
            ready,
            hours=hours,
            seed=seed,
            faults=faults,
            on_progress=on_progress,
            is_over=is_over,
            recorder=recorder,
        )
    counts = writes_so_far(plan.with_suffix(".ledger"))
    answer = document(rehearsal, hours_asked=hours, day=today(), counts=counts)
    if recorder is not None:
        seen = {key: answer[key] for key in RECORDED}
        is_whole = recorder.close(rehearsal.duration_ns, {"summary": rehearsal.summary, "rehearsal": seen})
        answer["record"] = recorder.file.end_data(is_whole=is_whole)
    code = report(answer, rehearsal, save=save, json=json)
    if not json:
        output.recorded(answer.get("record"))
    return code


def open_rehearsal_record(
    path: Path | None, plan: Path, *, hours: float, seed: int, faults: str
) -> DirectRecorder | None:
    """The record of the rehearsal; a place that cannot be written is refused before anything takes time."""
    if path is None:
        return None
    loaded = load(plan)
    armed = sorted(each.name for each in loaded.plan.controllers)
    more = {"armed": armed, "sample_ns": SAMPLE_NS, "seed": seed, "faults": faults, "hours": hours}
    return DirectRecorder(open_record(path, "rehearse", loaded, is_simulated=True, more=more), output.error)


def tell_left_out(faults: str, plan: Plan, hours: float) -> None:
    """Say which faults of a file come too late: the last part of a rehearsal is without any."""
    duration_ns = round(hours * 3600 * NS_PER_S)
    calm_ns = duration_ns - liveness_ns(plan, duration_ns)
    late = [fault for fault, _ in menu_of(faults, plan).fixed if fault.start_ns >= calm_ns]
    if late:
        said = (
            f"note: {output.plural(len(late), 'fault')} of {faults} would begin after {calm_ns / NS_PER_S:.0f} s, when "
            "the part without faults begins, and will not come: rehearse for more hours, or let them begin sooner"
        )
        output.talk(output.lines_of(said, hanging=6, to_stderr=True))


def writes_so_far(ledger: Path) -> Mapping[Shape, int]:
    """What the ledger of `wherry run` knows of; it is only read. None of it where it cannot be."""
    try:
        return read_counts(ledger)
    except OSError as failed:
        output.error(f"the ledger {ledger} cannot be read ({failed.strerror or failed}): dates count from new places")
    except LocalError as damaged:
        output.error(f"{damaged}; dates count from new places")
    return {}


def report(answer: dict[str, Any], rehearsal: Rehearsal, *, save: Path | None, json: bool) -> int:
    """Save what was seen, print it, and say how it was."""
    code = Exit.INTERRUPTED if rehearsal.was_stopped else Exit.NO if answer["broken_count"] else Exit.OK
    answer["exit_code"] = int(code)
    if save is not None:
        save_all(save, answer, rehearsal)
    if json:
        output.json_document(answer)
    else:
        rehearse_view.print_report(answer, took_s=rehearsal.cpu_s, saved_in="" if save is None else str(save))
    return code


def check_call(hours: float, seed: int) -> None:
    """LocalError for numbers that make no sense."""
    least = SECONDS_MIN / 3600
    if math.isnan(hours) or not least <= hours <= HOURS_MAX:
        raise LocalError(
            f"--hours {hours:g} is no time to rehearse: it can be from {least:.3f} (one minute) to {HOURS_MAX:g}"
        )
    if seed < 0:
        raise LocalError(f"--seed {seed} is negative: give a whole number from 0 on")


def faults_are_sound(text: str, plan: Plan) -> bool:
    """Whether the faults are a menu, or a file that can be used for this plan; else says what is wrong, and where.

    LocalError when there is neither.
    """
    if text not in MENUS and not Path(text).is_file():
        import difflib

        near = difflib.get_close_matches(text, MENUS, n=1)
        hint = f"; did you mean {near[0]}?" if near else ""
        raise LocalError(f"there is no menu and no file `{text}` for --faults: the menus are {', '.join(MENUS)}{hint}")
    try:
        menu_of(text, plan)
    except FaultFileError as wrong:
        output.error(str(wrong))
        margin = " " * len(str(wrong.span.line))
        shown, carets = pointed(wrong.source, wrong.span, output.width(to_stderr=True) - len(margin) - 3)
        for line in (f"{margin} |", f"{wrong.span.line} | {shown}".rstrip(), f"{margin} | {carets}"):
            output.talk(line)
        output.error("nothing was rehearsed", "the keys of such a file are in docs/rehearse-faults.md")
        return False
    return True


def save_all(folder: Path, answer: dict[str, Any], rehearsal: Rehearsal) -> None:
    """The report, the journal and the picture. LocalError when the disk does not take them."""
    import json

    files = {
        REPORT_FILE: (json.dumps(answer, indent=1, ensure_ascii=False, allow_nan=False) + "\n").encode("utf-8"),
        JOURNAL_FILE: "".join(f"{line}\n" for line in rehearsal.journal).encode("utf-8"),
        **{f"{PICTURE_FILE}.{kind}": data for kind, data in picture.pictures(answer).items()},
    }
    for name, data in files.items():
        try:
            (folder / name).write_bytes(data)
        except OSError as failed:
            raise LocalError(
                f"{output.quoted(folder / name)} cannot be written ({failed.strerror or failed}); "
                "the same seed gives the same rehearsal again"
            ) from None


@contextlib.contextmanager
def caught_interrupt() -> Iterator[Callable[[], bool]]:
    """Ctrl-C and a polite kill end the rehearsal early, with what was seen so far; a second Ctrl-C ends it at once."""
    seen: list[int] = []

    def on_signal(number: int, _frame: object = None) -> None:
        if seen:
            raise KeyboardInterrupt
        seen.append(number)

    before = {}
    for number in (signal.SIGINT, signal.SIGTERM):
        with contextlib.suppress(ValueError):  # not in the main thread: whoever embeds us handles signals
            before[number] = signal.signal(number, on_signal)
    try:
        yield lambda: bool(seen)
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
