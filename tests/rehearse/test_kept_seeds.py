"""Whatever was found once is looked for again."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest

from wherry.plan import load
from wherry.rehearse.scenario import rehearse

HERE = Path(__file__).parent
KEPT = tomllib.loads((HERE / "kept_seeds.toml").read_text(encoding="utf-8"))["kept"]


@pytest.mark.slow
@pytest.mark.parametrize("kept", KEPT, ids=lambda kept: f"{kept['plan']}: {kept['found']}")
def test_what_was_found_once_is_not_found_again(kept: dict[str, Any]) -> None:
    plan = load(HERE / "kept" / kept["plan"]).plan
    seen = rehearse(plan, hours=kept["seconds"] / 3600, seed=kept["seed"], faults="harsh")
    assert seen.faults
    assert [str(each) for each in seen.broken] == []
