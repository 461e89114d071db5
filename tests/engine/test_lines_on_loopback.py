"""Shared, short and identified lines once over real sockets."""

from __future__ import annotations

import asyncio

import pytest

from wherry.engine.events import Event
from wherry.engine.runner import Engine
from wherry.plan import loads
from wherry.simulate.controller import simulate_plan
from wherry.transports.tcp import TcpNetwork

PLAN = """
[controller.feeder1]
connect = "tcp://127.0.0.1:15020"
unit = 1
identity = { vendor = "Hatch", registers = [{ at = "holding 9000", is = 4660 }] }
[controller.feeder2]
connect = "tcp://127.0.0.1:15020"
unit = 2
[controller.hall]
connect = "tcp://127.0.0.1:15021"
limits = { connection = "per exchange" }
identity = { product = "RS-4" }
[transfer.one]
from = "feeder1"
to = "hall"
every = "400 ms"
values = [{ name = "level", take = "holding 0", put = "holding 100" }]
[transfer.two]
from = "feeder2"
to = "feeder1"
every = "50 ms"
values = [{ name = "level", take = "holding 0", put = "holding 100" }]
"""


@pytest.mark.slow
def test_units_share_a_connection_and_an_exchange_has_its_own() -> None:
    async def scenario() -> None:
        simulated = await simulate_plan(loads(PLAN).plan, TcpNetwork(), any_port=True)
        hall = simulated.controllers["hall"]
        good: set[str] = set()
        identified: set[str] = set()
        is_done = asyncio.Event()

        def listen(event: Event) -> None:
            if event.kind == "identity" and "is the device of the plan" in event.message:
                identified.add(event.subject)
            if event.kind == "transfer quality" and event.details["quality"] == 2:
                good.add(event.subject)
                if len(good) == 2:
                    is_done.set()

        def again(*_: object) -> None:
            if hall.counts.writes >= 3:
                has_come_again.set()

        has_come_again = asyncio.Event()
        hall.on_served = again
        engine = Engine(simulated.plan, TcpNetwork(), armed=["hall", "feeder1"], listeners=[listen], seed=1)
        engine.start()
        async with asyncio.timeout(20):
            await is_done.wait()
            await has_come_again.wait()
        await engine.stop()
        assert identified == {"feeder1", "hall"}
        feeders = [simulated.controllers[name].counts for name in ("feeder1", "feeder2")]
        assert [each.connections for each in feeders] == [1, 1]
        assert hall.counts.connections >= 3
        assert hall.counts.connections_open_max == 1
        assert hall.counts.connections_refused == 0
        assert engine.lines["hall"].connections_lost == 0
        await simulated.stop()

    asyncio.run(scenario())
