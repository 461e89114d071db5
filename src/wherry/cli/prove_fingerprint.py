"""The fingerprint pass for people: the test values, as tables or as a list to fill in, and what such a list tells."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from random import Random
from typing import Any, Final

from wherry.cli import output
from wherry.cli.output import Exit
from wherry.errors import LocalError
from wherry.plan import Plan, load
from wherry.prove.fingerprint import Blind, Fingerprint, Limit, Side, fingerprint_of, limits_of
from wherry.prove.mapping_faults import FaultKind, Shown
from wherry.prove.naming import Wrong, describe, judge_receiver, judge_source, moved_together
from wherry.prove.places import Content, Place
from wherry.prove.simulated import pass_simulated
from wherry.values.types import Kind

COLUMNS: Final = ("side", "step", "transfer", "name", "controller", "place", "unit", "value", "registers", "seen")
"""Of the list. ``seen`` is empty until somebody fills it in."""

CELL_COLUMNS: Final = 14
"""What is longer is cut in a table; the list has it whole."""

REFUSED: Final = "refused"
"""In ``seen`` of a source: it could not be given the value."""

NOTHING: Final = "nothing"
"""In ``seen`` of a receiver: its program showed nothing that could be read off."""


@dataclass(frozen=True, slots=True)
class Asked:
    """What is wanted of a fingerprint pass."""

    seed: int = 0
    save: Path | None = None
    seen: Path | None = None
    rehearsal: bool = False
    truth: Path | None = None
    """A plan that says what simulated controllers hold, if not this one."""


def show(plan: Plan, head: dict[str, Any], asked: Asked, *, as_json: bool) -> int:
    """The whole of ``wherry prove PLAN --fingerprint``."""
    seed, save, seen = asked.seed, asked.save, asked.seen
    if asked.rehearsal and seen is not None:
        raise LocalError("--seen is of a real plant, and --rehearsal of simulated controllers: ask for one of them")
    if asked.truth is not None and not asked.rehearsal:
        raise LocalError("--truth belongs to --rehearsal")
    mark = fingerprint_of(plan, Random(seed), beside=True)
    wrong: tuple[Wrong, ...] = ()
    judged = 0
    left: list[str] = []
    notes: list[str] = []
    if asked.rehearsal:
        wrong, judged, left, notes = rehearsed(
            mark, plan, plan if asked.truth is None else load(asked.truth).plan, seed
        )
    elif seen is not None:
        wrong, judged, left = judge(mark, seen)
    notes += [f"one mistake may be behind these: {each}" for each in moved_together(wrong, mark.sources)]
    limits = limits_of(mark)
    if save is not None:
        save_list(mark, save)
    exit_code = Exit.NO if wrong or left else Exit.OK
    if as_json:
        output.json_document(
            {
                **head,
                "seed": seed,
                "steps": mark.steps,
                "values": list(rows_of(mark)),
                "left_out": [each.name for each in mark.left_out],
                "limits": [limit_document(mark, each) for each in limits],
                "pass": "rehearsal" if asked.rehearsal else "site" if seen is not None else None,
                "judged": judged,
                "open": left,
                "wrong": [wrong_document(each) for each in wrong],
                "notes": notes,
                "exit_code": int(exit_code),
            }
        )
        return exit_code
    if seen is None and not asked.rehearsal:
        print_values(mark)
        print_limits(mark, limits)
        if save is not None:
            output.sentence(f"The list to fill in is saved in {output.quoted(save)}.")
    else:
        if asked.rehearsal:
            output.sentence("A rehearsal on simulated controllers: it proves nothing about the plant.")
        print_wrong(wrong, notes, judged, left)
    return exit_code


# The values.


def spelled(place: Place, value: Shown) -> str:
    """A value as somebody gives it, or reads it off."""
    if isinstance(value, bytes):
        return registers(place, value)
    if isinstance(value, bool):
        return "on" if value else "off"
    if isinstance(value, float):
        return f"{value:.7g}"
    return str(value)


def registers(place: Place, data: bytes) -> str:
    """What is read, in hexadecimal; of bits as ones and zeros, the first one first."""
    if place.point.table.is_bits:
        return "".join(str(data[item // 8] >> item % 8 & 1) for item in range(place.point.count))
    return data.hex(" ", 2)


def rows_of(mark: Fingerprint) -> list[dict[str, str]]:
    """The list, a row for each step of each place."""
    found: list[dict[str, str]] = []
    for side, places, contents in (
        (Side.SOURCE, mark.sources, mark.contents),
        (Side.RECEIVER, mark.receivers, mark.puts),
    ):
        for step in range(mark.steps):
            for place in places:
                transfer, name = place.names[0] if place.names else ("", "beside")
                content: Content = contents[place.index][step]
                is_read = side is Side.SOURCE and not (place.is_bool and place.point.bit is not None)
                cells = (side.value, str(step + 1), transfer, name, place.controller, str(place.point), place.unit)
                data = registers(place, content.data) if is_read else ""
                found.append(dict(zip(COLUMNS, (*cells, spelled(place, content.shown), data, ""), strict=True)))
    return found


def save_list(mark: Fingerprint, path: Path) -> None:
    """Write the list. LocalError when the disk does not take it."""
    text = io.StringIO()
    writer = csv.DictWriter(text, COLUMNS, lineterminator="\r\n")
    writer.writeheader()
    writer.writerows(rows_of(mark))
    try:
        path.write_text(text.getvalue(), encoding="utf-8", newline="")
    except OSError as failed:
        raise LocalError(
            f"the list cannot be saved in {output.quoted(path)} ({failed.strerror or failed}); "
            "give another file with --save"
        ) from None


def print_values(mark: Fingerprint) -> None:
    """A table for each side."""
    for title, places, contents, is_beside in (
        ("give these values to the source, by name", mark.sources, mark.contents, False),
        ("and if it can be given them: to registers that the plan does not use", mark.sources, mark.contents, True),
        ("the receiver's program must then show", mark.receivers, mark.puts, False),
    ):
        chosen = [each for each in places if each.is_beside == is_beside]
        if not chosen:
            continue
        heads: list[tuple[str, output.Justify]] = [("controller", "left"), ("name", "left"), ("place", "left")]
        heads += [(f"step {step + 1}", "right") for step in range(mark.steps)]
        heads.append(("unit", "left"))
        rows = [
            (
                each.controller,
                each.name,
                str(each.point),
                *(output.short(spelled(each, content.shown), CELL_COLUMNS) for content in contents[each.index]),
                each.unit,
            )
            for each in chosen
        ]
        output.table(heads, rows, title=title, shrink=(2, 1), drop=(2, len(heads) - 1))
        output.data()
    for place in mark.left_out:
        output.sentence(f"No permitted value was found for `{place.name}` ({place.controller}, {place.point}).")


def print_limits(mark: Fingerprint, limits: Sequence[Limit]) -> None:
    """What the pass cannot see or name."""
    for blind, title in (
        (Blind.RIGHT, "It cannot see these, with no permitted value:"),
        (Blind.EMPTY, "It finds these, and cannot tell them from a place where nothing is:"),
        (Blind.ALIKE, "It finds these, and cannot tell one from the other:"),
    ):
        its = [each for each in limits if each.blind is blind]
        if its:
            output.data(title)
            for limit in its:
                place = f"{limit.side} `{limit.place.name}`"
                faults = _faults(mark, limit)
                told = (
                    "; or ".join(faults)
                    if len(faults) < 5
                    else f"{'; or '.join(faults[:3])}; and {len(faults) - 3} more"
                )
                output.data(output.paragraph(f"  {place}: {told}", hanging=4))
            output.data()
    kinds = ", ".join(FaultKind)
    output.sentence(f"Every other single fault ({kinds}) gives a result of its own and is named.")


def _faults(mark: Fingerprint, limit: Limit) -> list[str]:
    places = mark.sources if limit.side is Side.SOURCE else mark.receivers
    return [describe(limit.side, places, limit.place, changes) for changes in limit.changes]


def limit_document(mark: Fingerprint, limit: Limit) -> dict[str, Any]:
    """For programs."""
    transfer, name = limit.place.names[0]
    return {
        "what": limit.blind.value,
        "side": limit.side.value,
        "transfer": transfer,
        "name": name,
        "faults": _faults(mark, limit),
    }


# What was seen.


def judge(mark: Fingerprint, path: Path) -> tuple[tuple[Wrong, ...], int, list[str]]:
    """What a filled-in list tells, how many places were judged, and which stay open: those of which not every step was
    seen. LocalError for a list that cannot be read."""
    rows = read_list(path)
    source: dict[int, Sequence[bytes | None]] = {}
    receiver: dict[int, Sequence[Shown]] = {}
    left: list[str] = [f"source `{each.name}` (no permitted value)" for each in mark.left_out]
    for side, places in ((Side.SOURCE, mark.sources), (Side.RECEIVER, mark.receivers)):
        for place in (each for each in places if not each.is_beside):
            cells = [rows.get((side.value, str(step + 1), *place.names[0]), "") for step in range(mark.steps)]
            if all(cells) and side is Side.SOURCE:
                source[place.index] = [_read(place, each) for each in cells]
            elif all(cells):
                receiver[place.index] = [_shown(place, each) for each in cells]
            else:
                left.append(f"{side} `{place.name}`")
    wrong = (*judge_source(mark, source), *judge_receiver(mark, receiver))
    return wrong, len(source) + len(receiver), left


def rehearsed(
    mark: Fingerprint, plan: Plan, truth: Plan, seed: int
) -> tuple[tuple[Wrong, ...], int, list[str], list[str]]:
    """The same on simulated controllers: what is wrong, how many places were judged, which are open, and notes."""
    passed = pass_simulated(mark, plan, truth, seed)
    wrong = (*judge_source(mark, passed.read), *judge_receiver(mark, passed.shown, passed.image))
    left = [f"source `{each.name}` (no permitted value)" for each in mark.left_out]
    for side, places, done in (
        (Side.SOURCE, mark.sources, passed.read),
        (Side.RECEIVER, mark.receivers, passed.shown),
    ):
        left += [f"{side} `{each.name}`" for each in places if not each.is_beside and each.index not in done]
    left += [
        f"receiver `{mark.receivers[index].name}` (not carried in step {', '.join(map(str, steps))})"
        for index, steps in passed.not_carried.items()
    ]
    return wrong, len(passed.read) + len(passed.shown), left, []


def read_list(path: Path) -> dict[tuple[str, ...], str]:
    """``seen`` by side, step, transfer and name."""
    try:
        rows = list(csv.DictReader(io.StringIO(path.read_text(encoding="utf-8-sig"), newline="")))
    except (OSError, UnicodeDecodeError, csv.Error) as failed:
        raise LocalError(f"the list {output.quoted(path)} cannot be read ({failed})") from None
    wanted = ("side", "step", "transfer", "name", "seen")
    if not rows or any(each not in rows[0] for each in wanted):
        raise LocalError(
            f"{output.quoted(path)} is no list to judge: it needs the columns {', '.join(wanted)}; make one with --save"
        )
    return {tuple((row[key] or "") for key in wanted[:4]): (row["seen"] or "").strip() for row in rows}


def _read(place: Place, text: str) -> bytes | None:
    """What was read of a source."""
    if text.lower() == REFUSED:
        return None
    plain = re.sub(r"0x|\s", "", text.lower())
    count = place.point.count
    if place.point.table.is_bits:
        if re.fullmatch(f"[01]{{{count}}}", plain):
            return sum(int(bit) << item for item, bit in enumerate(plain)).to_bytes((count + 7) // 8, "little")
        raise _bad(place, text, f"{count} bits as 0 and 1, or `{REFUSED}`")
    if re.fullmatch(f"[0-9a-f]{{{4 * count}}}", plain):
        return bytes.fromhex(plain)
    raise _bad(place, text, f"{count} registers in hexadecimal, four digits each, or `{REFUSED}`")


def _shown(place: Place, text: str) -> Shown:
    """What a receiver's program showed."""
    if text.lower() == NOTHING:
        return None
    kind = place.point.type
    if place.is_bool:
        states = {"on": True, "off": False, "1": True, "0": False, "true": True, "false": False}
        if text.lower() in states:
            return states[text.lower()]
        raise _bad(place, text, f"on, off, or `{NOTHING}`")
    if kind.kind is Kind.STRING:
        return text
    if not kind.is_number:
        return _read(place, text)
    for number in (int, float):
        convert: Callable[[str], int | float] = number
        try:
            return convert(text)
        except ValueError:
            continue
    raise _bad(place, text, f"a number, or `{NOTHING}`")


def _bad(place: Place, text: str, expected: str) -> LocalError:
    return LocalError(
        f"`{text[:40]}` was seen of `{place.name}` ({place.controller}, {place.point}): expected {expected}"
    )


def print_wrong(wrong: Sequence[Wrong], notes: Sequence[str], judged: int, left: Sequence[str]) -> None:
    """What was found, in sentences."""
    for each in wrong:
        output.sentence(f"{each.side}: {each.sentence}.")
    for note in notes:
        output.sentence(f"{note[0].upper()}{note[1:]}.")
    if left:
        output.sentence(f"Open, since not every step was seen: {', '.join(left)}.")
    count = f"{len(wrong)} found wrong. Mend the plan and do it again" if wrong else "none found wrong"
    output.sentence(f"{output.plural(judged, 'place')} judged, {count}.")


def wrong_document(wrong: Wrong) -> dict[str, Any]:
    """For programs."""
    return {
        "side": wrong.side.value,
        "names": [each.name for each in wrong.places],
        "places": [str(each.point) for each in wrong.places],
        "sentence": wrong.sentence,
        "candidates": len(wrong.candidates),
    }
