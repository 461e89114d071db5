"""SunSpec model definitions from a folder of JSON files (those of sunspec/models), and how one lies in registers.

The files are the user's: a definition is read when a device has that model. The form (groups with points, a count that
is a number, 0 for "as many as fit", or the name of a point) is the one of sunspec/models at 7abdf89.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from wherry.errors import LocalError, PlanError
from wherry.importing.sunspec_facts import HEADER_REGISTERS, POINT_TYPES, value_type_of
from wherry.plan.files import read_bytes
from wherry.values.types import ValueType

DEFINITION_BYTES_MAX: Final = 4 * 1024 * 1024
FIELDS_MAX: Final = 65536
"""No more than there are registers: a definition with empty groups must not run for ever."""

FieldPath = tuple[str | int, ...]
"""Groups, with their position from 0 where they repeat, and the point's own name at the end."""


@dataclass(frozen=True, slots=True)
class Field:
    """One point of one model at its place. ``address`` is the PDU address of its first register."""

    model: int
    path: FieldPath
    type_name: str
    address: int
    registers: int
    exponent: str | int | None = None
    """The power of ten to multiply by: a number, or the name of the point that holds it."""
    unit: str = ""
    label: str = ""
    description: str = ""
    is_writable: bool = False
    is_mandatory: bool = False
    symbols: Mapping[int, str] = field(default_factory=dict)

    @property
    def name(self) -> str:
        """The path as one word; repeated groups are counted from 0: ``module_0_DCA``."""
        return "_".join(map(str, self.path))

    @property
    def value_type(self) -> ValueType:
        """How its registers are read."""
        return value_type_of(self.type_name, self.registers)


@dataclass(frozen=True, slots=True)
class Layout:
    """Where the points of one model are, and what does not fit the definition."""

    fields: tuple[Field, ...]
    remarks: tuple[str, ...] = ()


class Definitions:
    """The models that a folder defines, by number. PlanError if there is no such folder."""

    def __init__(self, folder: Path) -> None:
        if not folder.is_dir():
            raise PlanError(f"the folder of model definitions {folder} does not exist")
        self.folder = folder
        self._read: dict[int, Mapping[str, Any] | None] = {}

    def model(self, number: int) -> Mapping[str, Any] | None:
        """The definition's outer group; None if the folder has none. PlanError for a file that cannot be understood."""
        if number not in self._read:
            file = self.folder / f"model_{number}.json"
            self._read[number] = _group(file) if file.is_file() else None
        return self._read[number]


class NoDefinitions(Definitions):
    """No folder was given: every model is one without a definition."""

    def __init__(self) -> None:
        pass

    def model(self, number: int) -> Mapping[str, Any] | None:
        """Always None."""
        return None


def _group(file: Path) -> Mapping[str, Any]:
    data = read_bytes(file, DEFINITION_BYTES_MAX, "the model definition")
    try:
        document = json.loads(data)
        group = document["group"]
        points = group["points"]
        if isinstance(group, dict) and isinstance(points, list):
            return group
    except (ValueError, KeyError, TypeError, RecursionError):
        pass
    raise PlanError(f"{file} is no SunSpec model definition: it has no `group` with `points`")


def lay_out(definition: Mapping[str, Any], model: int, header: int, data: bytes) -> Layout:
    """The points of one model. ``data`` is all of its registers with the two of its header, from address ``header``.

    What the data has no room for is left out, with a remark if it is mandatory. PlanError for a broken definition.
    """
    walk = _Walk(model, header, data)
    try:
        walk.group(definition, ())
    except (KeyError, TypeError, AttributeError, ValueError, RecursionError) as broken:
        raise PlanError(f"the definition of model {model} cannot be understood: {broken!r}") from None
    if walk.at < len(data) // 2 and not walk.is_cut:
        left = len(data) // 2 - walk.at
        walk.remarks.append(
            f"model {model} has {left} register{'s' * (left != 1)} more than its definition: "
            "is there a newer definition of it?"
        )
    return Layout(tuple(walk.fields), tuple(walk.remarks))


class _Walk:
    """The way through a definition, beside the registers."""

    def __init__(self, model: int, header: int, data: bytes) -> None:
        self.model, self.header, self.data = model, header, data
        self.at = 0
        """In registers from the header."""
        self.fields: list[Field] = []
        self.remarks: list[str] = []
        self.is_cut = False
        self._groups = 0
        self._numbers: dict[FieldPath, int] = {}
        """Contents of the one-register points so far: one of them may be the count of a group."""

    def group(self, definition: Mapping[str, Any], path: FieldPath) -> None:
        """All points of one occurrence of a group, then the groups in it."""
        self._groups += 1
        if self._groups > FIELDS_MAX:
            raise ValueError("its groups have no end")
        for point in definition.get("points", ()):
            self._point(point, path)
        for inner in definition.get("groups", ()):
            for position in self._positions(inner, path):
                self.group(inner, (*path, inner["name"], *position))

    def _positions(self, inner: Mapping[str, Any], path: FieldPath) -> Iterator[tuple[int, ...]]:
        count = inner.get("count", 1)
        if count == 1 and "count" not in inner:
            yield ()
            return
        if isinstance(count, str):
            count = self._count(count, path)
            for position in range(count):
                if self.is_cut:
                    return
                yield (position,)
            return
        position = 0
        # A count of 0: as often as there is room.
        while not self.is_cut and position < (count or FIELDS_MAX) and (count or self.at < len(self.data) // 2):
            before = self.at
            yield (position,)
            position += 1
            if count == 0 and self.at == before:
                return

    def _count(self, name: str, path: FieldPath) -> int:
        """How often a group repeats, by what the device says."""
        for depth in range(len(path), -1, -1):
            if (*path[:depth], name) in self._numbers:
                count = self._numbers[*path[:depth], name]
                break
        else:
            raise LocalError(f"the definition of model {self.model} counts by `{name}`, and has no such point before")
        if count == 0xFFFF:
            return 0
        return min(count, FIELDS_MAX)

    def _point(self, point: Mapping[str, Any], path: FieldPath) -> None:
        registers, name = int(point["size"]), str(point["name"])
        if not 1 <= registers <= FIELDS_MAX:
            raise ValueError(f"{name} has the size {registers}")
        start, stop = 2 * self.at, 2 * (self.at + registers)
        if stop > len(self.data) or self.is_cut:
            if point.get("mandatory") == "M" and not self.is_cut:
                self.remarks.append(
                    f"model {self.model} ends before its mandatory point {name}: "
                    f"{len(self.data) // 2 - HEADER_REGISTERS} registers long"
                )
            self.is_cut = True
            return
        if len(self.fields) >= FIELDS_MAX:
            raise LocalError(f"the definition of model {self.model} has no end")
        if registers == 1:
            self._numbers[*path, name] = int.from_bytes(self.data[start:stop], "big")
        symbols = {int(each["value"]): str(each["name"]) for each in point.get("symbols") or ()}
        type_name = str(point["type"])
        if type_name not in POINT_TYPES:
            self.remarks.append(f"model {self.model}: the type `{type_name}` of {name} is not known; kept as it is")
        self.fields.append(
            Field(
                self.model,
                (*path, name),
                type_name,
                self.header + self.at,
                registers,
                point.get("sf"),
                str(point.get("units") or ""),
                str(point.get("label") or ""),
                str(point.get("desc") or ""),
                point.get("access") == "RW",
                point.get("mandatory") == "M",
                symbols,
            )
        )
        self.at += registers
