"""The survey takes care: it keeps its budget and pace, and ends when the device suffers."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from random import Random

import pytest
from tests.survey.truths import HOST, MS, S, Truth, device_of, surveyed

from wherry.errors import LinkError
from wherry.plan.model import Table
from wherry.simulate.controller import SimulatedController
from wherry.simulate.device import Fault
from wherry.simulate.virtual_loop import run_virtual
from wherry.survey.found import Found, Settings
from wherry.survey.job import survey_device
from wherry.transports.memory import MemoryNetwork

WHOLE = Truth("any", (1, 1, 2, -3, 1) * 40)
SETTINGS = Settings(units=(1,), tables=(Table.HOLDING,), ranges=((0, WHOLE.size),), watch_ns=S, idle_ns=0)


def survey_with(prepare: Callable[[SimulatedController], None], settings: Settings = SETTINGS) -> Found:
    """Survey a device to which something is done before."""

    async def main() -> Found:
        network = MemoryNetwork(Random(1))
        device = device_of(WHOLE)
        prepare(device)
        await device.start(network, HOST, 502)
        found = await survey_device(network, HOST, 502, settings, rate=100)
        await device.stop()
        return found

    return run_virtual(main)


def after(count: int, fault: Fault) -> Callable[[SimulatedController], None]:
    """The fault with every request from this one on."""

    def prepare(device: SimulatedController) -> None:
        device.fault = lambda number, _unit, _pdu: fault if number >= count else None

    return prepare


def test_it_ends_when_the_device_gets_slower() -> None:
    found = survey_with(after(200, Fault(delay_ns=100 * MS, holds_up=True)))
    assert found.ended.startswith("the device gets slower")
    assert 200 < found.requests < 260


def test_a_single_slow_answer_does_not_end_it() -> None:
    def prepare(device: SimulatedController) -> None:
        device.fault = lambda number, _unit, _pdu: Fault(delay_ns=300 * MS) if number % 97 == 3 else None

    assert survey_with(prepare).ended == ""


def test_it_ends_when_the_connection_is_dropped() -> None:
    found = survey_with(after(200, Fault(closes=True)))
    assert found.ended.startswith("the connection was lost")
    assert found.requests <= 202
    assert found.looked[0].readable


def test_it_ends_when_nothing_is_answered_any_more() -> None:
    found = survey_with(after(200, Fault(is_silent=True)))
    assert found.ended.startswith("a read that was answered before is not any more")
    assert found.requests <= 210


def test_it_ends_when_the_device_says_that_it_is_busy() -> None:
    found = survey_with(after(200, Fault(exception=6)))
    assert found.ended.startswith("a read that was answered before is not any more")


@pytest.mark.parametrize("budget", [20, 77, 150, 400])
def test_the_budget_is_never_exceeded(budget: int) -> None:
    outcome = surveyed(WHOLE, replace(SETTINGS, budget=budget))
    assert len(outcome.frames) <= budget
    assert outcome.found.requests == len(outcome.frames)
    (looked,) = outcome.found.looked
    existing = WHOLE.existing()
    assert all(at in existing for span in looked.readable for at in range(span.start, span.stop))
    assert not any(at in existing for span in looked.absent for at in range(span.start, span.stop))


@pytest.mark.parametrize("budget", [77, 150])
def test_a_part_that_was_not_looked_at_is_told(budget: int) -> None:
    found = surveyed(WHOLE, replace(SETTINGS, budget=budget)).found
    (looked,) = found.looked
    assert looked.unlooked
    assert not looked.is_proved
    assert found.ended, "half a map is no success"


@pytest.mark.parametrize("code", [4, 6])
def test_a_device_that_refuses_every_read_has_not_been_surveyed(code: int) -> None:
    found = survey_with(after(0, Fault(exception=code)))
    assert found.ended
    assert not found.looked or not found.looked[0].readable
    assert not any(each.is_mapped for each in found.looked), "that it fails does not say that nothing is there"


@pytest.mark.parametrize("rate", [5.0, 40.0])
def test_the_rate_is_kept_on_average(rate: float) -> None:
    at_ns: list[int] = []

    async def main() -> None:
        network = MemoryNetwork(Random(1))
        device = device_of(WHOLE)
        await device.start(network, HOST, 502)
        settings = replace(SETTINGS, in_flight=True)
        await survey_device(network, HOST, 502, settings, rate=rate, on_sent=lambda at, _frame: at_ns.append(at))
        await device.stop()

    run_virtual(main)
    spacing_ns = S / rate
    for count in (20, 100, len(at_ns) - 1):
        spans = [later - sooner for sooner, later in zip(at_ns, at_ns[count:], strict=False)]
        # A burst of sixteen is made up for right after it.
        assert min(spans) >= (count - 16) * spacing_ns


def test_nothing_outside_of_the_range_is_asked() -> None:
    settings = replace(SETTINGS, ranges=((50, 90),), tables=(Table.HOLDING, Table.INPUT))
    for frame in surveyed(WHOLE, settings).frames:
        if frame[7] in (3, 4):
            start, count = int.from_bytes(frame[8:10], "big"), int.from_bytes(frame[10:12], "big")
            assert start >= 50
            assert start + count <= 90


def test_only_one_connection_is_made_unless_more_are_asked_for() -> None:
    outcome = surveyed(WHOLE, SETTINGS)
    assert outcome.found.connects == 1
    assert outcome.device.counts.connections == 1
    assert outcome.device.counts.in_flight_max == 1


def test_a_device_that_is_not_there() -> None:
    async def main() -> Found:
        return await survey_device(MemoryNetwork(Random(1)), HOST, 502, SETTINGS)

    with pytest.raises(LinkError, match="refused the connection"):
        run_virtual(main)


def test_a_unit_that_is_not_there() -> None:
    found = surveyed(replace(WHOLE, unit=9), SETTINGS).found
    assert found.unit is None
    assert found.ended == "no unit answered"
    assert found.looked == []


def test_a_table_in_which_nothing_is() -> None:
    truth = Truth("any", (-50, 1))
    (looked,) = surveyed(truth, replace(SETTINGS, ranges=((0, 40),))).found.looked
    assert not looked.is_served
    assert looked.refusal.startswith("refused: illegal data address")
    assert [(span.start, span.count) for span in looked.absent] == [(0, 40)]


@pytest.mark.parametrize("seed", range(6))
def test_chance_does_not_make_holes(seed: int) -> None:
    """Some requests are lost, some refused as busy, some answered with nonsense, some late: the map is right."""
    rng = Random(seed)
    faults = (
        Fault(is_silent=True),
        Fault(exception=6),
        Fault(exception=5),
        Fault(truncate_bytes=9),
        Fault(delay_ns=2 * S),
    )

    def prepare(device: SimulatedController) -> None:
        device.fault = lambda _number, _unit, _pdu: rng.choice(faults[: 3 + seed % 3]) if rng.random() < 0.03 else None

    found = survey_with(prepare, replace(SETTINGS, budget=4000))
    assert found.ended == ""
    (looked,) = found.looked
    existing = WHOLE.existing()
    assert {at for span in looked.readable for at in range(span.start, span.stop)} == existing
    assert {at for span in looked.absent for at in range(span.start, span.stop)} == set(range(WHOLE.size)) - existing
    assert looked.holes == "any"
    assert looked.limit is not None
    assert looked.limit.count == 5
