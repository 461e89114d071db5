"""The carry as pymodbus's asyncio client does it: SOURCE_PORT DESTINATION_PORT PAIRS CARRIES PERIOD_US [uvloop]

With a period: each pair of connections once in it, spread evenly. With 0, as fast as it can: on one pair one carry
after the other; on many, one carry on each at the same time and then the next round, which is cheaper for an event loop
than one by one.
"""

from __future__ import annotations

import asyncio
import sys

from pymodbus.client import AsyncModbusTcpClient

from bench.contenders.usage import Moment, report

WORDS = 10
Pair = tuple[AsyncModbusTcpClient, AsyncModbusTcpClient]


async def connect(port: int) -> AsyncModbusTcpClient:
    client = AsyncModbusTcpClient("127.0.0.1", port=port, retries=0)
    assert await client.connect(), port
    return client


async def carry(pair: Pair) -> None:
    source, destination = pair
    answer = await source.read_holding_registers(0, count=WORDS, device_id=1)
    assert not answer.isError(), answer
    done = await destination.write_registers(0, answer.registers, device_id=1)
    assert not done.isError(), done


async def run(source_port: int, destination_port: int, pairs: int, carries: int, period_us: int) -> None:
    made = [(await connect(source_port), await connect(destination_port)) for _ in range(pairs)]
    for pair in made:
        await carry(pair)
    begin = Moment.now()
    if period_us:
        loop = asyncio.get_running_loop()
        start, step = loop.time(), period_us / 1e6 / pairs
        for number in range(carries):
            await asyncio.sleep(start + number * step - loop.time())
            await carry(made[number % pairs])
    elif pairs == 1:
        for _ in range(carries):
            await carry(made[0])
    else:
        for _ in range(carries // pairs):
            await asyncio.gather(*map(carry, made))
    report(begin, Moment.now(), carries)
    for source, destination in made:
        source.close()
        destination.close()


def main() -> None:
    numbers = [int(each) for each in sys.argv[1:6]]
    factory = None
    if sys.argv[6:] == ["uvloop"]:
        import uvloop

        factory = uvloop.new_event_loop
    with asyncio.Runner(loop_factory=factory) as runner:
        runner.run(run(*numbers))


if __name__ == "__main__":
    main()
