"""How long one sweep of many scattered points takes: SOURCE_PORT DESTINATION_PORT POINTS DELAY_MS SWEEPS

A sweep begins when its first request leaves and ends when its last answer is decoded. Not armed: nothing is written.
"""

from __future__ import annotations

import asyncio
import json
import sys

from bench.plans import scattered_plan
from wherry.cli.run import best_loop_factory
from wherry.engine.runner import Engine
from wherry.packing.layout import layout
from wherry.plan import loads
from wherry.plan.model import Plan
from wherry.transports.tcp import TcpNetwork

POLL_S = 0.02
ROOM = 1.5
"""The period is this many times the least possible length of a sweep."""


async def measure(plan: Plan, sweeps: int) -> list[int]:
    engine = Engine(plan, TcpNetwork())
    engine.start()
    carry = engine.carries[0]
    took: dict[int, int] = {}
    while len(took) < sweeps + 1:
        await asyncio.sleep(POLL_S)
        if carry.delivered_sample_ns is not None and carry.results_at_ns is not None:
            took[carry.delivered_sample_ns] = carry.results_at_ns - carry.delivered_sample_ns
    await engine.stop()
    return list(took.values())[1:]


def main() -> None:
    source, destination, points = (int(each) for each in sys.argv[1:4])
    delay_ms, sweeps = float(sys.argv[4]), int(sys.argv[5])
    requests = len(layout(loads(scattered_plan(source, destination, points, delay_ms, 1000)).plan)[0].reads)
    period_ms = requests * delay_ms * ROOM
    plan = loads(scattered_plan(source, destination, points, delay_ms, period_ms)).plan
    assert sum(len(each.values) for each in plan.transfers) == points, "the bench's own plan has findings"
    with asyncio.Runner(loop_factory=best_loop_factory()) as runner:
        took_ns = runner.run(measure(plan, sweeps))
    print(json.dumps({"requests": requests, "took_ns": took_ns}))


if __name__ == "__main__":
    main()
