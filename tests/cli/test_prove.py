"""``wherry prove`` as a person calls it."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from wherry.cli.main import dispatch

PLAN = """
title = "Hatchery oxygen"

[controller.skid]
connect = "tcp://127.0.0.1:15021"

[controller.hall]
connect = "tcp://127.0.0.1:15022"
storage = "volatile"

[transfer.oxygen]
from = "skid"
to = "hall"
every = "200 ms"
max_age = "1 s"
on_loss = "hold"
status = "holding 90"
values = [
  { name = "tank 1 oxygen", take = "holding 0 float32 CDAB", put = "holding 100 int16", scale = [0, 20, 0, 2000] },
  { name = "level", take = "holding 2 int16", put = "holding 101 int16", range = [0, 2000] },
]
"""


@pytest.fixture
def plan(tmp_path: Path) -> Path:
    path = tmp_path / "oxygen.toml"
    path.write_text(PLAN, encoding="utf-8")
    return path


def test_how_long_to_watch(plan: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert dispatch(["prove", str(plan)]) == 0
    shown = capsys.readouterr().out
    assert "2,995 compared cycles" in shown
    assert "10.0 min" in shown, "2995 periods of 200 ms"
    assert "of 299 ages" in shown


def test_json(plan: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert dispatch(["prove", str(plan), "--rate", "0.01", "--quantile", "0.95", "--json"]) == 0
    (claim,) = json.loads(capsys.readouterr().out)["claims"]
    assert claim["cycles_for_rate"] == 299
    assert claim["cycles_for_rate_s"] == pytest.approx(59.8)
    assert claim["cycles_for_age"] == 59
