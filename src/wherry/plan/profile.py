"""Device profiles: what a kind of controller answers, learned once and used at every site that has one.

A profile is a TOML file of facts. Each is either a bare value, which somebody declared, or a table
``{ value = 16, how = "proved", by = "17 were refused" }``; ``docs/profile.md`` lists them. A plan names one with
``profile = "skid.profile.toml"`` in the table of a controller.
"""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from pathlib import Path
from typing import Any, Final, NoReturn

from wherry import limits as bounds
from wherry.errors import PlanError
from wherry.plan.durations import parse_duration
from wherry.plan.files import read_bytes
from wherry.plan.model import Span, Table
from wherry.plan.positions import Positions
from wherry.plan.wording import TextError, listed, nearest, printable, shown
from wherry.protocol.tolerance import Tolerance

VERSION: Final = 1
_SPAN: Final = re.compile(r"([a-z]+) (\d{1,5})(?:\.\.(\d{1,5}))?")
BYTES_MAX: Final = 4 * 1024 * 1024  # a bound of ours


class Holes(StrEnum):
    """What a device does with a read that touches addresses at which nothing is."""

    ANY = "any"
    ALL = "all"
    ZERO_FILL = "zero-fill"
    START_ONLY = "start-only"
    UNSPLITTABLE = "unsplittable"
    SHIFT = "shift"

    @property
    def words(self) -> str:
        """A sentence without its subject."""
        return _WORDS[self]


_WORDS: Final = {
    Holes.ANY: "refuses a read when anything of it does not exist",
    Holes.ALL: "refuses a read only when nothing of it exists; the rest reads as zero",
    Holes.ZERO_FILL: "refuses nothing: what does not exist reads as zero",
    Holes.START_ONLY: "takes a read only from certain addresses on",
    Holes.UNSPLITTABLE: "refuses a read that would split a value of several registers",
    Holes.SHIFT: "leaves out what does not exist, so that everything behind it moves up and nothing says so",
}


class How(StrEnum):
    """How a fact was found."""

    DECLARED = "declared"
    """The device says it of itself, or a person does."""
    OBSERVED = "observed"
    """It was seen, and nothing that was seen speaks against it."""
    PROVED = "proved"
    """It was tried on both sides: it holds, and the next beyond does not."""


@dataclass(frozen=True, slots=True)
class Fact:
    """One fact. ``value`` as it is written: durations are texts. ``low`` and ``high`` are its 95 % interval."""

    value: Any
    how: How = How.DECLARED
    by: str = ""
    low: str = ""
    high: str = ""


@dataclass(frozen=True, slots=True)
class TableFacts:
    """What is known of one table. ``looked`` is what was looked at; outside of it nothing is known."""

    table: Table
    holes: Fact | None = None
    looked: tuple[Span, ...] = ()
    readable: tuple[Span, ...] = ()
    absent: tuple[Span, ...] = ()
    doubtful: tuple[Span, ...] = ()
    """What reads as zero and may not exist."""
    unsafe: tuple[Span, ...] = ()
    """Runs over which no read may reach, because what is behind them would come as something else."""
    starts: tuple[Span, ...] = ()
    """Where a read may begin, if it may not begin anywhere."""
    wholes: tuple[Span, ...] = ()
    """Values of several registers that cannot be read in parts."""
    counts: tuple[Span, ...] = ()
    moves: tuple[Span, ...] = ()
    refusal: str = ""
    """How the table said that it is not served; then there is nothing else."""


SPAN_KEYS: Final = ("looked", "readable", "absent", "doubtful", "unsafe", "starts", "wholes", "counts", "moves")
TABLE_KEYS: Final = ("holes", *SPAN_KEYS, "refusal")


@dataclass(frozen=True, slots=True)
class Profile:
    """One device, or one kind of device."""

    title: str = ""
    at: str = ""
    """Where it was surveyed."""
    surveyed: str = ""
    """When, RFC 3339; and ``ended``, if the survey ended early, why."""
    ended: str = ""
    device: Mapping[str, Fact] = field(default_factory=dict)
    limits: Mapping[str, Fact] = field(default_factory=dict)
    response: Mapping[str, Fact] = field(default_factory=dict)
    tables: Mapping[Table, TableFacts] = field(default_factory=dict)

    @property
    def readable(self) -> tuple[Span, ...]:
        """Runs that a request may read over: everything in them answers and comes in its own place."""
        return tuple(span for each in self.tables.values() for span in each.readable)

    @property
    def absent(self) -> tuple[Span, ...]:
        """Where nothing is."""
        return tuple(span for each in self.tables.values() for span in each.absent)


# Reading.

Check = Callable[[Any], str]
"""What is expected in place of a value, in words; empty when it fits."""


def _whole(low: int, high: int) -> Check:
    def check(value: Any) -> str:
        fits = isinstance(value, int) and not isinstance(value, bool) and low <= value <= high
        return "" if fits else f"a whole number from {low} to {high}"

    return check


def _is_duration(value: Any) -> str:
    try:
        return "" if isinstance(value, str) and parse_duration(value) >= 0 else "a duration, such as `5 ms`"
    except TextError:
        return "a duration, such as `5 ms`"


def _is_text(value: Any) -> str:
    return "" if isinstance(value, str) else "text"


def _is_units(value: Any) -> str:
    fits = isinstance(value, list) and all(not _whole(0, bounds.UNIT_MAX)(each) for each in value)
    return "" if fits else "a list of unit ids"


def _is_tolerances(value: Any) -> str:
    known = [str(each) for each in Tolerance]
    fits = isinstance(value, list) and all(each in known for each in value)
    return "" if fits else f"a list of {listed(known)}"


def _is_holes(value: Any) -> str:
    known = [str(each) for each in Holes]
    return "" if value in known else listed(known)


DEVICE_CHECKS: Final[Mapping[str, Check]] = {
    **dict.fromkeys(("vendor", "product", "revision", "url", "product_name", "model", "application"), _is_text),
    "server_id": _is_text,
    "functions": _is_text,
    "unit": _whole(0, bounds.UNIT_MAX),
    "units": _is_units,
    "tolerate": _is_tolerances,
    "connections": _whole(1, bounds.CONNECTIONS_MAX),
}
LIMIT_CHECKS: Final[Mapping[str, Check]] = {
    "read": _whole(1, bounds.READ_REGISTERS_MAX),
    "read_bits": _whole(1, bounds.READ_BITS_MAX),
    "in_flight": _whole(1, bounds.IN_FLIGHT_MAX),
    "gap": _is_duration,
    "idle": _is_duration,
}
RESPONSE_CHECKS: Final[Mapping[str, Check]] = dict.fromkeys(
    ("fixed", "per_register", "median", "most_of_20", "longest"), _is_duration
)
TOP_KEYS: Final = ("profile", "title", "at", "surveyed", "ended", "device", "limits", "response", "table")


def read_profile(path: str | Path) -> Profile:
    """A profile from its file. PlanError with file, line and column when it cannot be used."""
    file = Path(path)
    try:
        text = read_bytes(file, BYTES_MAX, "the profile").decode("utf-8")
    except UnicodeDecodeError:
        raise PlanError(f"{file}: the profile is not UTF-8 text") from None
    return parse_profile(text, str(file))


def parse_profile(text: str, file: str = "profile.toml") -> Profile:
    """A profile from its text."""
    text = text.removeprefix("\ufeff").replace("\r\n", "\n")
    try:
        data = tomllib.loads(text)
    except (ValueError, RecursionError) as broken:
        raise PlanError(f"{file}: the profile is no TOML: {printable(str(broken))}") from None
    reading = _Reading(text, file)
    reading.known_keys(data, TOP_KEYS, ())
    if data.get("profile") is True or data.get("profile") != VERSION:
        reading.wrong(("profile",), f"`profile = {VERSION}` says that this is a profile, and of which kind")
    texts = {}
    for key in ("title", "at", "surveyed", "ended"):
        texts[key] = data.get(key, "")
        reading.check(texts[key], _is_text, (key,))
    return Profile(
        **texts,
        device=reading.facts(data, "device", DEVICE_CHECKS),
        limits=reading.facts(data, "limits", LIMIT_CHECKS),
        response=reading.facts(data, "response", RESPONSE_CHECKS),
        tables=reading.tables(data),
    )


class _Reading:
    """Reads one file; the first thing that is wrong ends it, with its place."""

    def __init__(self, text: str, file: str) -> None:
        self._text, self._file = text, file

    def wrong(self, path: tuple[str | int, ...], message: str, *, on_key: bool = False) -> NoReturn:
        span = Positions(self._text, self._file).span(path, on_key=on_key)
        raise PlanError(f"{self._file}:{span.line}:{span.column}: {message}")

    def check(self, value: Any, check: Check, path: tuple[str | int, ...]) -> None:
        if expected := check(value):
            self.wrong(path, f"`{path[-1]}` is {shown(value)}, where {expected} is expected")

    def known_keys(self, data: Mapping[str, Any], known: Sequence[str], path: tuple[str | int, ...]) -> None:
        for key in data:
            if key not in known:
                near = nearest(key, known)
                hint = f"; did you mean `{near}`?" if near else f": {listed(known)}"
                self.wrong((*path, key), f"`{printable(key)}` is no key here{hint}", on_key=True)

    def part(self, data: Mapping[str, Any], path: tuple[str, ...]) -> Mapping[str, Any]:
        value: Any = data
        for key in path:
            value = value.get(key, {})
            if not isinstance(value, dict):
                self.wrong(path, f"`{'.'.join(path)}` is a table")
        return value  # type: ignore[no-any-return]

    def facts(self, data: Mapping[str, Any], key: str, checks: Mapping[str, Check]) -> dict[str, Fact]:
        part = self.part(data, (key,))
        self.known_keys(part, list(checks), (key,))
        return {name: self.fact(value, checks[name], (key, name)) for name, value in part.items()}

    def fact(self, value: Any, check: Check, path: tuple[str | int, ...]) -> Fact:
        if not isinstance(value, dict):
            self.check(value, check, path)
            return Fact(value)
        self.known_keys(value, ("value", "how", "by", "low", "high"), path)
        if "value" not in value:
            self.wrong(path, f"`{path[-1]}` has no `value`")
        self.check(value["value"], check, (*path, "value"))
        how = value.get("how", "declared")
        if how not in list(How):
            self.wrong((*path, "how"), f"`how` is {shown(how)}, where {listed(list(How))} is expected")
        others = {name: value.get(name, "") for name in ("by", "low", "high")}
        for name, text in others.items():
            self.check(text, _is_text, (*path, name))
        return Fact(value["value"], How(how), **others)

    def tables(self, data: Mapping[str, Any]) -> dict[Table, TableFacts]:
        part = self.part(data, ("table",))
        self.known_keys(part, list(Table), ("table",))
        result = {}
        for name in part:
            path = ("table", name)
            table, facts = Table(name), self.part(data, path)
            self.known_keys(facts, TABLE_KEYS, path)
            holes = self.fact(facts["holes"], _is_holes, (*path, "holes")) if "holes" in facts else None
            refusal = facts.get("refusal", "")
            self.check(refusal, _is_text, (*path, "refusal"))
            spans = {key: self.spans(facts.get(key, []), table, (*path, key)) for key in SPAN_KEYS}
            result[table] = TableFacts(table, holes, refusal=refusal, **spans)
        return result

    def spans(self, texts: Any, table: Table, path: tuple[str | int, ...]) -> tuple[Span, ...]:
        if not isinstance(texts, list):
            self.wrong(path, f"`{path[-1]}` is a list of places, such as `{table} 0..99`")
        found = []
        for index, text in enumerate(texts):
            span = span_of(text, table) if isinstance(text, str) else None
            if span is None:
                self.wrong((*path, index), f"{shown(text)} is no place in the {table} table, such as `{table} 0..99`")
            found.append(span)
        return tuple(found)


def span_of(text: str, table: Table) -> Span | None:
    """``holding 0..99`` or ``holding 7``: in a profile addresses count from zero, always. None for anything else."""
    match = _SPAN.fullmatch(text)
    if match is None or match[1] != table:
        return None
    first, last = int(match[2]), int(match[3] or match[2])
    return Span(table, first, last - first + 1) if first <= last < bounds.ITEMS_PER_TABLE else None


# Writing.

HEAD: Final = """\
# Device profile: what a controller answers, and how each fact was found.
# declared: the device, or a person, says so. observed: it was seen. proved: tried on both sides of the bound.
"""
LINE_COLUMNS: Final = 110


def profile_text(profile: Profile) -> str:
    """The file's text; reading it gives an equal profile."""
    lines = [HEAD.rstrip(), f"profile = {VERSION}"]
    texts = {key: getattr(profile, key) for key in ("title", "at", "surveyed", "ended")}
    lines += [f"{key} = {_toml(text)}" for key, text in texts.items() if text]
    for name, facts in (("device", profile.device), ("limits", profile.limits), ("response", profile.response)):
        if facts:
            lines += ["", f"[{name}]", *(f"{key} = {_fact_text(fact)}" for key, fact in facts.items())]
    for table, each in profile.tables.items():
        lines += ["", f"[table.{table}]", *_table_lines(each)]
    return "\n".join(lines) + "\n"


def _table_lines(facts: TableFacts) -> Iterator[str]:
    if facts.refusal:
        yield f"refusal = {_toml(facts.refusal)}"
    if facts.holes is not None:
        yield f"holes = {_fact_text(facts.holes)}"
    for key in SPAN_KEYS:
        spans: tuple[Span, ...] = getattr(facts, key)
        if spans:
            yield f"{key} = {_list_text([str(span) for span in spans], len(key) + 3)}"


def _fact_text(fact: Fact) -> str:
    parts = [f"value = {_toml(fact.value)}"]
    parts += [f"{key} = {_toml(getattr(fact, key))}" for key in ("low", "high") if getattr(fact, key)]
    parts.append(f"how = {_toml(fact.how)}")
    if fact.by:
        parts.append(f"by = {_toml(fact.by)}")
    return f"{{ {', '.join(parts)} }}"


def _list_text(texts: Sequence[str], indent: int) -> str:
    """A list on one line, or on several where it is long."""
    quoted = [_toml(each) for each in texts]
    flat = f"[{', '.join(quoted)}]"
    if indent + len(flat) <= LINE_COLUMNS:
        return flat
    lines, line = [], "  "
    for each in quoted:
        if len(line) + len(each) + 2 > LINE_COLUMNS:
            lines.append(line.rstrip())
            line = "  "
        line += f"{each}, "
    return "\n".join(["[", *lines, line.rstrip(), "]"])


def _toml(value: Any) -> str:
    if isinstance(value, list):
        return f"[{', '.join(map(_toml, value))}]"
    if isinstance(value, str):
        # A JSON text is a TOML basic string, but for what TOML does not want raw.
        return json.dumps(str(value), ensure_ascii=False).replace("\x7f", "\\u007f")
    return str(value)
