"""Gateways, one-session devices and identities under faults: no finding."""

from __future__ import annotations

import pytest

from wherry.plan import loads
from wherry.rehearse.scenario import rehearse

PLAN = """
title = "Feeders and small devices"
[controller.feeder1]
connect = "tcp://10.20.0.20"
unit = 1
[controller.feeder2]
connect = "tcp://10.20.0.20"
unit = 2
[controller.intake]
connect = "tcp://10.20.0.21"
limits = { idle = "10 s", connects = 400 }
identity = { vendor = "Hatch", revision = "V2", registers = [{ at = "holding 9000", is = 4660 }] }
[controller.oxygen]
connect = "tcp://10.20.0.22"
limits = { connection = "per exchange" }
[controller.line1]
connect = "rtu+tcp://10.20.0.23:4001"
unit = 1
identity = { product = "RS-4" }
[controller.line2]
connect = "rtu+tcp://10.20.0.23:4001"
unit = 2
"""
TRANSFER = """
[transfer.{source}]
from = "{source}"
to = "{to}"
every = "{period} s"
max_age = "{age} s"
on_loss = "hold"
status = "holding {status}"
values = [{{ name = "level", take = "holding 0", put = "holding {put}" }}]
"""


def plan_text() -> str:
    ways = (
        ("feeder1", "feeder2", 1),
        ("feeder2", "line1", 2),
        ("intake", "oxygen", 5),
        ("oxygen", "intake", 30),
        ("line1", "feeder1", 2),
        ("line2", "line1", 2),
    )
    return PLAN + "".join(
        TRANSFER.format(source=source, to=to, period=period, age=4 * period, status=90 + 10 * k, put=200 + 10 * k)
        for k, (source, to, period) in enumerate(ways)
    )


@pytest.mark.slow
@pytest.mark.parametrize(("faults", "seed"), [("none", 1), ("usual", 2), ("harsh", 3)])
def test_nothing_is_found(faults: str, seed: int) -> None:
    plan = loads(plan_text()).plan
    result = rehearse(plan, hours=0.3, seed=seed, faults=faults)
    assert result.broken == ()
    assert result.transactions > 3000
