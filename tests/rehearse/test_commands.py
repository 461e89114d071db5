"""Rehearsing commands: both programs are played, and a judge compares what was said with what was done."""

from __future__ import annotations

import pytest

from wherry.plan import loads
from wherry.rehearse.result import Rehearsal
from wherry.rehearse.scenario import rehearse

PLAN = """
title = "Feeding"
[controller.hall]
connect = "tcp://10.20.0.12"
limits = { timeout = "300 ms" }
[controller.feeder]
connect = "tcp://10.20.0.14"
limits = { timeout = "300 ms" }
[command.feed]
from = "hall"
to = "feeder"
every = "200 ms"
request = "holding 20"
values = [
  { name = "portion", take = "holding 21", put = "holding 39", unit = "g", range = [100, 500] },
  { name = "strength", take = "holding 22 float32", put = "holding 60 int16", range = [0, 1], scale = [0, 1, 0, 100] },
]
put = "holding 40"
acknowledge = "holding 50"
result = "holding 51"
answer = "holding 30"
expiry = "5 s"
"""


def rehearsed(faults: str, seed: int) -> Rehearsal:
    loaded = loads(PLAN)
    assert loaded.findings == ()
    return rehearse(loaded.plan, hours=0.5, seed=seed, faults=faults)


def test_without_faults_everything_is_executed() -> None:
    found = rehearsed("none", 1)
    (feed,) = found.commands
    assert found.broken == ()
    assert feed.requested >= 60
    assert feed.requested == feed.executed + feed.pending
    assert feed.carried_out >= feed.executed


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(1, 4))
def test_with_faults_what_is_said_is_what_was_done(seed: int) -> None:
    found = rehearsed("harsh", seed)
    (feed,) = found.commands
    assert found.broken == ()
    assert feed.executed > 5
    assert feed.expired + feed.unknown > 5, "the faults have been felt"
    assert feed.executed <= feed.carried_out <= feed.executed + feed.unknown + feed.pending
