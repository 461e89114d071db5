"""The carry as Wherry's engine does it: SOURCE_PORT DESTINATION_PORT PAIRS PERIOD_MS SECONDS KIND

The whole engine on a real network: schedule, packing, types, ranges, quality, guard, counters, histograms. Measured
after every line is up and one second has passed; releases are spread over the period as in any run.
"""

from __future__ import annotations

import asyncio
import sys

from bench.contenders.usage import Moment, allow_many_connections, report
from bench.plans import carry_plan
from wherry.cli.run import best_loop_factory
from wherry.engine.histogram import Histogram
from wherry.engine.runner import Engine
from wherry.plan import loads
from wherry.plan.model import Plan
from wherry.transports.tcp import TcpNetwork

WARM_UP_S = 1.0
QUANTILES = {"p50_ms": 0.5, "p99_ms": 0.99, "p999_ms": 0.999}


def counts(engine: Engine) -> tuple[int, int, int]:
    """Delivered, skipped, failed, over all transfers."""
    carries = engine.carries
    return (
        sum(each.delivered for each in carries),
        sum(each.skipped for each in carries),
        sum(each.failed for each in carries),
    )


async def measure(plan: Plan, seconds: float) -> None:
    engine = Engine(plan, TcpNetwork(), armed=[each.destination for each in plan.transfers])
    engine.start()
    while not all(line.is_up for line in engine.lines.values()):
        await asyncio.sleep(0.05)
    await asyncio.sleep(WARM_UP_S)
    for carry in engine.carries:
        carry.lateness = Histogram()
    before = counts(engine)
    begin = Moment.now()
    await asyncio.sleep(seconds)
    end = Moment.now()
    delivered, skipped, failed = (now - then for now, then in zip(counts(engine), before, strict=True))
    lateness = Histogram()
    for carry in engine.carries:
        lateness.add(carry.lateness)
    late = {name: (lateness.quantile_ns(share) or 0) / 1e6 for name, share in QUANTILES.items()}
    await engine.stop()
    report(begin, end, delivered, skipped=skipped, failed=failed, lateness=late | {"max_ms": lateness.max_ns / 1e6})


def main() -> None:
    source, destination, pairs = (int(each) for each in sys.argv[1:4])
    period_ms, seconds, kind = float(sys.argv[4]), float(sys.argv[5]), sys.argv[6]
    allow_many_connections()
    plan = loads(carry_plan(source, destination, pairs, period_ms, kind)).plan
    assert len(plan.transfers) == pairs, "the bench's own plan has findings"
    with asyncio.Runner(loop_factory=best_loop_factory()) as runner:
        runner.run(measure(plan, seconds))


if __name__ == "__main__":
    main()
