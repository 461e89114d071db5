"""The commands of a plan."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from msgspec import UNSET

from wherry import limits as bounds
from wherry.findings import Path, Related
from wherry.plan.model import Command, Controller, Point, Span, Table, Value
from wherry.plan.places import parse_point, parse_span
from wherry.plan.reader import Reader, read_duration
from wherry.plan.resolve_values import resolve_row
from wherry.plan.schema import CommandTable, PlanTable, ValueTable
from wherry.plan.wording import shown
from wherry.values.types import Kind

Named = Callable[[str, Path], Controller | None]
"""The controller of that name; None and a finding if there is none."""


def resolve_commands(
    reader: Reader, plan: PlanTable, named: Named, check_name: Callable[[str, Path], None]
) -> tuple[Command, ...]:
    """The commands, in the order of the file; without those that cannot be used."""
    tables: Mapping[str, CommandTable | None] = plan.command
    found: list[Command] = []
    for name, table in tables.items():
        check_name(name, ("command", name))
        if name in plan.transfer:
            reader.add(
                "duplicate-name",
                f"a command and a transfer are both called {shown(name)}",
                ("command", name),
                expected="a name of its own",
                found=shown(name),
                fix="name one of them otherwise",
                related=(Related("the transfer", ("transfer", name)),),
                on_key=True,
            )
        command = None if table is None else _command(reader, name, table, named)
        if command is not None:
            found.append(command)
    return tuple(found)


def _command(reader: Reader, name: str, table: CommandTable, named: Named) -> Command | None:
    path: Path = ("command", name)
    source, destination = named(table.from_, (*path, "from")), named(table.to, (*path, "to"))
    period_ns = read_duration(
        reader, table.every, (*path, "every"), low=bounds.PERIOD_NS_MIN, high=bounds.PERIOD_NS_MAX
    )
    expiry_ns = read_duration(reader, table.expiry, (*path, "expiry"))
    request = _register(reader, table.request, (*path, "request"))
    put = _register(reader, table.put, (*path, "put"), is_written=True)
    acknowledge = _register(reader, table.acknowledge, (*path, "acknowledge"))
    result = None if table.result is UNSET else _register(reader, table.result, (*path, "result"))
    answer = None if table.answer is UNSET else _answer(reader, table.answer, (*path, "answer"))
    values = _values(reader, table.values, path)
    if source is None or destination is None or period_ns is None or expiry_ns is None:
        return None
    if request is None or put is None or acknowledge is None:
        return None
    return Command(
        name,
        source.name,
        destination.name,
        period_ns,
        request,
        put,
        acknowledge,
        expiry_ns,
        values,
        result,
        answer,
        path,
    )


def _register(reader: Reader, text: str, path: Path, *, is_written: bool = False) -> Point | None:
    """One register with a number from 0 to 65535."""
    point = reader.read(lambda each: parse_point(each, path), text, path)
    if point is None:
        return None
    is_number = point.type.kind in (Kind.UINT, Kind.INT) and point.count == 1 and not point.table.is_bits
    if is_number and (point.table is Table.HOLDING or not is_written):
        return point
    if path[-1] == "request" and (point.bit is not None or point.table.is_bits):
        reader.add(
            "bad-value",
            "a single bit cannot ask for a command: a pulse is lost or counted twice, and nobody can tell",
            path,
            expected="a register in which the source's program counts its requests",
            found=point.text,
            fix="let the source's program count up a register with each request, and name that one",
        )
        return None
    reader.add(
        "bad-value",
        f"`{path[-1]}` is one {'holding ' if is_written else ''}register with a whole number",
        path,
        expected="a register such as `holding 20`",
        found=point.text,
        fix="name a register of 16 bits",
    )
    return None


def _answer(reader: Reader, text: str, path: Path) -> Span | None:
    """Three holding registers, given by the first or as a run."""
    span = reader.read(parse_span, text, path)
    if span is None:
        return None
    count = bounds.ANSWER_REGISTERS
    if span.table is Table.HOLDING and span.count in (1, count) and span.start + count <= bounds.ITEMS_PER_TABLE:
        return Span(span.table, span.start, count)
    reader.add(
        "bad-value",
        f"the answer takes {count} holding registers in the source: request number, outcome, result",
        path,
        expected=f"the first of {count} holding registers, such as `holding 30`",
        found=shown(text),
        fix="name a free holding register of the source that two more follow",
    )
    return None


def _values(reader: Reader, rows: Sequence[ValueTable | None], path: Path) -> tuple[Value, ...]:
    values: list[Value] = []
    for index, row in enumerate(rows):
        value = None if row is None else resolve_row(reader, row, (*path, "values", index))
        if value is None:
            continue
        if value.name in {each.name for each in values}:
            reader.add(
                "duplicate-name",
                f"two values of the command are called `{value.name}`",
                (*value.path, "name"),
                expected="a name of its own",
                found=shown(value.name),
                fix="name one of them otherwise",
            )
            continue
        values.append(value)
    return tuple(values)
