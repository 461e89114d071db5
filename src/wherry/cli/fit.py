"""``wherry fit``: these registers, that displayed value: which address, type, order and scale?"""

from __future__ import annotations

import asyncio
import importlib.util
import sys
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Final

from cyclopts import Parameter

from wherry.cli import output
from wherry.cli.output import Exit
from wherry.cli.run import best_loop_factory
from wherry.clock import wall_time_text
from wherry.errors import LocalError, MissingExtraError
from wherry.limits import READ_REGISTERS_MAX, UNIT_MAX
from wherry.plan.connect import parse_connect
from wherry.plan.durations import parse_duration
from wherry.plan.files import read_bytes
from wherry.plan.places import parse_span
from wherry.plan.wording import listed
from wherry.survey.snapshot import Snapshot, read_snapshot, snapshot_text
from wherry.transports.network import Network, place
from wherry.transports.tcp import TcpNetwork

if TYPE_CHECKING:
    from wherry.fit.readings import Round

FACTS_BYTES_MAX: Final = 1024 * 1024
READINGS_MAX: Final = 100
RATE_DEFAULT: Final = 10.0
"""Requests in a second: gentle enough for small devices (a choice of ours)."""
RATE_MAX: Final = 1000.0
TIMEOUT_NS: Final = 1_000_000_000
TOP_DEFAULT: Final = 8


@Parameter(name="*")
@dataclass(frozen=True)
class LiveWords:
    """How a controller is read."""

    read: Annotated[list[str] | None, Parameter(negative=())] = None
    """What to read of the controller, such as `holding 0..199`; give it once for each span."""
    unit: int = 1
    """The unit id."""
    readings: int = 1
    """How many times to read."""
    every: str | None = None
    """How long to wait between readings. Without it, you are asked before each one, so that you can look at the
    display."""
    most: int = READ_REGISTERS_MAX
    """The most registers in one request."""
    rate: float = RATE_DEFAULT
    """The most requests in a second."""
    save: Path | None = None
    """Save what was read to this file, to go on with it later."""
    yes: Annotated[bool, Parameter(negative=())] = False
    """Do not ask before the controller is read."""


def fit_command(
    source: str | None = None,
    *known: str,
    facts: Path | None = None,
    same: str | None = None,
    present: Annotated[bool, Parameter(negative=())] = False,
    types: str = "usual",
    top: int = TOP_DEFAULT,
    pattern: Annotated[bool, Parameter(negative=())] = False,
    live: LiveWords | None = None,
    json: Annotated[bool, Parameter(negative=())] = False,
) -> int:
    """Find how a known value is kept: address, table, type, order and scale. Nothing is written to any controller.

    Answers 0 when everything is decided, 1 when something is not.

    Parameters
    ----------
    source
        A file of readings (a saved survey, or one of --save), several of them joined by commas, or a controller:
        tcp://10.20.0.11
    known
        What is known, one sentence each, such as "tank level shows 3.72 m" or "tank level within 0..5". All of them
        are told in docs/fit.md.
    facts
        A file with such sentences, one on each line.
    same
        What all quantities are kept alike in, for certain: order, table, type, offset, scale; several joined by commas.
    present
        It is certain that each quantity is among these registers, in one of the ways that are searched.
    types
        usual, or all: also numbers to the base 10,000.
    top
        How many ways to show of what is not decided.
    pattern
        Without a source: print a test pattern for the controller's program. With one: read it back.
    json
        Print one JSON document instead (its keys are in docs/fit.md).
    """
    need_numpy()
    if source is None:
        return print_pattern(json=json) if pattern else _nothing_given()
    if types not in ("usual", "all"):
        raise LocalError(f"--types {types}: write usual or all")
    sentences = [*known, *(sentences_of(facts) if facts is not None else ())]
    if not sentences and not pattern:
        return _nothing_known()
    shared = shared_of(same)
    rounds = rounds_of(source, live or LiveWords())
    if rounds is None:
        return Exit.WRONG_CALL
    if pattern:
        return read_pattern(rounds, json=json)
    return answer(rounds, sentences, shared, is_present=present, all_types=types == "all", top=top, json=json)


def need_numpy() -> None:
    """MissingExtraError, with the command that installs it, unless the search can be made here."""
    if importlib.util.find_spec("numpy") is None:
        raise MissingExtraError("the search needs a part that is not installed: pip install 'wherry[lab]'")


def _nothing_given() -> int:
    output.error("no readings were given", 'write: wherry fit READINGS.csv "tank level shows 3.72 m"')
    return Exit.WRONG_CALL


def _nothing_known() -> int:
    output.error("nothing is known", 'say it in a sentence, such as "tank level shows 3.72 m", or with --facts FILE')
    return Exit.WRONG_CALL


def sentences_of(file: Path) -> list[str]:
    """The sentences of a file, one on each line; `#` begins a remark."""
    text = read_bytes(file, FACTS_BYTES_MAX, "the facts").decode("utf-8", errors="replace")
    lines = [line.strip() for line in text.splitlines()]
    return [line for line in lines if line and not line.startswith("#")]


def shared_of(text: str | None) -> tuple[Any, ...]:
    """What is declared to be the same for all."""
    from wherry.fit.facts import Shared

    words = [] if text is None else text.replace(",", " ").split()
    for word in words:
        if word not in list(Shared):
            raise LocalError(f"--same {word}: what may be the same is {listed(Shared)}")
    return tuple(Shared(word) for word in words)


# Where the registers come from.


def rounds_of(source: str, live: LiveWords) -> Sequence[Round] | None:
    """The readings, from files or from a controller. None when nobody wants it read."""
    from wherry.fit.readings import rounds

    if "://" not in source:
        return rounds(read_snapshot(Path(each.strip())) for each in source.split(",") if each.strip())
    snapshot = from_controller(source, live)
    return None if snapshot is None else rounds([snapshot])


def from_controller(source: str, live: LiveWords) -> Snapshot | None:
    """Read the controller, after asking. None when the answer is no."""
    framing, host, port = parse_connect(source)
    if not live.read:
        raise LocalError("say what to read of the controller, such as --read 'holding 0..199'")
    spans = [parse_span(each) for each in live.read]
    if not 0 <= live.unit <= UNIT_MAX or not 1 <= live.most <= READ_REGISTERS_MAX:
        raise LocalError(f"--unit is 0 to {UNIT_MAX}, and --most is 1 to {READ_REGISTERS_MAX}")
    if not 1 <= live.readings <= READINGS_MAX or not 0 < live.rate <= RATE_MAX:
        raise LocalError(f"--readings is 1 to {READINGS_MAX}, and --rate is above 0 and at most {RATE_MAX:g}")
    every_ns = None if live.every is None else parse_duration(live.every)
    if every_ns is None and live.readings > 1 and not sys.stdin.isatty():
        raise LocalError("nobody can be asked before each reading: say how long to wait between them, with --every 10s")
    requests = live.readings * sum(-(-span.count // live.most) for span in spans)
    output.talk(
        f"reads {listed(map(str, spans), last='and')} of unit {live.unit} at {place(host, port)}, "
        f"{output.plural(live.readings, 'time')}: about {output.plural(requests, 'request')}, at most {live.rate:g} a "
        "second. It takes one connection, and it may be the device's only one. Nothing is written."
    )
    if not live.yes and not output.may_go_on():
        return None
    with asyncio.Runner(loop_factory=best_loop_factory()) as runner:
        snapshot = runner.run(read(TcpNetwork(), framing, host, port, spans, live, every_ns))
    snapshot = replace(snapshot, about={"source": source, "unit": str(live.unit), "taken": wall_time_text()})
    if live.save is not None:
        save(snapshot, live.save)
    return snapshot


async def read(
    network: Network, framing: Any, host: str, port: int, spans: Sequence[Any], live: LiveWords, every_ns: int | None
) -> Snapshot:
    """Read the spans over the network, and let go of the connection."""
    from wherry.fit.live import read_rounds
    from wherry.survey.runner import Runner

    def look(number: int) -> None:
        if number:
            output.talk("look at the display, then press Enter")
            input()

    runner = Runner(network, host, port, framing, rate=live.rate, timeout_ns=TIMEOUT_NS)
    try:
        ask = look if every_ns is None else None
        return await runner.drive(read_rounds(spans, live.unit, live.readings, every_ns or 0, live.most, ask))
    finally:
        await runner.close()


def save(snapshot: Snapshot, file: Path) -> None:
    """Write the readings to a new file. LocalError if it is there already, or cannot be written."""
    try:
        with file.open("x", encoding="utf-8", newline="") as stream:
            stream.write(snapshot_text(snapshot))
    except FileExistsError:
        raise LocalError(f"{file} is there already, and is left as it is; choose another name for --save") from None
    except OSError as failed:
        raise LocalError(f"cannot write {file}: {failed.strerror or failed}") from None


# Answers.


def answer(
    rounds: Sequence[Round],
    sentences: Sequence[str],
    shared: Sequence[Any],
    *,
    is_present: bool,
    all_types: bool,
    top: int,
    json: bool,
) -> int:
    """Search, and show what was found."""
    from wherry.cli import fit_view as view
    from wherry.fit.advice import advise
    from wherry.fit.facts import Quantity
    from wherry.fit.others import KnownSwitch, KnownText, find_switch, find_text
    from wherry.fit.search import Field
    from wherry.fit.statements import known_of
    from wherry.fit.verdict import fit

    known = known_of(sentences, len(rounds), is_present=is_present, all_types=all_types)
    field = Field(rounds)
    quantities = [each for each in known if isinstance(each, Quantity)]
    answers = [view.Answer(each, advise(field, each)) for each in fit(field, quantities, shared)]
    others = [find_text(rounds, each) for each in known if isinstance(each, KnownText)]
    others += [find_switch(rounds, each) for each in known if isinstance(each, KnownSwitch)]
    is_all = all(each.verdict.is_decided for each in answers) and all(each.is_decided for each in others)
    code = Exit.OK if is_all else Exit.NO
    if json:
        output.json_document(
            {
                "exit_code": int(code),
                "readings": len(rounds),
                "items": sum(each.count for each in rounds),
                "same": [str(each) for each in shared],
                "types": "all" if all_types else "usual",
                "quantities": [view.answer_data(field, each) for each in answers],
                "others": [view.found_data(each) for each in others],
            }
        )
        return code
    for each in answers:
        view.print_answer(field, each, top)
    for found in others:
        view.print_found(found, top)
    view.print_plan_lines(answers, others)
    return code


def print_pattern(*, json: bool) -> int:
    """The test pattern, as text for both programmers."""
    from wherry.fit.pattern import CONSTANTS, TEXT, TEXT_NAME, program_text

    if json:
        constants = [{"name": each.name, "type": each.type, "iec": each.iec, "value": each.value} for each in CONSTANTS]
        output.json_document({"constants": constants, "texts": [{"name": TEXT_NAME, "value": TEXT}]})
        return Exit.OK
    output.data("(* Put these into registers that can be read, each into as many as its type takes, in any place. *)")
    output.data(program_text())
    output.data()
    output.sentence(
        "note beside each at which address your program has it; then read them back with: "
        "wherry fit --pattern tcp://HOST --read 'holding 0..199'"
    )
    return Exit.OK


def read_pattern(rounds: Sequence[Round], *, json: bool) -> int:
    """Find the test pattern, and say what it tells."""
    from wherry.cli import fit_view as view
    from wherry.fit.pattern import find_pattern, find_pattern_text, missing

    seen, texts = find_pattern(rounds), find_pattern_text(rounds)
    code = Exit.NO if missing(seen) else Exit.OK
    if json:
        output.json_document({"exit_code": int(code), **view.seen_data(seen, texts)})
    else:
        view.print_seen(seen, texts)
    return code
