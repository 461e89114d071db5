"""Several units behind one address, in virtual time: one connection, fair turns, and units that do not answer."""

from __future__ import annotations

import asyncio
import random
from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

import pytest

from wherry.engine.events import Event
from wherry.engine.runner import Engine
from wherry.plan.addresses import share
from wherry.plan.model import Controller, Framing, Limits, Plan, Point, ResponseTime, Table, Transfer, Value
from wherry.simulate.controller import Fault, Simulated, simulate_plan
from wherry.simulate.virtual_loop import run_virtual
from wherry.timing.link_limits import LinkLimits
from wherry.transports.memory import MemoryNetwork
from wherry.transports.network import reset
from wherry.values.types import UINT16

MS = 1_000_000
S = 1000 * MS
GATEWAY = "10.20.0.20"
SILENT = Fault(is_silent=True)


@dataclass
class Line:
    """A gateway with feeders behind it, whose values go to the hall; and an engine on it."""

    simulated: Simulated
    network: MemoryNetwork
    engine: Engine
    events: list[Event]

    @property
    def units(self) -> list[Any]:
        return [each for name, each in self.simulated.controllers.items() if name != "hall"]

    def delivered(self, number: int) -> int:
        return self.engine.carries[number].delivered

    def kinds(self, subject: str) -> list[str]:
        return [str(event.kind) for event in self.events if event.subject == subject]

    def is_exact(self) -> bool:
        return all(
            each.scheduled == each.delivered + each.skipped + each.failed and each.is_at_rest
            for each in self.engine.carries
        )


def plan_of(
    count: int,
    *,
    period_ns: int = S,
    limits: Limits | None = None,
    answer_ns: int = 60 * MS,
    framing: Framing = Framing.MBAP,
    values: int = 2,
    spread: bool = False,
) -> Plan:
    """``count`` units of a gateway, each with a transfer of its own. ``spread``: each value needs its own request."""
    limits = limits or Limits()
    feeders = [
        Controller(
            f"feeder {unit}", GATEWAY, framing=framing, unit=unit, limits=limits, response=ResponseTime(answer_ns, 0)
        )
        for unit in range(1, count + 1)
    ]
    transfers = [
        Transfer(
            f"feed {unit}",
            f"feeder {unit}",
            "hall",
            period_ns,
            5 * period_ns,
            tuple(
                Value(
                    f"value {index}",
                    Point(Table.HOLDING, index * (500 if spread else 1), UINT16),
                    Point(Table.HOLDING, 10 * unit + index, UINT16),
                )
                for index in range(values)
            ),
        )
        for unit in range(1, count + 1)
    ]
    return Plan("Feeders", (*feeders, Controller("hall", "10.20.0.12")), tuple(transfers))


async def line_of(plan: Plan, faults: dict[int, Callable[..., Fault | None]] | None = None, seed: int = 1) -> Line:
    network = MemoryNetwork(random.Random(seed))
    simulated = await simulate_plan(plan, network, rng=random.Random(seed))
    for unit, fault in (faults or {}).items():
        simulated.controllers[f"feeder {unit}"].fault = fault
    events: list[Event] = []
    engine = Engine(plan, network, armed=["hall"], listeners=[events.append], seed=seed)
    engine.start()
    return Line(simulated, network, engine, events)


def dead(_number: int, _unit: int, _pdu: bytes) -> Fault:
    return Fault(is_silent=True)


def exception(code: int, delay_ns: int = 0, *, share: float = 1.0, rng: random.Random | None = None) -> Any:
    """The gateway answers with this exception after a time in which it does nothing else."""

    def fault(_number: int, _unit: int, _pdu: bytes) -> Fault | None:
        if rng is not None and rng.random() >= share:
            return None
        return Fault(exception=code, delay_ns=delay_ns, holds_up=True)

    return fault


def test_the_units_of_one_address_share_a_connection() -> None:
    async def scenario() -> None:
        line = await line_of(plan_of(8))
        await asyncio.sleep(20.5)
        await line.engine.stop()
        for number, unit in enumerate(line.units):
            assert line.delivered(number) in (20, 21)
            assert unit.counts.connections_open_max == unit.counts.connections == 1
            assert unit.counts.connections_refused == 0
            assert unit.counts.in_flight_max == 1
            assert unit.counts.other_unit == 0
        assert line.is_exact()

    run_virtual(scenario)


def test_counters_are_kept_for_each_unit_of_a_connection() -> None:
    async def scenario() -> None:
        plan = plan_of(3, limits=Limits(timeout_ns=300 * MS))
        late = Fault(delay_ns=400 * MS)
        refuse = Fault(exception=0x04)
        line = await line_of(
            plan,
            {
                1: lambda number, *_: late if number % 4 == 3 else None,
                2: lambda number, *_: refuse if number % 5 == 4 else None,
            },
        )
        await asyncio.sleep(60.5)
        await line.engine.stop()
        first, second, third = (line.engine.lines[f"feeder {unit}"].counters for unit in (1, 2, 3))
        assert first.timeouts == first.late_replies == 15
        assert second.exceptions == 12
        assert third.timeouts == third.late_replies == third.exceptions == 0
        for counters, unit in zip((first, second, third), line.units, strict=True):
            assert counters.requests == unit.counts.request_count in (60, 61)
            assert counters.requests == counters.replies + counters.exceptions + counters.timeouts
        assert line.engine.lines["feeder 1"].link.connects == 1
        assert line.is_exact()

    run_virtual(scenario)


def test_a_gateway_that_stands_more_connections_gets_them() -> None:
    async def scenario() -> None:
        line = await line_of(plan_of(5, limits=Limits(connections=2)))
        await asyncio.sleep(5)
        assert len({id(each.link) for name, each in line.engine.lines.items() if name != "hall"}) == 2
        assert len(line.network.connections(GATEWAY, 502)) == 2
        await line.engine.stop()
        assert line.is_exact()

    run_virtual(scenario)


def test_several_connections_share_out_what_the_gateway_stands() -> None:
    controllers = plan_of(6, limits=Limits(connections=3, in_flight=4, requests_per_s=30)).controllers[:6]
    shared = share(controllers)
    assert [[each.unit for each in group] for group in shared] == [[1, 4], [2, 5], [3, 6]]
    limits = LinkLimits.of(shared[0], len(shared))
    assert limits.in_flight == 1
    assert limits.spacing_ns == S // 10
    serial = plan_of(3, limits=Limits(connections=3), framing=Framing.RTU).controllers[:3]
    assert [len(group) for group in share(serial)] == [3]


def test_a_unit_with_many_requests_leaves_the_others_their_turn() -> None:
    """Twenty requests of one unit wait; the other unit's comes after one of them."""

    async def scenario() -> None:
        plan = plan_of(2, answer_ns=40 * MS, period_ns=S, values=20, spread=True)
        single = replace(plan.transfers[1], values=plan.transfers[1].values[:1])
        line = await line_of(replace(plan, transfers=(plan.transfers[0], single)))
        await asyncio.sleep(30.5)
        oldest_ms = line.engine.carries[1].age.summary_ms()["max"]
        assert oldest_ms is not None
        assert oldest_ms < 150
        await line.engine.stop()
        assert line.delivered(0) == line.engine.carries[0].scheduled
        assert line.is_exact()

    run_virtual(scenario)


@pytest.mark.slow
@pytest.mark.parametrize("framing", [Framing.MBAP, Framing.RTU])
def test_one_dead_unit_of_ten_leaves_the_others_their_period(framing: Framing) -> None:
    async def scenario() -> None:
        plan = plan_of(10, period_ns=700 * MS, framing=framing)
        line = await line_of(plan, {4: dead})
        await asyncio.sleep(600)
        await line.engine.stop()
        for number in range(10):
            if number != 3:
                assert line.delivered(number) * 1.3 * 0.7 >= 600
        silent = line.engine.lines["feeder 4"]
        assert 15 <= silent.counters.requests == silent.counters.timeouts <= 40
        assert line.engine.carries[3].failures["read: the unit does not answer; it is asked again at intervals"] > 700
        assert line.kinds("feeder 4") == ["line up", "unit down"]
        assert line.kinds("feeder 5") == ["line up"]
        if framing is Framing.MBAP:
            assert silent.link.connects == 1
        assert line.is_exact()

    run_virtual(scenario)


def test_a_unit_that_answers_again_is_found_by_its_next_probe() -> None:
    async def scenario() -> None:
        line = await line_of(plan_of(10), {4: dead})
        await asyncio.sleep(200.2)
        silent = line.engine.lines["feeder 4"]
        assert silent.state == "connected, the unit does not answer"
        assert "does not answer" in silent.reason
        assert not silent.is_up
        line.units[3].fault = None
        await asyncio.sleep(31)
        assert silent.state == "connected"
        assert silent.reason == ""
        before = line.delivered(3)
        await asyncio.sleep(10)
        assert line.delivered(3) - before == 10
        await line.engine.stop()
        assert line.kinds("feeder 4") == ["line up", "unit down", "unit up"]
        assert line.is_exact()

    run_virtual(scenario)


def test_a_single_lost_reply_does_not_put_a_unit_aside() -> None:
    async def scenario() -> None:
        line = await line_of(plan_of(3), {2: lambda number, *_: SILENT if number % 10 == 9 else None})
        await asyncio.sleep(100.5)
        await line.engine.stop()
        assert line.delivered(1) >= 88
        assert line.kinds("feeder 2") == ["line up"]
        assert line.engine.lines["feeder 2"].link.connects == 1

    run_virtual(scenario)


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.slow
def test_a_gateway_with_three_dead_units_of_twenty(seed: int) -> None:
    """0B comes after three seconds in which the gateway does nothing else; when it is full it says 06."""

    async def scenario() -> None:
        rng = random.Random(seed)
        plan = plan_of(20, period_ns=5 * S, limits=Limits(timeout_ns=3500 * MS))
        full = {unit: exception(0x06, share=0.05, rng=rng) for unit in range(1, 21)}
        gone = {unit: exception(0x0B, 3 * S) for unit in (3, 11, 12)}
        line = await line_of(plan, full | gone, seed)
        await asyncio.sleep(3600)
        await line.engine.stop()
        lines = line.engine.lines
        for number, unit in enumerate(line.units):
            if number + 1 in gone:
                assert lines[unit.controller.name].unreached == lines[unit.controller.name].counters.exceptions > 20
                assert line.kinds(unit.controller.name) == ["line up", "unit down"]
                assert line.delivered(number) == 0
            else:
                assert line.delivered(number) * 1.3 * 5 >= 3600
                assert lines[unit.controller.name].busy_answers > 10
                assert lines[unit.controller.name].unreached == 0
        assert lines["feeder 1"].link.connects == 1
        assert not [event for event in line.events if event.kind == "line down"]
        assert line.is_exact()

    run_virtual(scenario)


def test_the_two_exceptions_of_gateways_are_told_apart() -> None:
    async def scenario() -> None:
        line = await line_of(plan_of(4), {2: exception(0x0A), 3: exception(0x0B)})
        await asyncio.sleep(60)
        await line.engine.stop()
        lines = line.engine.lines
        no_path, not_reached = lines["feeder 2"], lines["feeder 3"]
        assert no_path.unreached == 0
        assert no_path.link.path_refusals == no_path.counters.exceptions > 5
        assert not_reached.unreached == not_reached.counters.exceptions > 5
        assert no_path.reason == "the gateway has no path to the unit (0A); it is asked again at intervals"
        assert not_reached.reason == "the gateway does not reach the unit (0B); it is asked again at intervals"
        assert line.delivered(0) == line.engine.carries[0].scheduled
        assert line.delivered(3) == line.engine.carries[3].scheduled

    run_virtual(scenario)


@pytest.mark.parametrize("code", [0x05, 0x06])
def test_a_busy_unit_is_left_alone_for_a_growing_while_and_the_line_stays_up(code: int) -> None:
    instants: list[int] = []

    async def scenario() -> None:
        plan = plan_of(2, period_ns=200 * MS, answer_ns=5 * MS)
        busy_until_ns = 20 * S

        def fault(_number: int, _unit: int, _pdu: bytes) -> Fault | None:
            instants.append(line.engine.now_ns())
            return Fault(exception=code) if instants[-1] < busy_until_ns else None

        line = await line_of(plan, {1: fault})
        await asyncio.sleep(20)
        busy = line.engine.lines["feeder 1"]
        waits = [later - earlier for earlier, later in pairwise(instants)]
        assert all(
            wait >= least * MS for wait, least in zip(waits, (100, 200, 400, 800, 1600, 3200, 5000), strict=False)
        )
        assert busy.busy_answers == busy.counters.exceptions == len(instants) < 10
        assert busy.is_up
        await asyncio.sleep(10)
        assert line.delivered(0) > 20
        await line.engine.stop()
        assert line.kinds("feeder 1") == ["line up"]
        assert line.delivered(1) == 150
        assert line.is_exact()

    run_virtual(scenario)


@pytest.mark.parametrize("accepts", [False, True], ids=["nothing connects", "a tunnel connects"])
@pytest.mark.parametrize("framing", [Framing.MBAP, Framing.RTU])
def test_a_gateway_that_falls_silent_altogether_is_noticed_and_found_again(framing: Framing, accepts: bool) -> None:
    """Nothing is held against its units: all of them are asked as soon as the way is free."""
    back_s = 2 if framing is Framing.MBAP or not accepts else 7

    async def scenario() -> None:
        plan = plan_of(10, limits=Limits(timeout_ns=400 * MS, reconnect_ns=400 * MS), framing=framing)
        line = await line_of(plan)
        await asyncio.sleep(10.25)
        route = line.network.route(GATEWAY, 502)
        route.to_server.half_open = route.to_client.half_open = True
        route.hangs = not accepts
        line.simulated.stations[0].connections_max = 1000 if accepts else 1
        await asyncio.sleep(2)
        assert not line.engine.lines["feeder 1"].is_up or accepts
        await asyncio.sleep(600)
        if not accepts:
            for served in list(line.simulated.stations[0].open):
                reset(served.link)  # the gateway, too, has found that nobody is there
        route.to_server.half_open = route.to_client.half_open = route.hangs = False
        before = [line.delivered(number) for number in range(10)]
        await asyncio.sleep(back_s)
        assert [line.delivered(number) > before[number] for number in range(10)] == [True] * 10
        await line.engine.stop()
        assert line.kinds("feeder 7")[:2] == ["line up", "line down"]
        assert line.kinds("feeder 7")[-1] == "line up"
        assert line.is_exact()

    run_virtual(scenario)


@pytest.mark.parametrize("code", [0x0B, None])
def test_when_no_unit_answers_none_is_left_alone(code: int | None) -> None:
    """The serial line behind the gateway is broken, for ten minutes: there is nobody whom asking could hold up."""

    async def scenario() -> None:
        line = await line_of(plan_of(6, limits=Limits(timeout_ns=300 * MS)))
        await asyncio.sleep(10.2)
        fault = dead if code is None else exception(code, 200 * MS)
        for unit in line.units:
            await asyncio.sleep(7)
            unit.fault = fault
        await asyncio.sleep(600)
        for unit in line.units:
            unit.fault = None
        before = [line.delivered(number) for number in range(6)]
        await asyncio.sleep(4)
        assert [line.delivered(number) > before[number] for number in range(6)] == [True] * 6
        await line.engine.stop()
        assert line.is_exact()

    run_virtual(scenario)


def test_late_replies_of_a_gateway_never_answer_another_request() -> None:
    """The gateway gives its answers three seconds late now and then, also to requests of another unit."""
    rng = random.Random(7)

    def fault(_number: int, _unit: int, _pdu: bytes) -> Fault | None:
        return Fault(delay_ns=rng.randrange(900, 4000) * MS) if rng.random() < 0.1 else None

    async def scenario() -> None:
        plan = plan_of(6, limits=Limits(timeout_ns=800 * MS), period_ns=2 * S)
        line = await line_of(plan, dict.fromkeys(range(1, 7), fault))
        for unit in line.units:
            for address in range(2):
                unit.set(Point(Table.HOLDING, address, UINT16), 1000 * unit.controller.unit + address)
        await asyncio.sleep(1200)
        await line.engine.stop()
        hall = line.simulated.controllers["hall"]
        for unit in range(1, 7):
            assert hall.registers(10 * unit, 2) == (1000 * unit, 1000 * unit + 1)
        counters = [line.engine.lines[f"feeder {unit}"].counters for unit in range(1, 7)]
        assert sum(each.late_replies for each in counters) > 100
        assert line.engine.lines["feeder 1"].link.connects <= 3
        assert line.is_exact()

    run_virtual(scenario)


def test_a_unit_that_is_written_to_is_found_by_a_write(kit: Any) -> None:
    """A receiver behind a gateway is only written to; what it holds is not known after a silence."""

    async def scenario() -> None:
        units = [Controller(f"valve {unit}", GATEWAY, unit=unit) for unit in (1, 2)]
        transfers = tuple(
            Transfer(each.name, "skid", each.name, S, 5 * S, words, status=None)
            for each, words in zip(units, ((kit.words(2)), kit.words(2)), strict=True)
        )
        plan = Plan("Valves", (Controller("skid", "10.20.0.11"), *units), transfers)
        network = MemoryNetwork(random.Random(1))
        simulated = await simulate_plan(plan, network)
        simulated.controllers["valve 2"].fault = dead
        engine = Engine(plan, network, armed=["valve 1", "valve 2"], seed=1)
        engine.start()
        await asyncio.sleep(30)
        assert engine.carries[1].delivered == 0
        losses = engine.lines["valve 2"].losses
        assert losses == 1
        simulated.controllers["valve 2"].fault = None
        await asyncio.sleep(30)
        assert engine.carries[1].delivered > 5
        assert engine.carries[0].delivered > 55
        await engine.stop()

    run_virtual(scenario)
