"""The survey on devices that are known by name, and on the figures that it promises."""

from __future__ import annotations

from dataclasses import replace
from random import Random

import pytest
from tests.survey.truths import HOST, KINDS, MS, REFUSALS, S, Truth, answered, device_of, surveyed

from wherry.plan.model import Controller, Framing, Span, Table
from wherry.protocol.tolerance import Tolerance
from wherry.simulate.controller import SimulatedController, simulate_plan
from wherry.simulate.device import Fault
from wherry.simulate.devices.catalogue import DEVICES, placed_for, preparing
from wherry.simulate.virtual_loop import run_virtual
from wherry.survey.course import find_map
from wherry.survey.found import Found, Looked, Settings
from wherry.survey.items import Holes, Items, State
from wherry.survey.job import survey_device
from wherry.survey.mapping import map_any
from wherry.transports.behaviour import mostly_ns, uniform_ns
from wherry.transports.memory import MemoryNetwork

HOLDING = Table.HOLDING
ONLY = Settings(units=(1,), tables=(HOLDING,), watch_ns=2 * S, idle_ns=0)


def survey_of(label: str, name: str, settings: Settings) -> Found:
    """Survey one controller of a misbehaving device's own plan."""

    async def main() -> Found:
        network = MemoryNetwork(Random(1))
        plan = DEVICES[label].plan
        simulated = await simulate_plan(plan, network, prepare=preparing(plan, placed_for(label)))
        at = simulated.controllers[name]
        found = await survey_device(network, at.host, at.port, settings, framing=at.controller.framing, rate=50)
        await simulated.stop()
        return found

    return run_virtual(main)


NAMES = ("skid", "intake", "oxygen", "feeder", "drum", "heater")
PLACED = (0, 2, 6, 10, 14, 18)
ABSENT = {*range(4, 6), *range(8, 10), *range(12, 14), *range(20, 61)}


@pytest.mark.slow
@pytest.mark.parametrize(("kind", "name"), list(zip(KINDS, NAMES, strict=True)))
def test_each_way_of_treating_holes_is_named(kind: str, name: str) -> None:
    found = survey_of("S5", name, replace(ONLY, ranges=((0, 80),)))
    (looked,) = found.looked
    assert found.ended == ""
    assert looked.holes == kind
    assert looked.contradictions == []
    absent = {at for span in looked.absent for at in range(span.start, span.stop)}
    doubtful = {at for span in looked.doubtful for at in range(span.start, span.stop)}
    if kind in ("any", "all", "unsplittable"):
        assert absent == ABSENT
    elif kind == "start-only":
        assert looked.items.starts == set(PLACED)
    else:
        assert absent | doubtful >= ABSENT
    if kind == "shift":
        assert {at for span in looked.unsafe for at in range(span.start, span.stop)} == absent | doubtful
        assert absent >= {4, 5, 8, 9, 12, 13}
    # High words stand still, low words count.
    assert {at for span in looked.moving(*list(looked.motions.values())) for at in range(span.start, span.stop)}
    assert all(looked.motions[at + 1] == "counts up" for at in PLACED)


@pytest.mark.parametrize("refusal", REFUSALS)
@pytest.mark.parametrize("limit", [1, 7, 16, 124, 125])
def test_the_limit_is_found_within_eight_reads(limit: int, refusal: str) -> None:
    truth = Truth("any", (1,) * 140, limit, refusal)
    outcome = surveyed(truth, replace(ONLY, ranges=((0, 140),), budget=400, watch_ns=0))
    (looked,) = outcome.found.looked
    assert looked.limit is not None
    assert (looked.limit.count, looked.limit.is_proved) == (limit, True)
    if limit < 125:
        said = {"silence": "not answered", "truncated": "answered wrongly"}.get(refusal, refusal)
        assert looked.limit.refusal == said
    # The different reads of more than one from the first that was as long as the standard allows, up to the decision.
    counts = [int.from_bytes(frame[10:12], "big") for frame in outcome.frames if frame[7] == 3]
    tried: list[int] = []
    for count in dict.fromkeys(each for each in counts[counts.index(125) :] if each > 1):
        tried.append(count)
        if (limit in tried or limit == 1) and (limit == 125 or limit + 1 in tried):
            break
    assert len(tried) <= 8


def test_a_thousand_registers_with_three_holes_take_about_fifty_reads() -> None:
    """Only halving to the holes, once it is known that any missing address makes a read fail; and all of it."""
    rng = Random(5)
    mapped, everything = [], []
    for _ in range(30):
        widths = [1] * 1000
        for at in sorted(rng.sample(range(1, 999), 3)):
            widths[at] = -1
        truth = Truth("any", tuple(widths))
        items = Items(1, HOLDING, 0, 1000, 500)
        answered(map_any(items, 125), truth)
        absent = {at for span in items.spans(State.ABSENT) for at in range(span.start, span.stop)}
        assert absent == {at for at in range(1000) if widths[at] < 0}
        mapped.append(len(items.known))
        looked = Looked(Items(1, HOLDING, 0, 1000, 500))
        answered(find_map(looked), truth)
        assert looked.holes is Holes.ANY
        assert looked.absent == items.spans(State.ABSENT)
        everything.append(len(looked.items.known))
    assert max(mapped) <= 55
    assert sum(mapped) / len(mapped) <= 48
    assert max(everything) <= 100


def test_a_device_that_needs_forty_milliseconds() -> None:
    """Found: 40 to 60 ms, and no losses afterwards."""
    outcome = surveyed(Truth("any", (200,), gap_ns=40 * MS), replace(ONLY, ranges=((0, 200),)), rate=100)
    gap = outcome.found.gap
    assert gap is not None
    assert 40 * MS <= gap.gap_ns <= 48 * MS
    assert gap.is_confirmed
    assert outcome.found.looked[0].is_proved


@pytest.mark.parametrize(
    ("kind", "way"),
    [
        ("zero", Tolerance.ZERO),
        ("swapped", Tolerance.SWAPPED),
        ("plus one", Tolerance.PLUS_ONE),
        ("only zero", Tolerance.ONLY_ZERO),
        ("unit", Tolerance.UNIT),
    ],
)
def test_replies_that_break_the_rules_are_told_how(kind: str, way: Tolerance) -> None:
    alters = {
        "zero": Fault(alter=lambda adu: b"\x00\x00" + adu[2:]),
        "swapped": Fault(alter=lambda adu: adu[1::-1] + adu[2:]),
        "plus one": Fault(transaction_shift=1),
        "only zero": Fault(alter=lambda adu: adu if adu[:2] == b"\x00\x00" else b""),
        "unit": Fault(unit=9),
    }

    async def main() -> Found:
        network = MemoryNetwork(Random(1))
        device = SimulatedController(Controller("skid", HOST))
        device.fault = lambda _number, _unit, _pdu: alters[kind]
        await device.start(network, HOST, 502)
        found = await survey_device(network, HOST, 502, replace(ONLY, units=(1, 255), ranges=((0, 50),)), rate=50)
        await device.stop()
        return found

    found = run_virtual(main)
    assert found.unit == 1
    assert found.tolerates == (way,)
    assert found.ended == ""
    assert found.looked[0].limit is not None


def test_units_behind_a_gateway() -> None:
    """Units that are there, one that the gateway has no way to, and the first of them surveyed."""

    async def main() -> Found:
        network = MemoryNetwork(Random(1))
        plan = DEVICES["S8"].plan
        simulated = await simulate_plan(plan, network)
        first = plan.controllers[0]
        found = await survey_device(network, first.host, first.port, replace(ONLY, units=(200, 1, 2, 3)), rate=50)
        await simulated.stop()
        return found

    found = run_virtual(main)
    assert found.units[200].startswith("refused: gateway")
    assert [unit for unit, said in found.units.items() if said == "answers"] == [1, 2, 3]
    assert found.unit == 1
    assert not found.ignores_unit


def test_a_device_that_takes_any_unit_id() -> None:
    async def main() -> Found:
        network = MemoryNetwork(Random(1))
        device = SimulatedController(Controller("skid", HOST))
        device.responder.units = None
        await device.start(network, HOST, 502)
        device.station._units = AnyUnit(device)
        found = await survey_device(network, HOST, 502, replace(ONLY, units=(1, 255), ranges=((0, 20),)), rate=50)
        await device.stop()
        return found

    found = run_virtual(main)
    assert found.ignores_unit
    assert set(found.units.values()) == {"answers"}


class AnyUnit(dict[int, SimulatedController]):
    """Every unit id leads to one device."""

    def __init__(self, device: SimulatedController) -> None:
        super().__init__()
        self.device = device

    def get(self, _unit: int, _default: object = None) -> SimulatedController:
        return self.device


def test_serial_frames_on_tcp() -> None:
    async def main() -> Found:
        network = MemoryNetwork(Random(1))
        device = SimulatedController(
            Controller("skid", HOST, port=4001, framing=Framing.RTU), spans=[Span(HOLDING, 5, 70)]
        )
        await device.start(network, HOST, 4001)
        settings = replace(ONLY, units=(7, 1), tables=(HOLDING, Table.COIL), ranges=((0, 200),), in_flight=False)
        found = await survey_device(network, HOST, 4001, settings, framing=Framing.RTU, rate=50)
        await device.stop()
        return found

    found = run_virtual(main)
    assert found.unit == 1
    assert found.looked[0].holes is Holes.ANY
    assert found.looked[0].readable == (Span(HOLDING, 5, 70),)
    assert found.looked[1].readable == ()


def test_bits_are_mapped_too() -> None:
    async def main() -> Found:
        network = MemoryNetwork(Random(1))
        spans = [Span(Table.COIL, 0, 30), Span(Table.COIL, 40, 1), Span(Table.DISCRETE, 10, 5)]
        device = SimulatedController(Controller("skid", HOST), spans=spans)
        await device.start(network, HOST, 502)
        settings = Settings(units=(1,), ranges=((0, 60),), watch_ns=0, idle_ns=0)
        found = await survey_device(network, HOST, 502, settings, rate=50)
        await device.stop()
        return found

    found = run_virtual(main)
    spans = {looked.items.table: looked.readable for looked in found.looked}
    assert spans[Table.COIL] == (Span(Table.COIL, 0, 30), Span(Table.COIL, 40, 1))
    assert spans[Table.DISCRETE] == (Span(Table.DISCRETE, 10, 5),)
    assert spans[HOLDING] == ()


def test_a_device_with_one_connection_that_locks_up() -> None:
    """S7: the idle time-out is found, and far fewer connections are made than lock it up."""
    found = survey_of("S7", "skid", replace(ONLY, ranges=((0, 40),), idle_ns=15 * S, connections=True))
    assert found.ended == ""
    assert found.idle is not None
    assert found.idle.idle_ns == 10 * S
    assert found.connections is not None
    assert (found.connections.count, found.connections.throws_out_first) == (1, False)
    assert found.connects <= 5


@pytest.mark.parametrize("seed", range(4))
def test_jitter_of_the_network_stays_within_the_interval(seed: int) -> None:
    """Answers that take up to a millisecond more, now and then fifty: the line is found all the same."""

    async def main() -> Found:
        network = MemoryNetwork(Random(seed))
        truth = Truth("any", (125,) * 2, fixed_ns=8 * MS, per_register_ns=60_000)
        route = network.route(HOST, 502)
        route.to_client.latency_ns = mostly_ns(uniform_ns(0, MS), 50 * MS, 0.03)
        device = device_of(truth)
        await device.start(network, HOST, 502)
        found = await survey_device(network, HOST, 502, replace(ONLY, ranges=((0, 250),)), rate=50)
        await device.stop()
        return found

    line = run_virtual(main).line
    assert line is not None
    assert line.fixed_ns == pytest.approx(8.5 * MS, rel=0.2)
    assert line.per_item_ns == pytest.approx(60_000, rel=0.2)
    assert line.per_item_low_ns <= 60_000 <= line.per_item_high_ns


def test_two_ranges_of_one_table() -> None:
    truth = Truth("any", (-10, 20, -100, 30, -40))
    found = surveyed(truth, replace(ONLY, ranges=((0, 40), (120, 200)))).found
    assert [looked.readable for looked in found.looked] == [(Span(HOLDING, 10, 20),), (Span(HOLDING, 130, 30),)]
    assert found.ended == ""
