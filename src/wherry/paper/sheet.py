"""What each controller's programmer must know of a plan: every register on their side, and what it means.

Pure: from a plan to rows. A row says where, what, how stored, in which unit, who writes it, and what happens on a loss.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Final

from wherry.plan.durations import duration_text
from wherry.plan.model import (
    Careful,
    Command,
    Controller,
    OnLoss,
    OnStep,
    Plan,
    Point,
    Span,
    Storage,
    Table,
    Transfer,
    Value,
    reference_number,
)
from wherry.timing.budget import talks_of
from wherry.values.scaling import Line, line_of
from wherry.values.types import UINT16, Kind, ValueType
from wherry.values.units import line_to_put

COLUMNS: Final = (
    "place",
    "reference",
    "count",
    "type",
    "order",
    "name",
    "number_to_value",
    "unit",
    "range",
    "written_by",
    "transfer",
    "period",
    "on_loss",
    "note",
)
"""The columns of a sheet, in their order; also the heading of the CSV file and the keys of the JSON answer."""

THE_CARRIER: Final = "Wherry"
THE_PROGRAM: Final = "this controller"
STATUS_NOTES: Final = (
    ("heartbeat", "moves with every write, 0 to 65535 and round again; trust nothing here while it stands still"),
    ("quality", "2 Good, 1 Uncertain, 0 Bad; a cleared register reads as Bad"),
    ("age", "age of the values in ms when the write left; 65535: that or more, or nothing has been delivered yet"),
    ("sequence", "counts sets of values that were delivered, or may have been"),
)


@dataclass(frozen=True, slots=True)
class Row:
    """One place in one controller."""

    span: Span
    bit: int | None
    type: str
    order: str
    name: str
    number_to_value: str
    """How the register's number becomes the value in ``unit``; empty when it is the same."""
    unit: str
    range: str
    written_by: str
    transfer: str
    period: str
    on_loss: str
    note: str

    @property
    def place(self) -> str:
        return f"{self.span}.{self.bit}" if self.bit is not None else str(self.span)

    @property
    def reference(self) -> str:
        """The reference numbers from one."""
        first = reference_number(self.span.table, self.span.start)
        if self.bit is not None:
            return f"{first}.{self.bit}"
        return first if self.span.count == 1 else f"{first}..{reference_number(self.span.table, self.span.last)}"

    def cells(self) -> dict[str, str]:
        """The row by column (``COLUMNS``)."""
        return {
            "place": self.place,
            "reference": self.reference,
            "count": str(self.span.count),
            "type": self.type,
            "order": self.order,
            "name": self.name,
            "number_to_value": self.number_to_value,
            "unit": self.unit,
            "range": self.range,
            "written_by": self.written_by,
            "transfer": self.transfer,
            "period": self.period,
            "on_loss": self.on_loss,
            "note": self.note,
        }


@dataclass(frozen=True, slots=True)
class Sheet:
    """All rows of one controller, by table and address, and what its programmer must know beside them."""

    controller: Controller
    rows: tuple[Row, ...]
    on_stop: tuple[str, ...]
    """What happens here when Wherry stops, in sentences."""


def sheet_of(plan: Plan, controller: Controller) -> Sheet:
    """The sheet of one controller."""
    rows = [row for transfer in plan.transfers for row in _transfer_rows(transfer, controller)]
    rows += [row for command in plan.commands for row in _command_rows(command, controller)]
    if controller.identity is not None:
        for each in controller.identity.registers:
            note = f"must hold {each.content}: tells this device from another before anything is written"
            rows.append(_row(each.at, "identity", THE_PROGRAM, note=note))
    rows.sort(key=lambda row: (list(Table).index(row.span.table), row.span.start, -1 if row.bit is None else row.bit))
    return Sheet(controller, tuple(_merged(rows)), tuple(on_stop(plan, controller)))


def _merged(rows: list[Row]) -> Iterator[Row]:
    """What is read by several transfers is one place: one row that names them all."""
    last: Row | None = None
    for row in rows:
        same = last is not None and (last.span, last.bit, last.type, last.order, last.name, last.written_by) == (
            row.span,
            row.bit,
            row.type,
            row.order,
            row.name,
            row.written_by,
        )
        if same and last is not None and row.written_by == THE_PROGRAM:
            names = last.transfer if row.transfer in last.transfer.split(", ") else f"{last.transfer}, {row.transfer}"
            last = replace(last, transfer=names)
            continue
        if last is not None:
            yield last
        last = row
    if last is not None:
        yield last


# Transfers.


def _transfer_rows(transfer: Transfer, controller: Controller) -> Iterator[Row]:
    period = duration_text(transfer.period_ns)
    common = {"transfer": transfer.name, "period": period}
    if controller.name == transfer.source:
        for value in transfer.values:
            if not value.is_alive:
                yield _taken(value, common)
        if transfer.alive is not None:
            longest = duration_text(transfer.max_age_ns)
            note = f"must change at least every {longest} while the program runs, or its values are not carried"
            yield _row(transfer.alive, "own counter", THE_PROGRAM, note=note, **common)
        if transfer.careful is not None and transfer.careful.guard is not None:
            yield _row(transfer.careful.guard, "guard", THE_PROGRAM, note=_guard_note(transfer.careful), **common)
    if controller.name == transfer.destination:
        for value in transfer.values:
            yield _put(transfer, value, controller, common)
            if value.verify_ns is not None and value.verify_at is not None:
                note = f"shows what became of `{value.name}` within {duration_text(value.verify_ns)}"
                yield _row(value.verify_at, f"{value.name}, shown back", THE_PROGRAM, note=note, **common)
        if transfer.status is not None:
            for offset, (name, note) in enumerate(STATUS_NOTES):
                point = Point(Table.HOLDING, transfer.status.start + offset, UINT16)
                name = f"{name} of {transfer.name}"
                unit = "ms" if offset == 2 else ""
                yield _row(point, name, THE_CARRIER, unit=unit, note=note, on_loss="tells it", **common)


def _guard_note(careful: Careful) -> str:
    if careful.gap_ns is None:
        return "counts once when an update begins and once when it ends: odd while one is under way"
    return "counts with each update"


def _taken(value: Value, common: dict[str, str]) -> Row:
    notes = []
    if value.not_available:
        notes.append(f"no value: {', '.join(f'{each:#x}' for each in value.not_available)}")
    if value.jump is not None:
        notes.append(f"moves by at most {value.jump:g} in a period")
    if value.counter is not None:
        round_again = f", and begins again at {value.modulus:g}" if value.modulus is not None else ""
        notes.append(f"counts {value.counter}{round_again}")
    if value.group:
        notes.append(f"belongs together with the others of group {value.group}")
    line = line_of(value.take_scale)
    return _row(
        value.take,
        value.name,
        THE_PROGRAM,
        number_to_value=formula(line),
        unit=value.unit,
        range=_range(value),
        note="; ".join(notes),
        on_loss="",
        **common,
    )


def _put(transfer: Transfer, value: Value, controller: Controller, common: dict[str, str]) -> Row:
    notes = []
    if value.clamp:
        notes.append("what does not fit is put as the nearest that does")
    if value.step is not None:
        what = "moves there in steps" if value.on_step is OnStep.RAMP else "is held back when further"
        notes.append(f"at most {value.step:g} in a period: {what}")
    if value.is_on_change:
        often = f", and every {duration_text(value.refresh_ns)}" if value.refresh_ns is not None else ""
        notes.append(f"written when it changes{often}")
    if value.verify_ns is not None:
        notes.append("is read back: nobody else may write it")
    if value.group:
        notes.append(f"comes together with the others of group {value.group}")
    if value.is_alive:
        notes.append("the source's own counter, as it is")
    storage = controller.storage if value.storage is Storage.UNKNOWN else value.storage
    if storage is not Storage.VOLATILE:
        notes.append(f"storage is {storage}: counts as wearing")
    if value.put.bit is not None:
        owns = controller.owns_word(value.put)
        notes.append(
            "nobody else may write this word" if owns else "set by a mask: the word's other bits are left alone"
        )
    line = line_to_put(value.unit, value.put_unit, value.scale)
    return _row(
        value.put,
        value.name,
        THE_CARRIER,
        number_to_value=formula(line.inverse),
        unit=value.unit,
        range=_range(value),
        on_loss=_on_loss(transfer, value),
        note="; ".join(notes),
        **common,
    )


def _on_loss(transfer: Transfer, value: Value) -> str:
    if transfer.on_loss is OnLoss.SUBSTITUTE and value.substitute is not None and not value.is_alive:
        is_bool = isinstance(value.substitute, bool)
        shown = f"{value.substitute:g}" if isinstance(value.substitute, float) else str(value.substitute)
        if is_bool:
            shown = "1 (on)" if value.substitute else "0 (off)"
        return f"becomes {shown}{f' {value.unit}' if value.unit else ''}"
    return "keeps its last value"


# Commands.


def _command_rows(command: Command, controller: Controller) -> Iterator[Row]:
    common = {"transfer": command.name, "period": duration_text(command.period_ns)}
    if controller.name == command.source:
        yield _row(
            command.request,
            f"request number of {command.name}",
            THE_PROGRAM,
            note=f"another number asks for it once; 0 asks for nothing; good for {duration_text(command.expiry_ns)}",
            **common,
        )
        for value in command.values:
            yield _taken(value, common)
        if command.answer is not None:
            for offset, name in enumerate(("number answered", "outcome", "result")):
                point = Point(Table.HOLDING, command.answer.start + offset, UINT16)
                yield _row(point, f"{name} of {command.name}", THE_CARRIER, note="", on_loss="", **common)
    if controller.name == command.destination:
        for value in command.values:
            yield _put(command.as_transfer, value, controller, common)
        note = "carry out when it differs from the last one carried out and is not 0"
        yield _row(command.put, f"request number of {command.name}", THE_CARRIER, note=note, **common)
        note = "the number that was carried out last; written after the result"
        yield _row(command.acknowledge, f"acknowledge of {command.name}", THE_PROGRAM, note=note, **common)
        if command.result is not None:
            yield _row(command.result, f"result of {command.name}", THE_PROGRAM, note="", **common)


# Cells.


def _row(
    point: Point,
    name: str,
    written_by: str,
    *,
    number_to_value: str = "",
    unit: str = "",
    range: str = "",
    transfer: str = "",
    period: str = "",
    on_loss: str = "",
    note: str = "",
) -> Row:
    return Row(
        point.span,
        point.bit,
        _type(point.type, point.table),
        str(point.order) if point.type.registers > 1 and point.type.kind is not Kind.RAW else "",
        name,
        number_to_value,
        unit,
        range,
        written_by,
        transfer,
        period,
        on_loss,
        note,
    )


def _type(kind: ValueType, table: Table) -> str:
    if table.is_bits:
        return "bit" if kind.kind is Kind.BOOL else "bits"
    return "bit" if kind.kind is Kind.BOOL else ("as it is" if kind.kind is Kind.RAW else str(kind))


def _range(value: Value) -> str:
    return "" if value.range is None else f"{value.range[0]:g} .. {value.range[1]:g}"


def formula(line: Line) -> str:
    """``x 0.01``, ``x 0.5556 - 17.78``: what is done to a number; empty for nothing."""
    parts = []
    if line.factor != 1:
        parts.append(f"x {_decimal(line.factor)}")
    if line.offset:
        parts.append(f"{'+' if line.offset > 0 else '-'} {_decimal(abs(line.offset))}")
    return " ".join(parts)


def _decimal(number: Fraction) -> str:
    """As a decimal, exact where six digits are enough; else as a fraction of whole numbers where that is short."""
    text = f"{float(number):.6g}"
    if Fraction(text) == number:
        return text
    short = f"{number.numerator}/{number.denominator}"
    return short if len(short) <= 9 else text


# Beside the rows.


def on_stop(plan: Plan, controller: Controller) -> Iterator[str]:
    """What happens in this controller when Wherry stops or is cut off, for the page that says so."""
    name = controller.name
    for transfer in plan.transfers:
        if transfer.destination != name:
            continue
        if transfer.status is None:
            yield f"`{transfer.name}`: nothing here tells that it has stopped: the plan gives it no status registers."
            continue
        first = transfer.status.start
        yield (
            f"`{transfer.name}`: the heartbeat in holding {first} ({reference_number(Table.HOLDING, first)}) stands "
            f"still. Stopped by hand, holding {first + 1} (quality) reads 0 before that; cut off, it stays as it was."
        )
        yield f"`{transfer.name}`: no value is written any more; each stays as it was written last."
    if any(each.destination == name for each in plan.putting):
        if controller.when_silent is None:
            yield f"The plan does not say what {name} does when nothing is written to it any more: try it out."
        else:
            yield f"As the plan says, {name} then {controller.when_silent.words}: try it out."
        if controller.lease_ns is not None:
            yield f"{name} keeps what it was given for {duration_text(controller.lease_ns)}, as the plan says."
    taken = [each.name for each in plan.putting if each.source == name]
    if taken:
        names = ", ".join(dict.fromkeys(taken))
        yield f"What is read from {name} ({names}) leaves no trace in it: it cannot notice a stop."


@dataclass(frozen=True, slots=True)
class Connection:
    """One line of the firewall's list. Wherry opens it; nothing is opened towards Wherry."""

    controller: str
    host: str
    port: int
    protocol: str
    units: tuple[int, ...]
    connections: int
    writes: bool


def connections_of(plan: Plan) -> tuple[Connection, ...]:
    """Who talks to whom on which port, as the budget has it: one line for each address, in the order of the plan."""
    return tuple(
        Connection(
            ", ".join(talk.controllers),
            talk.host,
            talk.port,
            talk.protocol,
            tuple(sorted({plan.controller(each).unit for each in talk.controllers})),
            talk.connections,
            talk.writes,
        )
        for talk in talks_of(plan)
    )
