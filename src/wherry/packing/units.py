"""What must not be torn: a value, the values of a group, the bits of one register that are set together.

A group that cannot be kept together is reported as a ``GroupProblem``, and its values are packed as if they had no
group. That keeps packing total and repeatable; a plan with such a group must be refused before it is run (finding
``group-not-together``).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

from wherry.packing.reads import is_covered
from wherry.plan.model import Limits, Point, Span, Table, Transfer


@dataclass(frozen=True, slots=True)
class Unit:
    """Values (positions in ``transfer.values``) that stay in one request, and the items they span together."""

    span: Span
    values: tuple[int, ...]
    is_mask: bool = False


@dataclass(frozen=True, slots=True)
class GroupProblem:
    """Why the values of a group cannot be kept together on one side."""

    group: str
    side: Literal["take", "put"]
    values: tuple[int, ...]
    reason: str
    value: int
    """The value at which it fails."""


def read_units(
    transfer: Transfer, limits: Limits, readable: Sequence[Span]
) -> tuple[tuple[Unit, ...], tuple[GroupProblem, ...]]:
    """What a transfer reads. ``readable`` is the union of all that may be read, declared points included."""
    units: list[Unit] = []
    problems: list[GroupProblem] = []
    groups = _groups(transfer)
    for index, value in enumerate(transfer.values):
        if not value.group:
            units.append(Unit(value.take.span, (index,)))
    for group, members in groups.items():
        problem = _read_problem(transfer, group, members, limits, readable)
        if problem is None:
            units.append(Unit(_hull([transfer.values[index].take for index in members]), members))
        else:
            problems.append(problem)
            units.extend(Unit(transfer.values[index].take.span, (index,)) for index in members)
    return tuple(units), tuple(problems)


def write_units(transfer: Transfer, limits: Limits) -> tuple[tuple[Unit, ...], tuple[GroupProblem, ...]]:
    """What a transfer puts, in the order in which it leaves."""
    problems: list[GroupProblem] = []
    broken: set[str] = set()
    for group, members in _groups(transfer).items():
        problem = _write_problem(transfer, group, members, limits)
        if problem is not None:
            problems.append(problem)
            broken.add(group)
    together: dict[object, list[int]] = {}
    for index, value in enumerate(transfer.values):
        key: object = index
        if value.put.bit is not None:
            key = value.put.span
        elif value.group and value.group not in broken:
            key = value.group
        together.setdefault(key, []).append(index)
    units = [
        Unit(
            _hull([transfer.values[index].put for index in members]),
            tuple(members),
            transfer.values[members[0]].put.bit is not None,
        )
        for members in together.values()
    ]
    units.sort(key=lambda unit: unit.values[-1])
    return tuple(units), tuple(problems)


def _groups(transfer: Transfer) -> dict[str, tuple[int, ...]]:
    groups: dict[str, list[int]] = {}
    for index, value in enumerate(transfer.values):
        if value.group:
            groups.setdefault(value.group, []).append(index)
    return {name: tuple(members) for name, members in groups.items()}


def _hull(points: Sequence[Point]) -> Span:
    if len(points) == 1:
        return points[0].span
    start = min(point.address for point in points)
    stop = max(point.address + point.count for point in points)
    return Span(points[0].table, start, stop - start)


def _read_problem(
    transfer: Transfer, group: str, members: tuple[int, ...], limits: Limits, readable: Sequence[Span]
) -> GroupProblem | None:
    if len(members) == 1:
        return None
    points = [transfer.values[index].take for index in members]
    for index, point in zip(members, points, strict=True):
        if point.table is not points[0].table:
            reason = f"its values stand in two tables, {points[0].table} and {point.table}"
            return GroupProblem(group, "take", members, reason, index)
    hull = _hull(points)
    count_max = limits.read_count_max(hull.table)
    if hull.count > count_max:
        reason = f"from first to last it spans {hull.count} {_items(hull.table)}, and one read takes {count_max}"
        return GroupProblem(group, "take", members, reason, _at_end(members, points))
    if not is_covered(hull, readable):
        reason = f"{hull} holds addresses that the plan does not declare as readable"
        return GroupProblem(group, "take", members, reason, _at_end(members, points))
    return None


def _write_problem(transfer: Transfer, group: str, members: tuple[int, ...], limits: Limits) -> GroupProblem | None:
    points = [transfer.values[index].put for index in members]
    first = points[0]
    has_bits = any(point.bit is not None for point in points)
    for index, point in zip(members, points, strict=True):
        if point.table is not first.table:
            reason = f"its values go to two tables, {first.table} and {point.table}"
            return GroupProblem(group, "put", members, reason, index)
        if (
            has_bits
            and (point.bit is None or first.bit is None or point.address != first.address)
            and index != members[0]
        ):
            reason = "single bits of a register are put by a request of their own, one for each register"
            return GroupProblem(group, "put", members, reason, index)
    if has_bits:
        return None
    placed = sorted(zip(points, members, strict=True), key=lambda pair: pair[0].address)
    for (before, _), (point, index) in pairwise(placed):
        if point.address != before.address + before.count:
            reason = f"{before.span} and {point.span} do not follow one another, and what lies between is not ours"
            return GroupProblem(group, "put", members, reason, index)
    hull = _hull(points)
    count_max = limits.write_count_max(hull.table)
    if hull.count > count_max and len(members) > 1:
        reason = f"together it is {hull.count} {_items(hull.table)}, and one write takes {count_max}"
        return GroupProblem(group, "put", members, reason, placed[-1][1])
    return None


def _at_end(members: Sequence[int], points: Sequence[Point]) -> int:
    """The value that reaches furthest."""
    return max(zip(points, members, strict=True), key=lambda pair: (pair[0].address + pair[0].count, pair[1]))[1]


def _items(table: Table) -> str:
    return "bits" if table.is_bits else "registers"
