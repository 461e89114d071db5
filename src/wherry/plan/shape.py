"""Hold the data of a plan file against its shape: unknown keys, missing ones, and values of the wrong kind.

What fits is kept, so that one mistake does not hide the next: a broken entry of a list or of a named table becomes
``None`` in its place, a broken optional key becomes its default, and a value (one row) is kept only if all of it fits.
"""

from __future__ import annotations

import datetime
import json
from collections.abc import Mapping, Sequence
from functools import cache
from typing import Any, Final, TypeVar, cast

import msgspec
from msgspec import inspect

from wherry.findings import Finding, Level, Path
from wherry.plan.durations import EXPECTED as DURATION_EXPECTED
from wherry.plan.places import parse_point
from wherry.plan.schema import TITLES, PlanTable, Table, ValueTable
from wherry.plan.wording import TextError, listed, nearest, printable, shown

T = TypeVar("T", bound=Table)


def examine(data: Mapping[str, Any]) -> tuple[PlanTable, list[Finding]]:
    """The plan's tables, as far as they have the right shape, and what is wrong with the rest."""
    try:
        return msgspec.convert(data, PlanTable), []
    except (msgspec.ValidationError, OverflowError):
        examiner = _Examiner()
        table = examiner.table(PlanTable, dict(data), ())
        assert table is not None, "a plan has no required keys"
        return table, examiner.findings


class _Examiner:
    """One look at a plan: collects the findings."""

    def __init__(self) -> None:
        self.findings: list[Finding] = []

    def add(self, name: str, message: str, path: Path, **more: Any) -> None:
        self.findings.append(Finding(name, Level.ERROR, message, path, **more))

    def table(self, kind: type[T], data: Mapping[str, Any], path: Path) -> T | None:
        """One table; None if a key that must be there is not usable."""
        if kind is ValueTable:
            try:
                return msgspec.convert(data, kind)
            except (msgspec.ValidationError, OverflowError):
                pass
        fields = fields_of(kind)
        before = len(self.findings)
        kept: dict[str, Any] = {}
        for key, value in data.items():
            field = fields.get(key)
            if field is None:
                self._unknown(kind, key, data, path)
                continue
            good, result = self.value(field.type, value, (*path, key), key)
            if good:
                kept[field.name] = result
        for key, field in fields.items():
            if field.required and key not in data:
                self._missing(kind, key, field.type, path)
        is_whole = all(field.name in kept for field in fields.values() if field.required)
        if kind is ValueTable and len(self.findings) > before:
            self._places({key: kept[key] for key in ("take", "put") if key in kept}, path)
            return None
        if not is_whole:
            return None
        return kind(**kept)

    def _places(self, texts: Mapping[str, str], path: Path) -> None:
        """The places of a value that will be dropped: what is wrong with them is told all the same."""
        for key, text in texts.items():
            try:
                parse_point(text)
            except TextError as broken:
                self.findings.append(broken.finding((*path, key)))

    def value(self, wanted: inspect.Type, value: Any, path: Path, key: str) -> tuple[bool, Any]:
        """Whether a value is of the kind that is wanted, and what it becomes."""
        extra: Mapping[str, Any] = {}
        example = ""
        while isinstance(wanted, inspect.Metadata):
            extra = {**(wanted.extra or {}), **extra}
            examples = (wanted.extra_json_schema or {}).get("examples") or []
            example = example or (toml_text(examples[0]) if examples else "")
            wanted = wanted.type
        branch = _branch(wanted, value)
        if branch is None:
            self._wrong_kind(wanted, value, path, key, extra.get("means", ""), example)
            return False, None
        return self._matched(branch, value, path, key, example)

    def _matched(self, wanted: inspect.Type, value: Any, path: Path, key: str, example: str) -> tuple[bool, Any]:
        """The same, once the kind is right: what is inside is looked at."""
        if isinstance(wanted, inspect.StructType):
            kind = cast(type[Table], wanted.cls)
            result = self.table(kind, value, path)
            return result is not None, result
        if isinstance(wanted, inspect.DictType):
            return True, {
                name: self.value(wanted.value_type, each, (*path, name), name)[1] for name, each in value.items()
            }
        if isinstance(wanted, inspect.ListType):
            return True, [
                self.value(wanted.item_type, each, (*path, index), key)[1] for index, each in enumerate(value)
            ]
        if isinstance(wanted, inspect.TupleType):
            return self._tuple(wanted, value, path, key, example)
        if isinstance(wanted, inspect.LiteralType):
            return self._literal(wanted, value, path, key)
        if isinstance(wanted, inspect.FloatType):
            try:
                return True, float(value)
            except OverflowError:
                self.add(
                    "bad-value",
                    f"`{key}` is greater than any number a controller can hold",
                    path,
                    found=shown(value),
                    fix="write a number of fewer digits",
                )
                return False, None
        return True, value

    def _tuple(
        self, wanted: inspect.TupleType, value: Sequence[Any], path: Path, key: str, example: str
    ) -> tuple[bool, Any]:
        count = len(wanted.item_types)
        if len(value) != count:
            self.add(
                "bad-value",
                f"`{key}` takes {count} numbers, not {len(value)}",
                path,
                expected=f"{count} numbers in square brackets",
                found=shown(toml_text(value)).strip('"'),
                fix=f"write it like `{key} = {example}`" if example else f"write {count} numbers",
            )
            return False, None
        parts = [
            self.value(each, item, (*path, index), key)
            for index, (each, item) in enumerate(zip(wanted.item_types, value, strict=True))
        ]
        return all(good for good, _ in parts), tuple(part for _, part in parts)

    def _literal(self, wanted: inspect.LiteralType, value: str, path: Path, key: str) -> tuple[bool, Any]:
        if value in wanted.values:
            return True, value
        words = [str(each) for each in wanted.values]
        near = nearest(value, words)
        self.add(
            "bad-value",
            f"`{key}` cannot be {shown(value)}",
            path,
            expected=listed(f'"{each}"' for each in words),
            found=shown(value),
            fix=f'write "{near}"' if near else "write one of the expected words",
            offset=(0, len(value)),
        )
        return False, None

    def _unknown(self, kind: type[Table], key: str, data: Mapping[str, Any], path: Path) -> None:
        known = list(fields_of(kind))
        seen = printable(key)[:60]
        near = nearest(key, [each for each in known if each not in data]) or nearest(key, known)
        homes = [TITLES[each] for each in TITLES if key in fields_of(each)]
        if near and not homes:
            fix = f"write `{near}`" if near not in data else f"take it away: `{near}` is there already"
        elif homes:
            fix = (
                f"move it: `{seen}` belongs in the table of {listed([_article(each) for each in homes])}"
                if homes != ["plan"]
                else f"move `{seen}` to the top"
            )
        else:
            fix = "take it away, or write one of the expected keys"
        self.add(
            "unknown-key",
            f"`{seen}` is no key of {_article(TITLES[kind])}",
            (*path, key),
            expected=listed(known),
            found=seen,
            fix=fix,
            on_key=True,
        )

    def _missing(self, kind: type[Table], key: str, wanted: inspect.Type, path: Path) -> None:
        described, example = "", ""
        while isinstance(wanted, inspect.Metadata):
            described = described or (wanted.extra_json_schema or {}).get("description", "")
            examples = (wanted.extra_json_schema or {}).get("examples") or []
            example = example or (toml_text(examples[0]) if examples else "")
            wanted = wanted.type
        name = path[-1] if path and isinstance(path[-1], str) else ""
        title = TITLES[kind]
        where = f"{title} `{printable(name)[:60]}`" if name and name != title else f"this {title}"
        hint = f"add `{key} = {example}`" if example else f"add `{key}`"
        self.add(
            "missing-key",
            f"{where} has no `{key}`",
            path,
            expected=f"`{key}`: {_lower(described)}".rstrip("."),
            fix=f"{hint}, with what is right here",
        )

    def _wrong_kind(self, wanted: inspect.Type, value: Any, path: Path, key: str, means: str, example: str) -> None:
        expected = listed(dict.fromkeys(kind_names(wanted)))
        found = f"{kind_of(value)} {shown(value)}" if not isinstance(value, list | dict) else kind_of(value)
        is_number = isinstance(value, int | float) and not isinstance(value, bool)
        if means == "duration" and is_number:
            fix = f'write `{key} = "{shown(value)} ms"` or `{key} = "{shown(value)} s"`, whichever is meant'
            self.add(
                "wrong-kind",
                f"`{key}` is a number without a unit of time",
                path,
                expected=DURATION_EXPECTED,
                found=shown(value),
                fix=fix,
            )
            return
        fix = f"write it like `{key} = {example}`" if example and path[-1:] == (key,) else f"write {expected}"
        if expected == "text" and is_number:
            fix = f'write it in quotes: `"{shown(value)}"`'
        elif "number" in expected and isinstance(value, str) and _is_number(value):
            fix = f"take the quotes away: `{value.strip()}`"
        elif expected == "a whole number" and isinstance(value, float) and value.is_integer():
            fix = f"write `{int(value)}`, without a decimal point" if abs(value) < 1e15 else fix
        elif expected == "true or false" and str(value).lower() in (
            "true",
            "false",
            "0",
            "1",
            "yes",
            "no",
            "on",
            "off",
        ):
            fix = f"write `{'true' if str(value).lower() in ('true', '1', 'yes', 'on') else 'false'}`, without quotes"
        self.add(
            "wrong-kind",
            f"`{key}` is {kind_of(value)} where {expected} is wanted",
            path,
            expected=expected,
            found=found,
            fix=fix,
        )


@cache
def fields_of(kind: type[Table]) -> dict[str, inspect.Field]:
    """The keys of a table as they are written in a plan, in order."""
    info = inspect.type_info(kind)
    assert isinstance(info, inspect.StructType)
    return {field.encode_name: field for field in info.fields}


def _branch(wanted: inspect.Type, value: Any) -> inspect.Type | None:
    """Which of the kinds that are wanted the value has; None if it has none of them."""
    choices = wanted.types if isinstance(wanted, inspect.UnionType) else (wanted,)
    for each in choices:
        bare = each
        while isinstance(bare, inspect.Metadata):
            bare = bare.type
        if isinstance(value, bool):
            fits = isinstance(bare, inspect.BoolType)
        elif isinstance(value, int):
            fits = isinstance(bare, inspect.IntType | inspect.FloatType)
        elif isinstance(value, float):
            fits = isinstance(bare, inspect.FloatType)
        elif isinstance(value, str):
            fits = isinstance(bare, inspect.StrType | inspect.LiteralType)
        elif isinstance(value, list):
            fits = isinstance(bare, inspect.ListType | inspect.TupleType)
        else:
            fits = isinstance(value, dict) and isinstance(bare, inspect.StructType | inspect.DictType)
        if fits:
            return bare
    return None


KIND_NAMES: Final[tuple[tuple[type[inspect.Type], str], ...]] = (
    (inspect.StrType, "text"),
    (inspect.LiteralType, "text"),
    (inspect.BoolType, "true or false"),
    (inspect.IntType, "a whole number"),
    (inspect.FloatType, "a number"),
    (inspect.ListType, "a list"),
    (inspect.TupleType, "a list of numbers"),
    (inspect.StructType, "a table"),
    (inspect.DictType, "a table"),
)


def kind_names(wanted: inspect.Type) -> list[str]:
    """What the kinds that are wanted are called."""
    while isinstance(wanted, inspect.Metadata):
        wanted = wanted.type
    if isinstance(wanted, inspect.UnionType):
        return [name for each in wanted.types for name in kind_names(each)]
    return [next(name for kind, name in KIND_NAMES if isinstance(wanted, kind))]


def kind_of(value: Any) -> str:
    """What a value of a TOML file is called."""
    if isinstance(value, bool):
        return "true or false"
    for kind, name in (
        (str, "text"), (int, "a whole number"), (float, "a number"), (list, "a list"), (dict, "a table"),
        (datetime.datetime, "a date and time"), (datetime.date, "a date"), (datetime.time, "a time of day"),
    ):  # fmt: skip
        if isinstance(value, kind):
            return name
    return "something else"


def toml_text(value: Any) -> str:
    """A plain value as it is written in TOML."""
    if isinstance(value, list | tuple):
        return f"[{', '.join(map(toml_text, value))}]"
    if isinstance(value, bool | str):
        return json.dumps(value, ensure_ascii=False)
    return shown(value)


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return len(text) < 40


def _with_article(words: str) -> str:
    """``a value``, ``an identity``."""
    return f"{'an' if words[0] in 'aeiou' else 'a'} {words}"


def _article(title: str) -> str:
    return (
        "the plan"
        if title == "plan"
        else _with_article(title)
        if title not in ("limits", "response", "simulate")
        else f"`{title}`"
    )


def _lower(text: str) -> str:
    return text[:1].lower() + text[1:]


__all__ = ["examine", "fields_of", "kind_of", "toml_text"]
