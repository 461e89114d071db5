"""What ``wherry run`` shows: a live table in a terminal, one line per change without one, a summary at the end."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Mapping, Sequence
from typing import Any, Final

from rich.console import Group, RenderableType
from rich.live import Live
from rich.text import Text

from wherry.cli import output
from wherry.clock import NS_PER_S, time_of_day_text
from wherry.engine.carry import Carry
from wherry.engine.events import Event
from wherry.engine.line import Line
from wherry.engine.runner import Engine
from wherry.plan.model import Point, Value
from wherry.record.writer import Recorder

REFRESH_S = 0.5
MESSAGE_AT = 13
"""The column at which the message of an event begins."""
MARKS = {"Good": "", "Uncertain": "?", "Bad": "!"}
"""A mark beside the word, so that the abnormal shows without colour."""


def event_line(event: Event) -> str:
    """One line for one change of state."""
    return f"{event.at_ns / 1e9:9.3f} s  {event.message}"


def tell_event(event: Event) -> None:
    """The line, on stderr; in a terminal broken between words, the rest below the message."""
    output.talk(output.lines_of(event_line(event), hanging=MESSAGE_AT, to_stderr=True))


def show_event(event: Event) -> None:
    """The same on stdout, where events are the answer."""
    output.data(output.lines_of(event_line(event), hanging=MESSAGE_AT))


# Live.


async def show_live(engine: Engine, recorder: Recorder | None = None) -> None:
    """Redraw twice a second until cancelled; never what is not yet in the record."""
    console = output.console()
    with Live(console=console, auto_refresh=False, transient=False, screen=False) as live:
        with contextlib.suppress(asyncio.CancelledError):
            while True:
                if recorder is not None:
                    await recorder.settled()
                live.update(picture(engine, console.height, console.width), refresh=True)
                await asyncio.sleep(REFRESH_S)
        live.update(picture(engine, console.height, console.width), refresh=True)


def picture(engine: Engine, height_rows: int, width_columns: int) -> RenderableType:
    """The state of a run, cut to the height and the width of the terminal."""
    now_ns = engine.now_ns()
    armed = ", ".join(sorted(engine.armed))
    mode = f"writing to {armed}" if armed else "READING ONLY: shows what would be written"
    head = Text(f"{engine.plan.title or engine.plan.file}   {mode}   {(now_ns - engine.started_ns) / 1e9:.0f} s")
    head.stylize("bold")
    line_rows = [line_row(name, line) for name, line in engine.lines.items()]
    lines = output.make_table(LINE_COLUMNS, output.fitted(LINE_COLUMNS, line_rows, (0, 1), width_columns))
    carry_rows = [carry_row(carry, now_ns) for carry in engine.carries]
    transfers = output.make_table(CARRY_COLUMNS, output.fitted(CARRY_COLUMNS, carry_rows, (0, 1), width_columns))
    down = [
        Text(f"{name}: {line.reason}{next_attempt_text(line)}") for name, line in engine.lines.items() if line.reason
    ]
    down_rows = sum(-(-each.cell_len // width_columns) + 1 for each in down)
    command_rows = [command_row(each.summary(), each.declared.name) for each in engine.commands]
    commands = output.make_table(COMMAND_COLUMNS, output.fitted(COMMAND_COLUMNS, command_rows, (0, 1), width_columns))
    taken = len(engine.lines) + len(engine.carries) + (len(command_rows) + 3 if command_rows else 0)
    room = max(3, height_rows - taken - 9 - down_rows)
    rows: list[Sequence[str]] = []
    total = sum(len(carry.transfer.values) for carry in engine.carries)
    for carry in engine.carries:
        rows += value_rows(carry)[: max(0, room - len(rows))]
    values = output.make_table(VALUE_COLUMNS, output.fitted(VALUE_COLUMNS, rows, VALUE_SHRINK, width_columns))
    parts: list[RenderableType] = [head, Text(""), lines, *down, Text(""), transfers, Text("")]
    if command_rows:
        parts += [commands, Text("")]
    parts.append(values)
    if len(rows) < total:
        parts.append(Text(f"... and {total - len(rows)} more values"))
    return Group(*parts)


LINE_COLUMNS: Sequence[tuple[str, output.Justify]] = (
    ("controller", "left"), ("state", "left"), ("requests", "right"), ("p50", "right"), ("p99", "right"),
    ("time-outs", "right"), ("late", "right"), ("exceptions", "right"),
)  # fmt: skip
CARRY_COLUMNS: Sequence[tuple[str, output.Justify]] = (
    ("transfer", "left"), ("from -> to", "left"), ("quality", "left"), ("age", "right"), ("scheduled", "right"),
    ("delivered", "right"), ("skipped", "right"), ("failed", "right"),
)  # fmt: skip
COMMAND_COLUMNS: Sequence[tuple[str, output.Justify]] = (
    ("command", "left"), ("from -> to", "left"), ("state", "left"),
    *((each, "right") for each in ("requested", "executed", "refused", "expired", "unknown")),
)  # fmt: skip
VALUE_COLUMNS: Sequence[tuple[str, output.Justify]] = (
    ("value", "left"), ("reading", "right"), ("unit", "left"), ("quality", "left"), ("taken from", "left"),
    ("put to", "left"),
)  # fmt: skip
WAIT_TOLD_NS = 60 * NS_PER_S
"""From this wait on people want to know until when."""
VALUE_SHRINK = (5, 4, 0, 3)
"""Which columns are cut in a narrow terminal, in this order: each value keeps one line."""


def next_attempt_text(line: Line) -> str:
    """When a line that must wait long is tried again."""
    wait_ns = line.connect_wait_ns
    return f" (next attempt at {time_of_day_text(wait_ns)})" if wait_ns and wait_ns >= WAIT_TOLD_NS else ""


def line_row(name: str, line: Line) -> Sequence[str]:
    """One controller."""
    times = line.response.summary_ms()
    counters = line.counters
    return (
        name,
        line.state.value,
        f"{counters.requests:,}",
        ms_text(times["p50"]),
        ms_text(times["p99"]),
        f"{counters.timeouts:,}",
        f"{counters.late_replies:,}",
        f"{counters.exceptions:,}",
    )


def carry_row(carry: Carry, now_ns: int) -> Sequence[str]:
    """One transfer."""
    transfer = carry.transfer
    age_ns = carry.age_ns(now_ns)
    return (
        transfer.name,
        f"{transfer.source} -> {transfer.destination}",
        quality_text(carry.quality.name.capitalize()),
        ms_text(None if age_ns is None else age_ns / 1e6),
        f"{carry.scheduled:,}",
        f"{carry.delivered:,}",
        f"{carry.skipped:,}",
        f"{carry.failed:,}",
    )


def command_row(figures: Mapping[str, Any], name: str) -> Sequence[str]:
    """One command."""
    counts = ("requested", "executed", "refused", "expired", "unknown")
    return (
        name,
        f"{figures['from']} -> {figures['to']}",
        figures["phase"],
        *(f"{figures[each]:,}" for each in counts),
    )


def value_rows(carry: Carry) -> list[Sequence[str]]:
    """One row for each value of a transfer: what was read last, and how far it may be trusted."""
    rows: list[Sequence[str]] = []
    for value, result in zip(carry.transfer.values, carry.results, strict=True):
        quality = result.quality.name.capitalize()
        rows.append(
            (
                value.name,
                reading_text(value, result.value),
                value.unit,
                quality_text(quality) + ("" if quality == "Good" else f" {result.reason.words}"),
                f"{carry.transfer.source} {place_text(value.take)}",
                f"{carry.transfer.destination} {place_text(value.put)}",
            )
        )
    return rows


def place_text(point: Point) -> str:
    """A place without its type, which the plan tells."""
    return str(point.span) if point.bit is None else f"{point.span}.{point.bit}"


def reading_text(value: Value, reading: object) -> str:
    """A value as people read it."""
    if reading is None:
        return "-"
    if isinstance(reading, bool):
        return "1" if reading else "0"
    if isinstance(reading, float):
        return f"{reading:.6g}"
    if isinstance(reading, bytes):
        text = reading.hex(" ", 2) if not value.take.table.is_bits else reading.hex()
        return text if len(text) <= 24 else text[:19] + " ..."
    return str(reading)


def quality_text(quality: str) -> str:
    """The word with its mark."""
    mark = MARKS.get(quality, "")
    return f"{quality}{' ' + mark if mark else ''}"


def ms_text(ms: float | None) -> str:
    """A duration for people."""
    if ms is None:
        return "-"
    if ms < 10:
        return f"{ms:.2f} ms"
    if ms < 10_000:
        return f"{ms:.0f} ms"
    return f"{ms / 1000:.0f} s"


# The end.


WEAR_ROWS_MAX: Final = 20


def print_summary(figures: Mapping[str, Any]) -> None:
    """The figures of a run as two tables and a few sentences, on stdout."""
    armed = ", ".join(figures["armed"])
    output.data(f"Ran {figures['duration_s']:.1f} s, {'writing to ' + armed if armed else 'reading only'}.\n")
    transfers: Mapping[str, Mapping[str, Any]] = figures["transfers"]
    output.table(
        (
            ("transfer", "left"), ("from -> to", "left"), ("scheduled", "right"), ("delivered", "right"),
            ("skipped", "right"), ("failed", "right"), ("age p50", "right"), ("p99", "right"), ("max", "right"),
        ),
        [
            (
                name, f"{each['from']} -> {each['to']}", f"{each['scheduled']:,}", f"{each['delivered']:,}",
                f"{each['skipped']:,}", f"{each['failed']:,}", ms_text(each["age_ms"]["p50"]),
                ms_text(each["age_ms"]["p99"]), ms_text(each["age_ms"]["max"]),
            )
            for name, each in transfers.items()
        ],
    )  # fmt: skip
    output.data()
    print_commands(figures["commands"])
    print_lines(figures["controllers"])
    output.data()
    print_wear(figures["wear"])
    for sentence in sentences(figures):
        output.sentence(sentence)


def print_commands(commands: Mapping[str, Mapping[str, Any]]) -> None:
    """What became of the requests of each command; nothing where the plan has none."""
    if not commands:
        return
    outcomes = ("requested", "executed", "refused", "expired", "unknown", "pending")
    output.table(
        [("command", "left"), ("from -> to", "left"), *((each, "right") for each in outcomes)],
        [
            (name, f"{each['from']} -> {each['to']}", *(f"{each[outcome]:,}" for outcome in outcomes))
            for name, each in commands.items()
        ],
    )
    output.data()


def print_wear(wear: Sequence[Mapping[str, Any]]) -> None:
    """Writes to places that wear out, those that are worn out first on top; what nobody declared in one sentence."""
    known = sorted(
        (each for each in wear if each["storage"] == "non-volatile"),
        key=lambda each: (each["worn_out_in_days"] is None, each["worn_out_in_days"]),
    )
    if known:
        output.table(
            (
                ("controller", "left"), ("place", "left"), ("value", "left"), ("writes", "right"),
                ("this run", "right"), ("stands", "right"), ("worn out", "right"),
            ),
            [
                (
                    each["controller"], f"{each['place']} ({each['reference']})", each["value"],
                    f"{each['writes']:,}", f"{each['writes_this_run']:,}", f"{each['endurance_writes']:,}",
                    "now" if each["writes"] >= each["endurance_writes"] else each["worn_out_on"] or "-",
                )
                for each in known[:WEAR_ROWS_MAX]
            ],
            shrink=(2,),
        )  # fmt: skip
        if len(known) > WEAR_ROWS_MAX:
            output.sentence(f"{len(known) - WEAR_ROWS_MAX} more such places: see --json.")
        output.data()
    unknown = [each for each in wear if each["storage"] != "non-volatile"]
    if unknown:
        most = max(unknown, key=lambda each: int(each["writes"]))
        output.sentence(
            f"Nobody has declared whether {output.plural(len(unknown), 'place')} of this plan "
            f"{'wears' if len(unknown) == 1 else 'wear'} out (`storage`); the one written most, {most['value']} in "
            f"{most['controller']}, has {most['writes']:,} writes."
        )


def print_lines(controllers: Mapping[str, Mapping[str, Any]]) -> None:
    """The figures of each controller as a table; a narrow terminal goes without the addresses, which the plan tells."""
    columns: list[tuple[str, output.Justify]] = [
        ("controller", "left"), ("address", "left"), ("requests", "right"), ("exceptions", "right"),
        ("time-outs", "right"), ("late", "right"), ("reconnects", "right"), ("reply p50", "right"), ("p99", "right"),
    ]  # fmt: skip
    rows = [
        [
            name, each["address"], f"{each['requests']:,}", f"{each['exceptions']:,}", f"{each['timeouts']:,}",
            f"{each['late_replies']:,}", f"{each['reconnects']:,}", ms_text(each["response_ms"]["p50"]),
            ms_text(each["response_ms"]["p99"]),
        ]
        for name, each in controllers.items()
    ]  # fmt: skip
    if output.console().width < output.WIDTH_COLUMNS:
        columns[-2] = ("p50", "right")
        for cells in (columns, *rows):
            del cells[1]
    output.table(columns, rows, shrink=(0,))


def sentences(figures: Mapping[str, Any]) -> list[str]:
    """What the figures say, in words: first what is wrong, then what is not."""
    said: list[str] = []
    for name, each in figures["controllers"].items():
        if not each["was_connected"]:
            said.append(f"{name} could not be reached: {each['reason']}.")
        elif each["requests"] and not each["replies"]:
            said.append(f"{name} ({each['address']}) was connected and never answered; check its unit id.")
    for name, each in figures["transfers"].items():
        for reason, count in sorted(each["failures"].items(), key=lambda item: -item[1]):
            said.append(f"{name}: {output.plural(count, 'cycle')} of {each['scheduled']:,} failed: {reason}.")
        if each["skipped_overrun"]:
            skipped = output.plural(each["skipped_overrun"], "cycle")
            said.append(f"{name}: {skipped} skipped because the one before was not finished.")
        if each["skipped_waiting"]:
            waited = output.plural(each["skipped_waiting"], "cycle")
            said.append(f"{name}: {waited} skipped while the source's own counter had not moved yet.")
        if each["skipped_unarmed"]:
            count = output.plural(each["skipped_unarmed"], "set was", "sets were")
            said.append(f"{name}: {count} read and not written, because {each['to']} is not armed.")
        if each["armed"] and each["quality"] != "Good":
            why = f": {each['quality_reason']}" if each["quality_reason"] else ""
            said.append(f"{name} was {each['quality']} at the end{why}.")
        for value, became in each["verify"].items():
            if became["state"] not in ("verified", None):
                said.append(f"{name}: {value} is {became['words']}.")
    for name, each in figures["commands"].items():
        if each["unknown"]:
            count = output.plural(each["unknown"], "request is", "requests are")
            said.append(f"{name}: {count} unknown: given to {each['to']} and never acknowledged; somebody must look.")
        if each["pending"]:
            said.append(f"{name}: a request was at work when this run ended; its outcome is not known.")
    if not said:
        said.append("Every cycle was delivered.")
    return said
