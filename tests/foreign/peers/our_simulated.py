"""One simulated controller of a plan on a socket, for clients in other processes: our_simulated.py NAME [PLAN]

Without a plan it is one of the hatchery example.
"""

from __future__ import annotations

import asyncio
import json
import sys
from pathlib import Path

from wherry.plan import load
from wherry.simulate.controller import simulate_plan
from wherry.transports.tcp import TcpNetwork

EXAMPLE = Path(__file__).resolve().parents[3] / "examples" / "hatchery.toml"


async def serve(name: str, plan: Path) -> None:
    simulated = await simulate_plan(load(plan).plan, TcpNetwork(), only=[name], any_port=True)
    controller = simulated.controllers[name]
    print(json.dumps({"port": controller.port}), flush=True)
    over = asyncio.Event()
    asyncio.get_running_loop().add_reader(sys.stdin, over.set)
    await over.wait()
    await simulated.stop()
    print(json.dumps({"requests": controller.counts.request_count, "writes": controller.counts.writes}), flush=True)


if __name__ == "__main__":
    asyncio.run(serve(sys.argv[1], Path(sys.argv[2]) if len(sys.argv) > 2 else EXAMPLE))
