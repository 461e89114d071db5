"""What the view of a run says in words, in virtual time."""

from __future__ import annotations

import asyncio
import re

from wherry.cli.run_view import next_attempt_text
from wherry.engine.runner import Engine
from wherry.engine.status import summary
from wherry.plan.model import Controller, Limits, Plan, Point, Table, Transfer, Value
from wherry.simulate.virtual_loop import run_virtual
from wherry.transports.memory import MemoryNetwork
from wherry.values.types import UINT16


def test_a_line_that_must_wait_long_tells_until_when() -> None:
    async def scenario() -> str:
        controllers = (
            Controller("skid", "10.20.0.11", limits=Limits(connects_per_hour=1)),
            Controller("hall", "10.20.0.12"),
        )
        values = (Value("a", Point(Table.HOLDING, 0, UINT16), Point(Table.HOLDING, 100, UINT16)),)
        plan = Plan("Hatchery", controllers, (Transfer("water", "skid", "hall", 10**9, 5 * 10**9, values),))
        engine = Engine(plan, MemoryNetwork(), seed=1)
        engine.start()
        await asyncio.sleep(60)
        text = next_attempt_text(engine.lines["skid"])
        assert next_attempt_text(engine.lines["hall"]) == ""
        wait_ms = summary(engine, engine.now_ns())["controllers"]["skid"]["next_connect_ms"]
        assert 58 * 60_000 < wait_ms < 60 * 60_000
        await engine.stop()
        return text

    assert re.fullmatch(r" \(next attempt at \d\d:\d\d\)", run_virtual(scenario))
