"""The fingerprint pass on simulated controllers: the engine itself carries the test values, in virtual time.

The controllers are built from a plan that is taken for the truth. With the same plan it is shown that the engine
carries every test value to its place; with another one, what would be seen at a plant that is not as the plan says.
"""

from __future__ import annotations

import asyncio
from dataclasses import dataclass, field
from random import Random
from typing import Final

from wherry.clock import NS_PER_S
from wherry.engine.runner import Engine
from wherry.errors import LocalError, WherryError
from wherry.plan.model import Plan, Point, Table
from wherry.prove.fingerprint import Address, Fingerprint
from wherry.prove.mapping_faults import Shown
from wherry.prove.places import Content, Place, content_of, inverse, receiver_places, source_places
from wherry.simulate.controller import Simulated, SimulatedController, simulate_plan
from wherry.simulate.virtual_loop import run_virtual
from wherry.transports.memory import MemoryNetwork
from wherry.values.scaling import exact
from wherry.values.types import Kind

SETTLE_PERIODS: Final = 5
"""So many periods of the slowest transfer, and a second, are waited in each step; longer where a value is ramped."""

RAMP_PERIODS_MAX: Final = 10_000
"""A ramp that takes longer is not waited for: its value is told as not carried."""

AROUND: Final = 4
"""How many items on either side of a receiver's place are looked at: the widest number takes four registers."""


@dataclass
class Passed:
    """What a pass came to; places by their index in the fingerprint, a list for each with an entry for each step."""

    read: dict[int, list[bytes | None]] = field(default_factory=dict)
    shown: dict[int, list[Shown]] = field(default_factory=dict)
    items: list[dict[Address, int]] = field(default_factory=list)
    """What the receivers hold around the plan's places."""
    not_carried: dict[int, list[int]] = field(default_factory=dict)
    """Receivers' places that did not hold what should have come of what was read, with the steps (from 1)."""

    def image(self, step: int, controller: str, table: Table, address: int) -> int:
        """What a receiver's register held; 0 where it was not looked at."""
        return self.items[step].get((controller, table, address), 0)


def pass_simulated(mark: Fingerprint, plan: Plan, truth: Plan, seed: int) -> Passed:
    """All steps. Values that ``truth`` does not have, by transfer and name, are left out of what was seen.

    LocalError when it does not have all controllers of the plan.
    """
    missing = {each.name for each in plan.controllers} - {each.name for each in truth.controllers}
    if missing:
        raise LocalError(f"the plan that tells the truth has no controller {', '.join(sorted(missing))}")
    return run_virtual(lambda: _pass(mark, plan, truth, seed))


async def _pass(mark: Fingerprint, plan: Plan, truth: Plan, seed: int) -> Passed:
    network = MemoryNetwork(Random(f"{seed} network"))
    placed = {each.name: (each.host, each.port) for each in plan.controllers}
    simulated = await simulate_plan(truth, network, placed=placed, rng=Random(f"{seed} devices"))
    names = {each.name for each in plan.controllers}
    engine = Engine(plan, network, armed=names, seed=seed)
    engine.start()
    sources = {name: place for place in source_places(truth) for name in place.names}
    receivers = {place.names[0]: place for place in receiver_places(truth)}
    periods = SETTLE_PERIODS + _ramp_periods(mark)
    settle_s = 1 + periods * max(each.period_ns for each in plan.transfers) / NS_PER_S
    passed = Passed()
    for step in range(mark.steps):
        refused = _give(mark, step, simulated, sources)
        await asyncio.sleep(settle_s)
        for place in mark.sources:
            if not place.is_beside and place.names[0] in sources:
                data = None if place.index in refused else _read(simulated.controllers[place.controller], place.point)
                passed.read.setdefault(place.index, []).append(data)
        for place in mark.receivers:
            if place.names[0] in receivers:
                there = receivers[place.names[0]]
                passed.shown.setdefault(place.index, []).append(_show(simulated, there))
        passed.items.append(_items(mark, simulated))
        _compare(mark, step, passed, simulated)
    await engine.stop()
    await simulated.stop()
    return passed


def _ramp_periods(mark: Fingerprint) -> int:
    """How many periods the longest ramp takes, from one test value to any other, or from 0."""
    longest = 0
    for place in mark.sources:
        numbers = [each.shown for each in mark.contents[place.index] if isinstance(each.shown, int | float)]
        for value in place.values:
            if value.step and numbers:
                longest = max(longest, int((max(0, *numbers) - min(0, *numbers)) / value.step) + 1)
    return min(longest, RAMP_PERIODS_MAX)


def _give(mark: Fingerprint, step: int, simulated: Simulated, sources: dict[tuple[str, str], Place]) -> set[int]:
    """Every value by its name; returns the places that could not be given theirs."""
    refused: set[int] = set()
    used = {
        (place.controller, place.point.table, address)
        for place in sources.values()
        for address in range(place.point.address, place.point.address + place.point.count)
    }
    for place in mark.sources:
        content = mark.contents[place.index][step]
        there = place if place.is_beside else sources.get(place.names[0])
        if there is None or (place.is_beside and (place.controller, place.point.table, place.point.address) in used):
            continue
        given = _in_truth(there, content)
        if given is None:
            refused.add(place.index)
        else:
            simulated.controllers[there.controller].set(there.point, given.number)
    return refused


def _in_truth(there: Place, content: Content) -> Content | None:
    """The same value as the true place holds it; None if it cannot."""
    value = content.shown
    if there.is_bool or not there.point.type.is_number or not isinstance(value, int | float):
        return Content(content.data, value, value) if isinstance(value, bool) is there.is_bool else None
    back = inverse(there.line)
    number = back.at(exact(value)) if back is not None else exact(value)
    try:
        return content_of(there, float(number) if there.point.type.kind is Kind.FLOAT else round(number))
    except OverflowError:
        return None


def _read(device: SimulatedController, point: Point) -> bytes | None:
    """What is read at a place; None in a hole."""
    try:
        if point.table.is_bits:
            return device.moving.read_bits(point.table, point.address, point.count)
        return device.moving.read_registers(point.table, point.address, point.count)
    except WherryError:
        return None


def _show(simulated: Simulated, there: Place) -> Shown:
    """What the receiver's program shows of a value."""
    try:
        return there.shown(simulated.controllers[there.controller].get(there.point))
    except WherryError:
        return None


def _items(mark: Fingerprint, simulated: Simulated) -> dict[Address, int]:
    found: dict[Address, int] = {}
    for place in mark.receivers:
        point = place.point
        for address in range(max(0, point.address - AROUND), min(65535, point.address + point.count + AROUND) + 1):
            key = (place.controller, point.table, address)
            if key not in found:
                data = _read(simulated.controllers[place.controller], Point(point.table, address))
                if data is not None:
                    found[key] = data[0] & 1 if point.table.is_bits else int.from_bytes(data, "big")
    return found


def _compare(mark: Fingerprint, step: int, passed: Passed, simulated: Simulated) -> None:
    """Whether each receiver's place holds what comes of what is read."""
    for place in mark.receivers:
        read = _read(simulated.controllers[mark.source_of(place).controller], mark.source_of(place).point)
        put = None if read is None else mark.put_of(place, read)
        held = _read(simulated.controllers[place.controller], place.point)
        if put is not None and held is not None and place.point.bit is not None:
            put, held = bytes((put[-1] & 1,)), bytes((int.from_bytes(held, "big") >> place.point.bit & 1,))
        if put is None or put != held:
            passed.not_carried.setdefault(place.index, []).append(step + 1)
