"""The example plan: sound, and it shows every important feature."""

from __future__ import annotations

from importlib import resources
from pathlib import Path

from wherry.plan import load
from wherry.plan.model import OnLoss, Table
from wherry.values.types import Kind

ROOT = Path(__file__).parents[2]
EXAMPLE = ROOT / "examples" / "hatchery.toml"


def test_it_has_no_findings() -> None:
    assert load(EXAMPLE).findings == ()


def test_the_one_that_ships_is_the_same() -> None:
    shipped = resources.files("wherry.examples").joinpath("hatchery.toml").read_bytes()
    assert shipped == EXAMPLE.read_bytes(), "copy src/wherry/examples/hatchery.toml to examples"


def test_it_shows_every_important_feature() -> None:
    plan = load(EXAMPLE).plan
    values = [value for transfer in plan.transfers for value in transfer.values]
    points = [point for value in values for point in (value.take, value.put)]
    assert {point.table for point in points} == set(Table)
    assert {Kind.BOOL, Kind.INT, Kind.UINT, Kind.FLOAT, Kind.RAW} <= {point.type.kind for point in points}
    assert len({point.order for point in points}) > 1
    assert any(point.bit is not None for point in points)
    assert {each.on_loss for each in plan.transfers} == set(OnLoss)
    assert any(each.alive for each in plan.transfers)
    assert any(each.status for each in plan.transfers)
    features = ("scale", "take_scale", "unit", "put_unit", "range", "not_available", "clamp", "is_copy")
    assert [name for name in features if not any(getattr(value, name) for value in values)] == []
    assert all(value.substitute is not None for value in plan.transfers[0].values)
    assert all(each.host == "127.0.0.1" and each.port > 1024 for each in plan.controllers)
    assert len(plan.controllers) == 3


def test_every_source_of_a_value_moves() -> None:
    """In a demonstration nothing stands still."""
    plan = load(EXAMPLE).plan
    for transfer in plan.transfers:
        moving = [(each.at.table, each.at.address) for each in plan.controller(transfer.source).simulation.signals]
        for value in transfer.values:
            places = {(value.take.table, value.take.address + index) for index in range(value.take.count)}
            assert places & set(moving), value.name
