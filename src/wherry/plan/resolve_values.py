"""The values of one transfer: rows and copies, each with its two places."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Final

from msgspec import UNSET, UnsetType

from wherry.findings import Path, Related
from wherry.plan.model import Controller, Direction, OnStep, Point, Rounding, Scale, Storage, Value
from wherry.plan.places import parse_point
from wherry.plan.reader import Reader, read_duration
from wherry.plan.schema import CopyTable, ValueTable
from wherry.plan.wording import TextError, shown
from wherry.values.types import Kind, Order, raw

ROUNDINGS: Final = {each.value: each for each in Rounding}
CODE_DIGITS_MAX: Final = 40  # a bound of ours: no register content is longer


def resolve_row(reader: Reader, row: ValueTable, path: Path) -> Value | None:
    """One value; None and findings if any part of it is broken."""
    before = len(reader.findings)
    take = _point(reader, row.take, (*path, "take"))
    put = _point(reader, row.put, (*path, "put"))
    name = row.name
    if not name.strip() or not name.isprintable():
        what = "the `name` is empty" if not name.strip() else "the `name` holds a character that cannot be printed"
        reader.add(
            "bad-value",
            what,
            (*path, "name"),
            expected="words that tell what the value is",
            found=shown(name),
            fix="name the value as the plant's people call it",
        )
    codes = _codes(reader, row, path) if row.not_available else ()
    if row.range is not UNSET:
        _check_range(reader, row.range, (*path, "range"))
    take_scale = None if row.take_scale is UNSET else _scale(reader, row.take_scale, (*path, "take_scale"))
    scale = None if row.scale is UNSET else _scale(reader, row.scale, (*path, "scale"))
    substitute = None if row.substitute is UNSET else row.substitute
    if isinstance(substitute, float):
        reader.finite(substitute, (*path, "substitute"))
    jump = _above_zero(reader, row.jump, (*path, "jump"), "the largest step, in `unit`")
    modulus = _above_zero(reader, row.modulus, (*path, "modulus"), "the number at which it begins again from 0")
    deadband = None if row.deadband is UNSET else _not_negative(reader, row.deadband, (*path, "deadband"))
    shortest_ns = None if row.shortest is UNSET else read_duration(reader, row.shortest, (*path, "shortest"))
    refresh_ns = None if row.refresh is UNSET else read_duration(reader, row.refresh, (*path, "refresh"))
    step = _above_zero(reader, row.step, (*path, "step"), "the largest change in one period, in `unit`")
    verify_ns = None if row.verify is UNSET else read_duration(reader, row.verify, (*path, "verify"))
    verify_at = None if row.verify_at is UNSET else _point(reader, row.verify_at, (*path, "verify_at"))
    tolerance = _not_negative(reader, row.tolerance, (*path, "tolerance"))
    if take is None or put is None or len(reader.findings) > before:
        return None
    if take.type.kind is Kind.RAW and put.type.kind is Kind.RAW and take.count != put.count:
        _lengths_differ(reader, take, put)
        return None
    return Value(
        name,
        take,
        put,
        take_scale,
        scale,
        row.unit,
        row.put_unit,
        None if row.range is UNSET else row.range,
        codes,
        row.clamp,
        ROUNDINGS[row.rounding],
        substitute,
        row.group,
        False,
        path,
        jump,
        None if row.counter is UNSET else Direction(row.counter),
        modulus,
        deadband,
        shortest_ns or 0,
        refresh_ns,
        any(each is not UNSET for each in (row.deadband, row.shortest, row.refresh)),
        storage=Storage.UNKNOWN if row.storage is UNSET else Storage(row.storage),
        step=step,
        on_step=OnStep(row.on_step),
        verify_ns=verify_ns,
        verify_at=verify_at,
        tolerance=tolerance or 0.0,
    )


def _not_negative(reader: Reader, number: float, path: Path) -> float | None:
    """A number that is not below zero; None and a finding if it is."""
    if not reader.finite(number, path):
        return None
    if number >= 0:
        return number
    reader.add(
        "bad-value",
        f"`{path[-1]}` cannot be {number:g}",
        path,
        expected="0 or a greater number",
        found=f"{number:g}",
        fix=f"write `{-number:g}`",
    )
    return None


def _above_zero(reader: Reader, number: float | UnsetType, path: Path, what: str) -> float | None:
    """A number greater than zero; None if it is not written, or (with a finding) if it is another one."""
    if number is UNSET or not reader.finite(number, path):
        return None
    if number > 0:
        return number
    reader.add(
        "bad-value",
        f"`{path[-1]}` cannot be {number:g}",
        path,
        expected="a number greater than 0",
        found=f"{number:g}",
        fix=f"write {what}, or take the key away",
    )
    return None


def _point(reader: Reader, text: str, path: Path) -> Point | None:
    try:
        return parse_point(text, path)
    except TextError as fault:
        reader.findings.append(fault.finding(path))
        return None


def _scale(reader: Reader, ends: tuple[float, float, float, float], path: Path) -> Scale | None:
    for index, end in enumerate(ends):
        if not math.isfinite(end):
            reader.finite(end, (*path, index))
            return None
    return Scale(*ends)


def _check_range(reader: Reader, ends: tuple[float, float], path: Path) -> None:
    low, high = ends
    if not (math.isfinite(low) and math.isfinite(high)):
        reader.finite(low if not math.isfinite(low) else high, (*path, 0 if not math.isfinite(low) else 1))
    elif low >= high:
        what = "the `range` has nothing in it" if low > high else "the `range` has a single number in it"
        reader.add(
            "bad-value",
            what,
            path,
            expected="the least value, then a greater one",
            found=f"[{low:g}, {high:g}]",
            fix=f"write `[{high:g}, {low:g}]`" if low > high else "write two different numbers",
        )


def _codes(reader: Reader, row: ValueTable, path: Path) -> tuple[int, ...]:
    """Register contents that mean "no value", from whole numbers and hexadecimal texts."""
    codes: list[int] = []
    for index, code in enumerate(row.not_available):
        if isinstance(code, int):
            codes.append(code)
        elif re.fullmatch(r"0x[0-9A-Fa-f]+|[0-9]+", code) and len(code) <= CODE_DIGITS_MAX:
            codes.append(int(code, 16 if code.startswith("0x") else 10))
        else:
            reader.add(
                "bad-value",
                f"{shown(code)} is no register content",
                (*path, "not_available", index),
                expected='a whole number, or a hexadecimal one in quotes such as "0x8000"',
                found=shown(code),
                fix=_code_fix(code),
            )
    return tuple(codes)


def _code_fix(code: str) -> str:
    bare = code.strip().lower().removesuffix("h")
    if re.fullmatch(r"(0x)?[0-9a-f]{1,16}", bare):
        return f'write "0x{bare.removeprefix("0x")}"'
    if re.fullmatch(r"-[0-9]+", bare):
        return "write the content of the register without a sign: -32768 in sixteen bits is 0x8000"
    return "write what the register holds when there is no value, as the device's manual says"


def _lengths_differ(reader: Reader, take: Point, put: Point) -> None:
    unit = "bits" if take.table.is_bits else "registers"
    reader.add(
        "copy-length-differs",
        f"{take.count} {unit} are taken and {put.count} are put",
        put.path,
        expected=f"{take.count} {unit}, as in `{take.text}`",
        found=f"{put.count} in `{put.text}`",
        fix=f"write `{put.table} {put.address}..{put.address + take.count - 1}`, or take as many as are put",
        related=(Related(f"{take.count} {unit} are taken here", take.path),),
    )


def resolve_copies(
    reader: Reader,
    copies: Sequence[tuple[CopyTable, Path]],
    source: Controller,
    destination: Controller,
    taken_names: set[str],
) -> list[Value]:
    """Copies as raw values, each cut into chunks that one read and one write can carry."""
    values: list[Value] = []
    names = _copy_names(taken_names)
    for copy, path in copies:
        before = len(reader.findings)
        take = _plain(reader, _point(reader, copy.take, (*path, "take")), (*path, "take"))
        put = _plain(reader, _point(reader, copy.put, (*path, "put")), (*path, "put"))
        if take is not None and put is not None and take.count != put.count:
            _lengths_differ(reader, take, put)
        if take is None or put is None or len(reader.findings) > before:
            continue
        chunk = min(source.limits.read_count_max(take.table), destination.limits.write_count_max(put.table))
        for start in range(0, take.count, chunk):
            count = min(chunk, take.count - start)
            values.append(
                Value(next(names), _part(take, start, count), _part(put, start, count), is_copy=True, path=path)
            )
    return values


def _plain(reader: Reader, point: Point | None, path: Path) -> Point | None:
    """The place of a copy: whole registers or bits, without a type of their own."""
    if point is None:
        return None
    words = point.text.split()
    is_typed = point.type.kind is not Kind.RAW and any(word[0].isalpha() for word in words[1:] if word != "address")
    if is_typed or point.bit is not None:
        items = "bits" if point.table.is_bits else "whole registers"
        reader.add(
            "bad-value",
            f"a copy carries {items} as they are",
            path,
            expected="places such as `holding 0..9`, without bit, type and order",
            found=point.text,
            fix=f"write `{point.span}`, or carry it as one of the `values`",
        )
        return None
    return replace(point, type=raw(point.count), order=Order.ABCD)


def _part(point: Point, start: int, count: int) -> Point:
    return replace(point, address=point.address + start, type=raw(count))


def _copy_names(taken: set[str]) -> Iterator[str]:
    """``copy``, ``copy 2``, ``copy 3`` ..., without those that a value of the transfer has."""
    number = 0
    while True:
        number += 1
        name = "copy" if number == 1 else f"copy {number}"
        if name not in taken:
            yield name
