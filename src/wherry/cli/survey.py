"""``wherry survey``: what does this controller answer, how much at once, how fast? It asks, and only reads."""

from __future__ import annotations

import asyncio
import contextlib
import re
import sys
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Annotated, Any, Final

from cyclopts import Parameter

from wherry import drawing
from wherry.cli import output, survey_view
from wherry.cli.output import Exit
from wherry.cli.run import best_loop_factory, catch_interrupt
from wherry.clock import wall_time_text
from wherry.errors import LocalError, PlanError
from wherry.limits import ITEMS_PER_TABLE, UNIT_MAX
from wherry.plan.connect import parse_connect
from wherry.plan.durations import parse_duration
from wherry.plan.model import Framing, Table
from wherry.plan.profile import Profile, profile_text, read_profile
from wherry.plan.wording import listed
from wherry.survey import picture
from wherry.survey.compare import Change, compare
from wherry.survey.found import BUDGET, RANGE, RATE, UNITS, Found, Settings
from wherry.survey.job import survey_device
from wherry.survey.profile_of import profile_of
from wherry.survey.report import document, snapshot_of
from wherry.survey.snapshot import snapshot_text
from wherry.transports.network import Network, place
from wherry.transports.tcp import TcpNetwork

BUDGET_MAX: Final = 1_000_000
RATE_MAX: Final = 1000.0


@dataclass(frozen=True)
class Call:
    """What is to be done, understood."""

    framing: Framing
    host: str
    port: int
    settings: Settings
    rate: float
    timeout_ns: int
    before: Profile | None

    @property
    def at(self) -> str:
        """The address as a plan writes it."""
        return f"{'tcp' if self.framing is Framing.MBAP else 'rtu+tcp'}://{place(self.host, self.port)}"


def survey_command(
    host: str,
    *,
    units: str | None = None,
    tables: str | None = None,
    range_: Annotated[list[str] | None, Parameter(name="--range", negative=())] = None,
    save: Path | None = None,
    snapshot: Path | None = None,
    picture_: Annotated[list[Path] | None, Parameter(name="--picture", negative=())] = None,
    compare_: Annotated[Path | None, Parameter(name="--compare")] = None,
    budget: int = BUDGET,
    rate: float = RATE,
    timeout: str = "1 s",
    watch: str = "10 s",
    idle: str = "20 s",
    connections: Annotated[bool, Parameter(negative=())] = False,
    in_flight: Annotated[bool, Parameter(negative=())] = False,
    yes: Annotated[bool, Parameter(negative=())] = False,
    json: Annotated[bool, Parameter(negative=())] = False,
) -> int:
    """Find out what a controller answers, by reading alone: units, addresses, limits, holes, pace, response times.

    Answers 0 at its end, 1 when it had to stop early or found a grave change, 3 when nobody could be reached.

    Parameters
    ----------
    host
        The controller: HOST, HOST:PORT, tcp://HOST:PORT, or rtu+tcp://HOST:PORT for serial framing.
    units
        Unit ids to ask, such as 1,255 or 1..10; the first that answers is surveyed. Without it: 1,255,0,2,3.
    tables
        Tables to look at: holding, input, coil, discrete. Without it: all four.
    range_
        Addresses to look at in each table, from zero: 0..999 (without it). Give it once for each run.
    save
        Write the device profile to this file (TOML); a plan can name it.
    snapshot
        Write what was read while watching to this file (CSV), for `wherry fit`.
    picture_
        Draw the address space to this file, .png or .svg; give it once for each.
    compare_
        A device profile: look at the same places again, and tell what has changed.
    budget
        The most requests to send.
    rate
        The most requests in a second, on average.
    timeout
        How long an answer is waited for.
    watch
        How long to watch what moves.
    idle
        How long to leave the connection alone to see whether it is closed; 0 s: not at all.
    connections
        Also try how many connections can be open at once. It may throw other clients out.
    in_flight
        Also try whether several requests at once are answered.
    yes
        Do not ask before it begins.
    json
        Print one JSON document at the end, and nothing else on stdout.
    """
    before = None if compare_ is None else read_profile(compare_)
    call = understood(host, units, tables, range_, budget, rate, timeout, watch, idle, before)
    call = replace(call, settings=replace(call.settings, connections=connections, in_flight=in_flight))
    check_files(save, snapshot, picture_ or ())
    if not agreed(call, yes=yes):
        return Exit.WRONG_CALL
    with asyncio.Runner(loop_factory=best_loop_factory()) as runner:
        found, was_interrupted = runner.run(carried_out(call, TcpNetwork()))
    return told(call, found, was_interrupted, save, snapshot, picture_ or (), json=json)


def understood(
    host: str,
    units: str | None,
    tables: str | None,
    ranges: Sequence[str] | None,
    budget: int,
    rate: float,
    timeout: str,
    watch: str,
    idle: str,
    before: Profile | None,
) -> Call:
    """The call. LocalError or PlanError for what makes no sense."""
    framing, name, port = parse_connect(host if "://" in host else f"tcp://{host}")
    if not 20 <= budget <= BUDGET_MAX:
        raise LocalError(f"--budget {budget} is outside 20 to {BUDGET_MAX:,} requests")
    if not 0 < rate <= RATE_MAX:
        raise LocalError(f"--rate {rate:g} is outside 0 to {RATE_MAX:g} requests a second")
    known_units: tuple[int, ...] = UNITS
    if before is not None and "unit" in before.device:
        known_units = (int(before.device["unit"].value),)
    chosen = tuple(Table) if tables is None else tuple(dict.fromkeys(map(table_of, tables.split(","))))
    spans = [(0, 0)] if ranges is None else [range_of(each) for each in ranges]
    if ranges is None:
        looked = [] if before is None else [span for each in before.tables.values() for span in each.looked]
        spans = [(min(s.start for s in looked), max(s.stop for s in looked))] if looked else [RANGE]
    order = [each for each in (Table.HOLDING, Table.INPUT, Table.COIL, Table.DISCRETE) if each in chosen]
    timeout_ns = parse_duration(timeout)
    if timeout_ns <= 0:
        raise LocalError("--timeout must be longer than nothing")
    return Call(
        framing,
        name,
        port,
        Settings(
            known_units if units is None else units_of(units),
            tuple(order),
            tuple(spans),
            budget,
            parse_duration(watch),
            parse_duration(idle),
        ),
        rate,
        timeout_ns,
        before,
    )


def units_of(text: str) -> tuple[int, ...]:
    """Unit ids from ``1,255`` or ``1..10``. LocalError for anything else."""
    found: list[int] = []
    for part in text.split(","):
        match = re.fullmatch(r"\s*(\d{1,3})(?:\.\.(\d{1,3}))?\s*", part)
        first, last = (int(match[1]), int(match[2] or match[1])) if match else (1, 0)
        if not 0 <= first <= last <= UNIT_MAX:
            raise LocalError(f"--units {text}: unit ids are numbers from 0 to {UNIT_MAX}, such as 1,255 or 1..10")
        found += range(first, last + 1)
    return tuple(dict.fromkeys(found))


def table_of(text: str) -> Table:
    """A table by its word. LocalError for another one."""
    try:
        return Table(text.strip())
    except ValueError:
        raise LocalError(f"--tables: there is no table `{text.strip()}`: {listed(map(str, Table))}") from None


def range_of(text: str) -> tuple[int, int]:
    """First and one past the last address of ``0..999``. LocalError for anything else."""
    match = re.fullmatch(r"(\d{1,5})\.\.(\d{1,5})", text.strip())
    if not match or not int(match[1]) <= int(match[2]) < ITEMS_PER_TABLE:
        raise LocalError(f"--range {text}: write first and last address from zero, such as 0..999")
    return int(match[1]), int(match[2]) + 1


def check_files(save: Path | None, snapshot: Path | None, pictures: Sequence[Path]) -> None:
    """Before a request leaves: LocalError for a file that cannot be written when all is found out."""
    for each in pictures:
        if each.suffix.lower() not in (".png", ".svg"):
            raise LocalError(f"--picture {each}: a picture is a .png or an .svg")
        drawing.require("--picture")
    for each in (*pictures, *(each for each in (save, snapshot) if each is not None)):
        if not each.absolute().parent.is_dir():
            raise LocalError(f"{each} cannot be written: there is no folder {each.absolute().parent}")
        if each.is_dir():
            raise LocalError(f"{each} is a folder, not a file")
    if save is not None and save.exists():
        try:
            read_profile(save)
        except PlanError:
            raise LocalError(f"{save} is there already and is no profile: give another name") from None


def agreed(call: Call, *, yes: bool) -> bool:
    """Say what will be sent; whether the person at the terminal agrees. LocalError where nobody can be asked."""
    survey_view.tell_before(call.settings, call.at, call.rate)
    if yes:
        return True
    if not sys.stdin.isatty():
        raise LocalError("nobody is there to be asked: give --yes when the controller may be surveyed now")
    try:
        answer = input("Begin? [y/N] ")
    except EOFError:
        answer = ""
    if answer.strip().lower() in ("y", "yes"):
        return True
    output.talk("Nothing was sent.")
    return False


async def carried_out(call: Call, network: Network) -> tuple[Found, bool]:
    """The survey itself, ended by Ctrl-C with what was found until then."""
    found = Found()
    over = asyncio.Event()
    interrupted = catch_interrupt(over)
    with output.progress("surveying") as on_progress:
        teller = survey_view.Teller(call.settings, on_progress)
        job = asyncio.ensure_future(
            survey_device(
                network,
                call.host,
                call.port,
                call.settings,
                framing=call.framing,
                rate=call.rate,
                timeout_ns=call.timeout_ns,
                found=found,
                on_phase=teller.phase,
                on_progress=teller.requests,
            )
        )
        stop = asyncio.ensure_future(over.wait())
        await asyncio.wait((job, stop), return_when=asyncio.FIRST_COMPLETED)
        stop.cancel()
        if not job.done():
            job.cancel()
            found.ended = "interrupted"
        with contextlib.suppress(asyncio.CancelledError):
            await job
    return found, interrupted()


def told(
    call: Call,
    found: Found,
    was_interrupted: bool,
    save: Path | None,
    snapshot: Path | None,
    pictures: Sequence[Path],
    *,
    json: bool,
) -> int:
    """Save what was found, print it, and say how it was."""
    if found.unit is None and not was_interrupted:
        output.error(
            f"no unit answered at {place(call.host, call.port)}: {survey_view.units_text(found)}",
            "try other unit ids with --units 1..20, or more time with --timeout 3s",
        )
    now = wall_time_text()
    profile = profile_of(found, at=call.at, surveyed=now)
    changes = None if call.before is None else compare(call.before, profile)
    about = {"at": call.at, "unit": str(found.unit), "taken": now}
    saved: list[str] = []
    if found.unit is not None:
        saved = save_all(profile, found, about, save, snapshot, pictures)
    code = exit_code(found, was_interrupted, changes)
    if json:
        output.json_document({**document(found, call.at, changes), "saved": saved, "exit_code": int(code)})
    elif found.unit is not None:
        survey_view.show(found, profile, changes)
        for each in saved:
            output.sentence(f"Saved: {each}")
    return code


def exit_code(found: Found, was_interrupted: bool, changes: Sequence[Change] | None) -> Exit:
    """How it was."""
    if was_interrupted:
        return Exit.INTERRUPTED
    if found.unit is None:
        return Exit.UNREACHABLE
    is_grave = any(each.is_grave for each in changes or ())
    return Exit.NO if found.ended or is_grave else Exit.OK


def save_all(
    profile: Profile,
    found: Found,
    about: dict[str, str],
    save: Path | None,
    snapshot: Path | None,
    pictures: Sequence[Path],
) -> list[str]:
    """Write the files; those that were written."""
    files: list[tuple[Path, Any]] = []
    title = profile.title if profile.at in profile.title else f"{profile.title}, {profile.at}"
    if save is not None:
        files.append((save, lambda: profile_text(profile).encode()))
    if snapshot is not None:
        files.append((snapshot, lambda: snapshot_text(snapshot_of(found, about)).encode()))
    for each in pictures:
        kind = each.suffix.lower().removeprefix(".")
        files.append((each, lambda kind=kind: picture.drawn(found, title, kind)))
    saved = []
    for file, made in files:
        try:
            file.write_bytes(made())
        except OSError as failed:
            output.error(f"cannot write {file}: {failed.strerror or failed}")
        else:
            saved.append(str(file))
    return saved
