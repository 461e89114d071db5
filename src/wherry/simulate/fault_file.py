"""A menu of faults by its name, or read from a file (TOML): faults at their times, and a menu to draw from besides."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

from wherry.errors import LocalError
from wherry.findings import Span
from wherry.plan.durations import parse_duration
from wherry.plan.model import Plan
from wherry.plan.positions import Positions
from wherry.plan.toml_errors import not_toml
from wherry.plan.wording import TextError, listed, nearest, shown
from wherry.simulate.fault_kinds import (
    DELAYED,
    MENUS,
    NONE,
    SHARED,
    FaultKind,
    FaultParameters,
    Menu,
    PlannedFault,
    candidates,
)

SUFFIX: Final = ".toml"
FAULT_FILE_BYTES_MAX: Final = 1_000_000  # ours
_KEYS: Final = ("kind", "controller", "at", "for", "every", "share", "delay")
_NEEDED: Final = ("kind", "controller", "at", "for")
_NEEDS_DELAY: Final = DELAYED - {FaultKind.RESET}


class FaultFileError(LocalError):
    """A file of faults that cannot be used. ``span`` is the place, ``source`` its line as it is in the file."""

    def __init__(self, reason: str, span: Span, source: str) -> None:
        super().__init__(f"{span.file}:{span.line}:{span.column}: {reason}")
        self.reason = reason
        self.span = span
        self.source = source


def menu_of(word: str, plan: Plan) -> Menu:
    """The menu ``none``, ``usual`` or ``harsh``, or the one in the file of that name, for this plan.

    LocalError with a sentence for what cannot be understood, or does not fit the plan; FaultFileError with the place,
    if it is in the file.
    """
    if word in MENUS:
        return MENUS[word]
    path = Path(word)
    if path.suffix != SUFFIX and not path.exists():
        near = nearest(word, MENUS)
        hint = f"; did you mean `{near}`?" if near else ""
        raise LocalError(f"there is no menu of faults `{word}`: there are {listed(MENUS)}, or a file{hint}")
    try:
        data = path.read_bytes()
    except OSError as failed:
        raise LocalError(f"{word}: the file of faults cannot be read: {failed.strerror or failed}") from None
    if len(data) > FAULT_FILE_BYTES_MAX:
        raise LocalError(f"{word} has {len(data):,} bytes; a file of faults has at most {FAULT_FILE_BYTES_MAX:,}")
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError as failed:
        raise LocalError(f"{word} is not text in UTF-8 (byte {failed.start})") from None
    return read_menu(text.replace("\r\n", "\n"), word, plan)


def read_menu(text: str, file: str, plan: Plan) -> Menu:
    """The menu that a text says. LocalError as ``menu_of``."""
    try:
        data = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, ValueError, RecursionError) as broken:
        finding = not_toml(broken, text, file)
        span = finding.span or Span(file, 1, 1, 1, 1)
        raise FaultFileError(f"{finding.message}; {finding.fix}", span, source_line(text, span.line)) from None
    return _Reader(text, file, plan).menu(data)


def source_line(text: str, number: int) -> str:
    """One line of a text, counted from one."""
    lines = text.split("\n")
    return lines[number - 1] if number <= len(lines) else ""


class _Reader:
    """One file of faults."""

    def __init__(self, text: str, file: str, plan: Plan) -> None:
        self._text = text
        self._file = file
        self._plan = plan

    def _wrong(self, path: tuple[str | int, ...], message: str, *, on_key: bool = False) -> LocalError:
        span = Positions(self._text, self._file).span(path, on_key=on_key)
        return FaultFileError(message, span, source_line(self._text, span.line))

    def menu(self, data: Mapping[str, Any]) -> Menu:
        for key in data:
            if key not in ("menu", "fault"):
                raise self._wrong(
                    (key,), f"there is no key `{key}` in a file of faults: there are menu and fault", on_key=True
                )
        name, faults = data.get("menu", NONE.name), data.get("fault", [])
        if name not in MENUS:
            raise self._wrong(("menu",), f"there is no menu of faults {shown(name)}: there are {listed(MENUS)}")
        if not isinstance(faults, list) or not all(isinstance(each, dict) for each in faults):
            raise self._wrong(("fault",), "each fault is a table of its own: write `[[fault]]` over it")
        drawn = MENUS[name]
        fixed = tuple(self._fault(("fault", index), each) for index, each in enumerate(faults))
        return Menu(self._file, drawn.gap_ns, drawn.spell_ns, drawn.doses, fixed)

    def _fault(self, path: tuple[str | int, ...], table: Mapping[str, Any]) -> tuple[PlannedFault, int]:
        for key in table:
            if key not in _KEYS:
                near = nearest(key, _KEYS)
                hint = f"did you mean `{near}`?" if near else f"there are {listed(_KEYS, last='and')}"
                raise self._wrong((*path, key), f"a fault has no key `{key}`: {hint}", on_key=True)
        for key in _NEEDED:
            if key not in table:
                raise self._wrong(path, f"this fault has no `{key}`, which it needs")
        kind = self._kind((*path, "kind"), table["kind"])
        controller = self._controller((*path, "controller"), table["controller"], kind)
        start_ns = self._duration((*path, "at"), table["at"])
        length_ns = self._duration((*path, "for"), table["for"], least_ns=1)
        every_ns = self._duration((*path, "every"), table["every"]) if "every" in table else 0
        if "every" in table and every_ns <= length_ns:
            raise self._wrong((*path, "every"), "a fault cannot come again before it is over: `every` is to be longer")
        share = self._share((*path, "share"), table["share"], kind) if "share" in table else 1.0
        delay_ns = 0
        if "delay" in table:
            if kind not in DELAYED:
                raise self._wrong((*path, "delay"), f"`{kind}` has no delay: take it away", on_key=True)
            delay_ns = self._duration((*path, "delay"), table["delay"], least_ns=1)
        elif kind in _NEEDS_DELAY:
            raise self._wrong(path, f'`{kind}` needs a `delay`, for example `delay = "2 s"`')
        parameters = FaultParameters(share, delay_ns)
        return PlannedFault(start_ns, start_ns + length_ns, kind, controller, parameters), every_ns

    def _kind(self, path: tuple[str | int, ...], word: object) -> FaultKind:
        if isinstance(word, str) and word in list(FaultKind):
            return FaultKind(word)
        near = nearest(word, FaultKind) if isinstance(word, str) else ""
        hint = f"did you mean `{near}`?" if near else f"there are {listed(FaultKind, last='and')}"
        raise self._wrong(path, f"there is no kind of fault {shown(word)}: {hint}")

    def _controller(self, path: tuple[str | int, ...], name: object, kind: FaultKind) -> str:
        known = [each.name for each in self._plan.controllers]
        if name not in known:
            raise self._wrong(path, f"the plan has no controller {shown(name)}: there are {listed(known, last='and')}")
        possible = [each.name for each in candidates(self._plan, kind)]
        if name not in possible:
            places = f"it can be at {listed(possible)}" if possible else "it can be at none of this plan"
            raise self._wrong(path, f"`{kind}` ({kind.explanation}) cannot be at {shown(name)}: {places}")
        assert isinstance(name, str)
        return name

    def _duration(self, path: tuple[str | int, ...], text: object, *, least_ns: int = 0) -> int:
        if not isinstance(text, str):
            raise self._wrong(path, f'`{path[-1]}` is a duration in quotes, such as "5 min", not {shown(text)}')
        try:
            duration_ns = parse_duration(text)
        except TextError as wrong:
            raise self._wrong(path, str(wrong)) from None
        if duration_ns < least_ns:
            raise self._wrong(path, f"`{path[-1]}` is to be longer than nothing")
        return duration_ns

    def _share(self, path: tuple[str | int, ...], share: object, kind: FaultKind) -> float:
        if kind not in SHARED:
            raise self._wrong(path, f"`{kind}` hits everything: take `share` away", on_key=True)
        if isinstance(share, bool) or not isinstance(share, int | float) or not 0 < share <= 1:
            raise self._wrong(path, f"`share` is a number above 0 and at most 1, not {shown(share)}")
        return float(share)
