"""One seed, one journal: byte by byte, in another process, and whatever the seed of Python's own hashes."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from wherry.plan import load
from wherry.rehearse.scenario import rehearse

HATCHERY = Path(__file__).parents[2] / "examples" / "hatchery.toml"
PROGRAM = """
import sys
from pathlib import Path
from wherry.plan import load
from wherry.rehearse.scenario import rehearse
seen = rehearse(load(Path(sys.argv[1])).plan, hours=0.05, seed=int(sys.argv[2]), faults="harsh")
sys.stdout.write("\\n".join([*seen.journal, str(seen.transactions), repr(seen.transfers), repr(seen.faults)]))
"""


def journal(hash_seed: str, seed: int) -> bytes:
    environment = os.environ | {"PYTHONHASHSEED": hash_seed}
    program = [sys.executable, "-c", PROGRAM, str(HATCHERY), str(seed)]
    return subprocess.run(program, env=environment, capture_output=True, check=True, timeout=60).stdout


@pytest.mark.slow
@pytest.mark.parametrize("seed", [2, 5])
def test_one_seed_gives_one_journal_whatever_the_hash_seed(seed: int) -> None:
    first, second = journal("1", seed), journal("4711", seed)
    assert first.count(b"\n") > 20
    assert first == second


@pytest.mark.slow
def test_another_seed_gives_another_journal() -> None:
    plan = load(HATCHERY).plan
    one, same, other = (rehearse(plan, hours=0.05, seed=seed, faults="harsh").journal for seed in (2, 2, 5))
    assert one == same
    assert one != other
