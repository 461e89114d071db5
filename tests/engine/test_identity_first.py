"""Nothing is taken from or given to a device before it is known to be the one of the plan: shared links, commands."""

from __future__ import annotations

import asyncio
import random
from typing import Any

from wherry.engine.events import Event
from wherry.engine.runner import Engine
from wherry.plan import loads
from wherry.plan.model import Framing
from wherry.simulate.virtual_loop import run_virtual
from wherry.transports.memory import MemoryNetwork

WHO = "identity = { registers = [{ at = 'holding 9000', is = 1 }] }"
UNITS = f"""
[controller.skid]
connect = "tcp://10.20.0.11"
[controller.one]
connect = "tcp://10.20.0.20"
unit = 1
limits = {{ idle = "1 s" }}
{WHO}
[controller.two]
connect = "tcp://10.20.0.20"
unit = 2
limits = {{ idle = "1 s" }}
{WHO}
[transfer.a]
from = "skid"
to = "two"
every = "5 s"
max_age = "15 s"
on_loss = "hold"
values = [{{ name = "level", take = "holding 0", put = "holding 100" }}]
[transfer.b]
from = "skid"
to = "one"
every = "5 s"
max_age = "15 s"
on_loss = "hold"
values = [{{ name = "flow", take = "holding 1", put = "holding 100" }}]
"""
FEED = f"""
[controller.hall]
connect = "tcp://10.20.0.11"
{WHO}
[controller.feeder]
connect = "tcp://10.20.0.12"
[command.feed]
from = "hall"
to = "feeder"
every = "200 ms"
expiry = "5 s"
request = "holding 20"
put = "holding 40"
values = [{{ name = "portion", take = "holding 21", put = "holding 39", range = [0, 9000] }}]
acknowledge = "holding 50"
"""


class Gateway(asyncio.Protocol):
    """Two units behind one address; says of each request which connection it came on."""

    def __init__(self, plant: dict[str, Any]) -> None:
        self._plant = plant
        self._data = b""

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)
        self._transport = transport
        self._plant["connections"] += 1
        self._number = self._plant["connections"]

    def data_received(self, data: bytes) -> None:
        self._data += data
        while len(self._data) >= 6 and len(self._data) >= 6 + int.from_bytes(self._data[4:6], "big"):
            size = 6 + int.from_bytes(self._data[4:6], "big")
            frame, self._data = self._data[:size], self._data[size:]
            self._plant["seen"].append((self._number, frame[6], frame[7]))
            pdu = frame[7:12] if frame[7] == 0x10 else b"\x03\x02" + self._plant["who"].to_bytes(2, "big")
            answer = frame[:4] + (len(pdu) + 1).to_bytes(2, "big") + frame[6:7] + pdu
            asyncio.get_running_loop().call_later(0.005, self._transport.write, answer)


def test_every_unit_of_a_connection_is_asked_before_anything_is_written_to_it(kit: Any) -> None:
    async def run() -> None:
        network, source = MemoryNetwork(random.Random(1)), kit.device()
        await source.serve(network, "10.20.0.11", Framing.MBAP)
        plant: dict[str, Any] = {"who": 1, "connections": 0, "seen": []}
        await network.serve(lambda: Gateway(plant), "10.20.0.20", 502)
        engine = Engine(loads(UNITS).plan, network, armed=["one", "two"], seed=1)
        engine.start()
        await asyncio.sleep(12)
        assert plant["connections"] >= 3
        writes = len([each for each in plant["seen"] if each[2] == 0x10])
        assert writes >= 4
        plant["who"] = 2  # both devices are exchanged while nothing is asked
        await asyncio.sleep(10)
        asked: set[tuple[int, int]] = set()
        for connection, unit, function in plant["seen"]:
            if function == 0x10:
                assert (connection, unit) in asked
            asked.add((connection, unit))
        assert len([each for each in plant["seen"] if each[2] == 0x10]) == writes
        await engine.stop()

    run_virtual(run)


def test_what_another_device_holds_is_no_command(kit: Any) -> None:
    async def run() -> None:
        network, events = MemoryNetwork(random.Random(1)), list[Event]()
        source = kit.device()
        receiver = kit.device(before=lambda device, _: device.set_registers(50, device.registers(40, 1)))
        await source.serve(network, "10.20.0.11", Framing.MBAP)
        await receiver.serve(network, "10.20.0.12", Framing.MBAP)
        source.set_registers(9000, [1])
        source.set_registers(20, [7, 100])
        engine = Engine(loads(FEED).plan, network, armed=["hall", "feeder"], listeners=[events.append], seed=1)
        engine.start()
        await asyncio.sleep(3)
        source.set_registers(20, [8, 200])
        await asyncio.sleep(2)
        given = len(receiver.writes)
        assert given >= 1
        for transport in list(source.open):
            transport.abort()
        source.set_registers(9000, [2])
        source.set_registers(20, [1234, 8000])
        await asyncio.sleep(20)
        assert len(receiver.writes) == given
        assert not any("1234" in each.message for each in events)
        await engine.stop()

    run_virtual(run)
