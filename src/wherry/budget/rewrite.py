"""A plan file, and the lists beside it, with values at new places: comments, order and layout stay as they are.

Whatever is made is read again before anybody gets it: it must mean exactly the plan that was proposed.
"""

from __future__ import annotations

import posixpath
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Final

import tomlkit
from tomlkit.exceptions import TOMLKitError

from wherry.budget.exchange_block import Proposal, changed
from wherry.budget.moved import in_one_way
from wherry.budget.rows import reordered
from wherry.errors import LocalError
from wherry.findings import Path as KeyPath
from wherry.findings import Span as Place
from wherry.limits import PLAN_BYTES_MAX
from wherry.plan.csv_list import CsvList
from wherry.plan.document import Document
from wherry.plan.files import read_bytes
from wherry.plan.model import Plan, Point, Span, Transfer, Value
from wherry.plan.tables import ValueList

HEAD_KEYS: Final = ("from", "to", "every", "max_age", "on_loss")
"""The plain keys of a transfer, below which new ones go."""
BOM: Final = "\ufeff"


@dataclass(frozen=True, slots=True)
class Row:
    """One value that is a row of its own: at which position it was, and itself before and after."""

    was: int
    before: Value
    after: Value


@dataclass
class Rewriting:
    """The texts of a plan and its lists on their way to the new ones."""

    document: Document
    old: Plan
    new: Plan
    orders: Mapping[str, tuple[int, ...]]
    files: dict[str, bytes] = field(default_factory=dict)

    def run(self) -> dict[str, bytes]:
        """File name, relative to the plan's folder, -> content. The plan itself comes first."""
        path = Path(self.document.file)
        as_written = read_bytes(path, PLAN_BYTES_MAX, "the plan").decode("utf-8")
        text = as_written.removeprefix(BOM).replace("\r\n", "\n")
        if text != self.document.text:
            raise LocalError(f"{path} was changed while it was read: call this again")
        for transfer in self.old.transfers:
            order = self.orders.get(transfer.name)
            if order is not None and (*transfer.path, "values") not in self.document.lists:
                text = self._in_order(text, transfer, order)
        text = self._with_new_keys(text)
        try:
            made = tomlkit.parse(text)
            self._put_places(made)
            text = tomlkit.dumps(made)
        except (TOMLKitError, KeyError, IndexError, TypeError, RecursionError) as failed:
            raise LocalError(f"{path} cannot be rewritten: {type(failed).__name__} ({failed})") from None
        self.files[path.name] = as_before(text, as_written)
        self._rewrite_lists()
        return self.files

    # The plan itself.

    def _in_order(self, text: str, transfer: Transfer, order: Sequence[int]) -> str:
        """Rows as they must leave. Places are those of the text as it was read: transfers come one after another."""
        places = Document(text, self.document.file, self.document.data)
        rows = [_row_place(places, value, self.document.data) for value in transfer.values[: len(order)]]
        made = reordered(text, rows, order)
        if made is None:
            raise LocalError(
                f"the rows of {transfer.name} need another order, and cannot be parted as they are written: "
                "put each value on a line of its own, then call this again"
            )
        return made

    def _with_new_keys(self, text: str) -> str:
        """Lines for heartbeats and status registers that were not there, below the other keys of their transfers."""
        places = Document(text, self.document.file, self.document.data)
        lines = text.split("\n")
        additions: dict[int, list[str]] = {}
        for old, new in zip(self.old.transfers, self.new.transfers, strict=True):
            for key, is_new, content in new_signs(old, new):
                keys = [each for each in HEAD_KEYS if each in self.document.data["transfer"][old.name]]
                found = [(places.span((*old.path, each)), each) for each in keys]
                place, last = max(found, key=lambda each: each[0].line)
                before = lines[place.line - 1][: place.column - 1]
                # Not within braces: there the writer of TOML adds it.
                match = re.fullmatch(rf"(\s*(?:[\w.-]+\.)?){last}(\s*=\s*)", before)
                if is_new and match is not None:
                    name = key.ljust(len(last) + len(match[2]) - len(match[2].lstrip()))
                    addition = f'{match[1]}{name}{match[2].lstrip().rjust(2)}"{content}"'
                    additions.setdefault(place.line, []).append(addition)
        for line in sorted(additions, reverse=True):
            lines[line:line] = additions[line]
        return "\n".join(lines)

    def _put_places(self, made: Any) -> None:
        for old, new in zip(self.old.controllers, self.new.controllers, strict=True):
            for signal, moved_signal in zip(old.simulation.signals, new.simulation.signals, strict=True):
                if signal.at != moved_signal.at:
                    table_at(made, signal.path)["at"] = moved_signal.at.text
        for transfer, moved in zip(self.old.transfers, self.new.transfers, strict=True):
            table = table_at(made, transfer.path)
            _put_signs(table, transfer, moved)
            in_list = (*transfer.path, "values") in self.document.lists
            for now, row in enumerate(() if in_list else self._rows(transfer, moved)):
                place = table_at(made, (*transfer.path, "values", now))
                _put_changed(place, "take", row.before.take, row.after.take)
                _put_changed(place, "put", row.before.put, row.after.put)
            before = copies_of(transfer)
            for path, (take, put) in copies_of(moved).items():
                place = table_at(made, path)
                _put_changed(place, "take", before[path][0], take)
                _put_changed(place, "put", before[path][1], put)

    def _rows(self, transfer: Transfer, moved: Transfer) -> list[Row]:
        """The rows of a transfer, in their new order."""
        order = self.orders.get(transfer.name)
        if order is None:
            order = tuple(range(sum(not each.is_copy for each in transfer.values)))
        return [Row(was, transfer.values[was], moved.values[now]) for now, was in enumerate(order)]

    # Lists beside it.

    def _rewrite_lists(self) -> None:
        for transfer, moved in zip(self.old.transfers, self.new.transfers, strict=True):
            rows = self.document.lists.get((*transfer.path, "values"))
            if not isinstance(rows, ValueList):
                continue
            data = read_bytes(Path(rows.file), PLAN_BYTES_MAX, "the list")
            name = self._name_of(transfer)
            is_same = all(
                (each.before.take, each.before.put) == (each.after.take, each.after.put)
                for each in self._rows(transfer, moved)
            )
            if not is_same or transfer.name in self.orders:
                if not isinstance(rows.source, CsvList):
                    raise LocalError(
                        f"the values of {transfer.name} stand in the spreadsheet {name}, which cannot be rewritten as "
                        "it is: save it as CSV, name that file in the plan, then call this again"
                    )
                data = self._list(data, rows, transfer, moved)
            known = self.files.setdefault(name, data)
            if known != data:
                raise LocalError(
                    f"two transfers take their values from {name}, and they would stand at different places: "
                    f"give {transfer.name} a list of its own, then call this again"
                )

    def _name_of(self, transfer: Transfer) -> str:
        """The list's name as the plan has it, if it lies in the plan's folder or below it."""
        written = str(tomlkit.parse(self.document.text).unwrap()["transfer"][transfer.name]["values"])
        name = posixpath.normpath(written.replace("\\", "/"))
        if posixpath.isabs(name) or name.startswith("..") or ":" in name.partition("/")[0]:
            raise LocalError(
                f"the list {name} lies outside of the plan's folder: put it there, name it in the plan, "
                "then call this again"
            )
        return name

    def _list(self, data: bytes, rows: ValueList, transfer: Transfer, moved: Transfer) -> bytes:
        as_written = data.decode("utf-8")
        text = as_written.removeprefix(BOM).replace("\r\n", "\n").replace("\r", "\n")
        cells: list[tuple[Place, str]] = []
        for row in self._rows(transfer, moved):
            for key, old, new in (("take", row.before.take, row.after.take), ("put", row.before.put, row.after.put)):
                if old != new:
                    cells.append((rows.row_span(row.was, (key,), on_key=False, offset=None), new.text))
        text = with_cells(text, cells)
        order = self.orders.get(transfer.name)
        if order is not None:
            again = ValueList(CsvList(text.encode("utf-8"), rows.file))
            made = reordered(text, [again.row_span(at, (), on_key=False, offset=None) for at in sorted(order)], order)
            if made is None:
                raise LocalError(
                    f"the rows of {rows.file} need another order, and cannot be parted as they are written: "
                    "save it again as CSV, then call this again"
                )
            text = made
        return as_before(text, as_written)


def _row_place(document: Document, value: Value, data: Mapping[str, Any]) -> Place:
    """Where a row stands, from its first sign to its last."""
    whole = document.span(value.path)
    if whole.line_end > whole.line or document.text.split("\n")[whole.line - 1][whole.column - 1 :].startswith("{"):
        return whole
    # A table with a header of its own: from the header to the last of its keys.
    row: Any = data
    for step in value.path:
        row = row[step]
    ends = [document.span((*value.path, key)) for key in row]
    last = max(ends, key=lambda each: (each.line_end, each.column_end))
    lines = document.text.split("\n")
    return Place(whole.file, whole.line, 1, last.line_end, len(lines[last.line_end - 1]) + 1)


def table_at(made: Any, path: KeyPath) -> Any:
    """The table at a path."""
    for step in path:
        made = made[step]
    return made


def _put_changed(row: Any, key: str, old: Point | Span, new: Point | Span) -> None:
    if old != new:
        row[key] = new.text if isinstance(new, Point) else in_one_way(str(new))


def new_signs(old: Transfer, new: Transfer) -> list[tuple[str, bool, str]]:
    """Keys for the heartbeat and the status registers that change: key, whether it was not there, content."""
    found = []
    if new.alive is not None and new.alive != old.alive:
        found.append(("alive", old.alive is None, new.alive.text))
    if new.status is not None and new.status != old.status:
        found.append(("status", old.status is None, in_one_way(f"{new.status.table} {new.status.start}")))
    return found


def _put_signs(table: Any, old: Transfer, new: Transfer) -> None:
    """Heartbeat, guard counter and status registers."""
    for key, _, content in new_signs(old, new):
        if table.get(key) != content:
            table[key] = content
    if old.careful is not None and new.careful is not None and new.careful != old.careful:
        assert new.careful.guard is not None
        table["guard"] = new.careful.guard.text
    for before, after in zip(old.values, new.values, strict=True):
        if before.is_alive and after.put != before.put:
            assert new.alive is not None
            table["alive_put"] = in_one_way(str(replace(after.put, type=new.alive.type)))


def copies_of(transfer: Transfer) -> dict[KeyPath, tuple[Span, Span]]:
    """Each copy as a whole: its path, and the runs that it takes and puts. LocalError if one has come apart."""
    parts: dict[KeyPath, list[Value]] = {}
    for value in transfer.values:
        if value.is_copy and not value.is_alive:
            parts.setdefault(value.path, []).append(value)
    found: dict[KeyPath, tuple[Span, Span]] = {}
    for path, values in parts.items():
        runs = []
        for points in ([each.take for each in values], [each.put for each in values]):
            count = sum(point.count for point in points)
            first = points[0]
            stops = [point.address for point in points[1:]]
            if stops != [point.address + point.count for point in points[:-1]]:
                raise LocalError(f"a copy of {transfer.name} would come apart: make it values, then call this again")
            runs.append(Span(first.table, first.address, count))
        found[path] = (runs[0], runs[1])
    return found


def with_cells(text: str, cells: Sequence[tuple[Place, str]]) -> str:
    """The text with new contents in some of its cells. A cell may go over several lines."""
    starts = [0]
    for line in text.split("\n"):
        starts.append(starts[-1] + len(line) + 1)
    for place, content in sorted(cells, key=lambda each: (each[0].line, each[0].column), reverse=True):
        start = starts[place.line - 1] + place.column - 1
        end = starts[place.line_end - 1] + place.column_end - 1
        text = text[:start] + content + text[end:]
    return text


def as_before(text: str, as_written: str) -> bytes:
    """The text with the byte order mark and the line ends that the file had."""
    if "\r\n" in as_written:
        text = text.replace("\n", "\r\n")
    elif "\r" in as_written and "\n" not in as_written:
        text = text.replace("\n", "\r")
    return ((BOM if as_written.startswith(BOM) else "") + text).encode("utf-8")


def rewritten(document: Document, plan: Plan, proposal: Proposal) -> dict[str, bytes]:
    """The files of the plan with the new places: name, relative to the plan's folder -> content, the plan first.

    LocalError where the places cannot be written down.
    """
    return Rewriting(document, plan, changed(plan, proposal), proposal.orders).run()
