"""Helpers for building small plans without a file."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import pytest

from wherry.plan.model import Controller, Limits, Plan, Point, ResponseTime, Span, Table, Transfer, Value
from wherry.values.types import BOOL, FLOAT32, UINT16, ValueType, raw

TYPES: dict[str, ValueType] = {"uint16": UINT16, "float32": FLOAT32}


def make_point(text: str) -> Point:
    """``holding 5``, ``holding 5.3``, ``holding 5..9``, ``holding 5 float32``, ``coil 3``, ``coil 3..7``."""
    table_word, place, *rest = text.split()
    table = Table(table_word)
    if ".." in place:
        first, last = map(int, place.split(".."))
        return Point(table, first, raw(last - first + 1), text=text)
    if "." in place:
        address, bit = map(int, place.split("."))
        return Point(table, address, BOOL, bit=bit, text=text)
    kind = TYPES[rest[0]] if rest else (BOOL if table.is_bits else UINT16)
    return Point(table, int(place), kind, text=text)


def make_transfer(name: str, values: Sequence[tuple[str, ...]], **given: Any) -> Transfer:
    """``values`` are (take, put) or (take, put, group)."""
    made = tuple(
        Value(f"value {index}", make_point(each[0]), make_point(each[1]), group=each[2] if len(each) > 2 else "")
        for index, each in enumerate(values)
    )
    known: dict[str, Any] = {
        "period_ns": 200_000_000,
        "max_age_ns": 1_000_000_000,
        "source": "skid",
        "destination": "hall",
    }
    return Transfer(name=name, values=made, **(known | given))


def make_plan(
    *transfers: Transfer, limits: Limits | None = None, readable: tuple[Span, ...] = (), fixed_ns: int = 5_000_000
) -> Plan:
    """The recirculation skid feeds the hatchery hall; both have the same limits."""
    response = ResponseTime(fixed_ns, 20_000, True)
    return Plan(
        "test",
        (
            Controller("skid", "10.20.0.11", limits=limits or Limits(), response=response, readable=readable),
            Controller("hall", "10.20.0.12", limits=limits or Limits(), response=response),
        ),
        transfers,
    )


@pytest.fixture(scope="session")
def point() -> Callable[[str], Point]:
    return make_point


@pytest.fixture(scope="session")
def transfer() -> Callable[..., Transfer]:
    return make_transfer


@pytest.fixture(scope="session")
def plan() -> Callable[..., Plan]:
    return make_plan
