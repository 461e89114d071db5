"""The keys of a transfer that keep torn readings out, and the one that passes the source's own counter on."""

from __future__ import annotations

from dataclasses import replace

from msgspec import UNSET

from wherry.findings import Path
from wherry.limits import TRIES_MAX
from wherry.plan.model import Careful, Point, Value
from wherry.plan.places import parse_point
from wherry.plan.reader import Reader, read_duration
from wherry.plan.schema import TransferTable
from wherry.values.types import Kind, raw

ALIVE_NAME = "the source's own counter"


def resolve_careful(reader: Reader, table: TransferTable, period_ns: int | None, path: Path) -> Careful | None:
    """How the transfer's source is read; None where a reply is believed as it is."""
    guard = None
    if table.guard is not UNSET:
        guard = _counter(reader, table.guard, (*path, "guard"))
    gap_ns = None
    if isinstance(table.double_read, str):
        gap_ns = read_duration(reader, table.double_read, (*path, "double_read"), low=0)
    elif table.double_read and period_ns is not None:
        gap_ns = period_ns // 2
    tries = reader.whole(table.tries, 1, TRIES_MAX, (*path, "tries"), "readings in one period")
    if guard is None and gap_ns is None:
        return None
    return Careful(guard, gap_ns, 3 if tries is None else tries)


def _counter(reader: Reader, text: str, path: Path) -> Point | None:
    """A place that holds a whole number."""
    point = reader.read(lambda each: parse_point(each, path), text, path)
    if point is None or point.type.kind in (Kind.INT, Kind.UINT):
        return point
    reader.add(
        "bad-value",
        "`guard` is a counter",
        path,
        expected="a register that holds a whole number, such as `holding 8`",
        found=point.text,
        fix="name the register in which the source counts its updates",
    )
    return None


def resolve_alive_put(reader: Reader, table: TransferTable, alive: Point | None, path: Path) -> Value | None:
    """The source's own counter as a value of the transfer; None where it is not passed on."""
    if table.alive_put is UNSET:
        return None
    path = (*path, "alive_put")
    put = reader.read(lambda text: parse_point(text, path), table.alive_put, path)
    if table.alive is UNSET:
        reader.add(
            "missing-key",
            "there is no counter to put there: the transfer has no `alive`",
            path,
            expected="`alive`: a counter that the source's own program keeps moving",
            fix="add `alive`, or take `alive_put` away",
        )
    if put is None or alive is None:
        return None
    for point, where in ((alive, (*path[:-1], "alive")), (put, path)):
        if point.table.is_bits or point.bit is not None:
            reader.add(
                "bad-value",
                "a counter that is passed on takes whole registers",
                where,
                expected="a register, such as `holding 9`",
                found=point.text,
                fix="name a register that the source's program counts up",
            )
            return None
    if put.count == 1 and not _is_typed(put):
        put = replace(put, type=raw(alive.count))
    if put.count != alive.count:
        reader.add(
            "bad-value",
            f"`alive` has {_registers(alive.count)} and `alive_put` {_registers(put.count)}",
            path,
            expected=_registers(alive.count),
            found=put.text,
            fix="give it the type of `alive`",
        )
        return None
    unchanged = raw(alive.count)
    return Value(
        ALIVE_NAME, replace(alive, type=unchanged), replace(put, type=unchanged), is_copy=True, path=path, is_alive=True
    )


def _is_typed(point: Point) -> bool:
    """Whether the user wrote a type: a word behind the address."""
    return any(word[0].isalpha() and word != "address" for word in point.text.split()[1:])


def _registers(count: int) -> str:
    return "one register" if count == 1 else f"{count} registers"
