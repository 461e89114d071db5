"""A server on pymodbus, for tests: pymodbus_server.py [--port N] [--framing mbap|rtu] [--holding RUNS]

Serves 200 items of each table on 127.0.0.1. Prints one line of JSON when it listens, {"port": N}, and one with what it
was asked for when its standard input ends or it is terminated: {"reads": N, "writes": [[function, address, values],
...]}, in the order in which they came.

Contents at the start: coil i is i % 3 == 0, discrete input i is i % 5 == 0, holding register i is 0x1000 + i, input
register i is 0x2000 + i. With --holding 3:5,20:1 there are only the holding registers 3 to 7 and 20.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import signal
import sys

from pymodbus import FramerType
from pymodbus.constants import ExcCodes
from pymodbus.pdu.device import ModbusDeviceIdentification
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

ITEMS = 208  # whole registers of bits
FRAMINGS = {"mbap": FramerType.SOCKET, "rtu": FramerType.RTU}


class Seen:
    """What was asked for."""

    def __init__(self) -> None:
        self.reads = 0
        self.writes: list[tuple[int, int, list[int]]] = []

    async def action(
        self,
        function_code: int,
        _start: int,
        address: int,
        _count: int,
        _current: list[int],
        values: list[int] | list[bool] | None,
    ) -> ExcCodes | None:
        if values is None:
            self.reads += 1
        else:
            self.writes.append((function_code, address, [int(value) for value in values]))
        return None


def holding(runs: str) -> list[SimData]:
    """The holding registers in runs of start and count."""
    spans = [tuple(map(int, each.split(":"))) for each in runs.split(",")]
    return [
        SimData(start, values=[0x1000 + i for i in range(start, start + count)], datatype=DataType.REGISTERS)
        for start, count in spans
    ]


def make_device(seen: Seen, runs: str) -> SimDevice:
    bits = range(ITEMS)
    return SimDevice(
        id=0,
        simdata=(
            [SimData(0, values=[i % 3 == 0 for i in bits], datatype=DataType.BITS)],
            [SimData(0, values=[i % 5 == 0 for i in bits], datatype=DataType.BITS)],
            holding(runs),
            [SimData(0, values=[0x2000 + i for i in range(200)], datatype=DataType.REGISTERS)],
        ),
        action=seen.action,
    )


async def serve(port: int, framing: str, runs: str) -> None:
    loop = asyncio.get_running_loop()
    over = asyncio.Event()
    loop.add_signal_handler(signal.SIGTERM, over.set)
    seen = Seen()
    identity = ModbusDeviceIdentification(info={0: "hatchery", 1: "hall", 2: "1.0"})  # type: ignore[no-untyped-call]
    server = ModbusTcpServer(
        make_device(seen, runs), framer=FRAMINGS[framing], identity=identity, address=("127.0.0.1", port)
    )
    await server.serve_forever(background=True)
    listening = server.transport
    assert isinstance(listening, asyncio.Server)
    print(json.dumps({"port": listening.sockets[0].getsockname()[1]}), flush=True)
    if not sys.stdin.isatty():
        loop.add_reader(sys.stdin, lambda: over.set() if not sys.stdin.readline() else None)
    await over.wait()
    await server.shutdown()  # type: ignore[no-untyped-call]
    print(json.dumps({"reads": seen.reads, "writes": seen.writes}), flush=True)


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--port", type=int, default=0)
    parser.add_argument("--framing", choices=FRAMINGS, default="mbap")
    parser.add_argument("--holding", default="0:200")
    given = parser.parse_args()
    asyncio.run(serve(given.port, given.framing, given.holding))


if __name__ == "__main__":
    main()
