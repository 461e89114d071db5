"""Kill whoever writes, at any moment: what was shown is there, nothing older than the flush interval is lost, the chain
holds, and the next one goes on.

One record is written by one program after the other, each killed after a random time, in whatever state that finds it:
while it makes the file, writes, takes old entries out, seals, or lifts the seal. Power that goes is tried as well, on a
copy whose log is cut anywhere.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from random import Random

import pytest

from wherry.record.entries import Kind
from wherry.record.file import BYTES_MAX_LEAST, RecordFile
from wherry.record.reading import Record, Verdict
from wherry.record.seal import PAGE_BYTES, SealState

WRITING = Path(__file__).with_name("writing.py")
FLUSH_NS = 100_000_000
COMMIT_NS = 2_000_000_000
"""How long putting a batch on the disk may take on a machine that has other things to do."""
TRIALS = int(os.environ.get("WHERRY_KILLS", "10"))
SEED = os.environ.get("WHERRY_SEED", "1")
NEW_SHARE = 0.2
"""Share of the kills that meet a record that is not there yet."""
CUTS = 3
"""Ways in which the log is cut after each kill."""
Recheck = Callable[[Path], int]


@dataclass(frozen=True)
class Killed:
    """What the program had said when it was killed."""

    shown: frozenset[int]
    asked_ns: dict[int, int]
    at_ns: int


BEGIN_S_MAX = 60.0
"""How long starting a program may take on a machine that has other things to do."""


def kill_while_it_writes(path: Path, run: int, after_s: float, *, since_begun: bool = False) -> Killed:
    """Start the program and kill it after a time; ``since_begun``: counted from the first thing that it says."""
    said = path.with_name(f"said {run}.txt")
    with said.open("wb") as out:
        process = subprocess.Popen([sys.executable, str(WRITING), str(path), str(run)], stdout=out)
        started_ns = time.monotonic_ns()
        while since_begun and not said.stat().st_size and time.monotonic_ns() - started_ns < BEGIN_S_MAX * 1e9:
            with contextlib.suppress(subprocess.TimeoutExpired):
                process.wait(timeout=0.01)
        with pytest.raises(subprocess.TimeoutExpired):
            process.wait(timeout=after_s)
        at_ns = time.monotonic_ns()
        process.kill()
        process.wait()
    shown, asked_ns = set(), {}
    for line in said.read_text().splitlines():
        word, number, *rest = line.split()
        if word == "shown":
            shown.add(int(number))
        else:
            asked_ns[int(number)] = int(rest[0])
    return Killed(frozenset(shown), asked_ns, at_ns)


def run_of(path: Path, run: int) -> set[int]:
    """The numbers of events and samples of one run that are there."""
    there = set()
    with Record(path) as record:
        for entry in record.entries(Kind.EVENT, Kind.SAMPLES):
            said = entry.data["details"] if entry.kind == Kind.EVENT else entry.data
            if said["run"] == run:
                there.add(said["number"])
    return there


def is_made(path: Path) -> bool:
    """Whether making the record was finished; it is all or nothing."""
    if not path.exists() or not path.stat().st_size or path.with_name(path.name + "-journal").exists():
        return False
    return path.stat().st_size > 2 * PAGE_BYTES


def check_whole(path: Path, recheck: Recheck) -> Verdict:
    with Record(path) as record:
        verdict = record.verify()
    assert verdict.troubles == ()
    assert recheck(path) == (0 if verdict.seal is SealState.WHOLE else 3)
    return verdict


def check_nothing_is_lost(path: Path, run: int, killed: Killed, before: int, verdict: Verdict) -> tuple[int, int]:
    """Returns how many samples were lost, those of the last moment, and how old the oldest of them was.

    ``before``: the last entry before this run.
    """
    there = run_of(path, run)
    # The oldest may have been taken out to keep the file small; the chain says which, so that all later ones are there.
    is_complete = not verdict.gaps or verdict.gaps[-1].last <= before
    least = 1 if is_complete else min(there, default=1)
    assert {each for each in killed.shown if each >= least} <= there
    lost = [each for each in killed.asked_ns if each >= least and each not in there]
    oldest_ns = max((killed.at_ns - killed.asked_ns[each] for each in lost), default=0)
    assert oldest_ns <= FLUSH_NS + COMMIT_NS, f"a sample was lost that was {oldest_ns / 1e6:.0f} ms old"
    return len(lost), oldest_ns


def written_back(path: Path) -> int:
    """Up to which byte the log may have been copied into the database: so far it was on the disk before that.

    Frames of 24 bytes and a page, after 32 bytes of header (SQLite, "Database File Format", 4.1); how many were copied
    stands in the index of the log ("WAL-mode File Format", 2.1.2: nBackfillAttempted).
    """
    index = path.with_name(path.name + "-shm").read_bytes()
    return 32 + (24 + PAGE_BYTES) * int.from_bytes(index[128:132], sys.byteorder)


def check_cut(path: Path, rng: Random, folder: Path, recheck: Recheck) -> bool:
    """The power goes: of the log only a part is on the disk. What is left is a chain from its beginning.

    Returns whether there was a log.
    """
    log = path.with_name(path.name + "-wal")
    if not log.exists() or not log.stat().st_size:
        return False
    with Record(path) as record:
        whole = {each.number: each for each in record.entries()}
    for number in range(CUTS):
        copy = folder / f"cut {number}.record"
        shutil.copy(path, copy)
        with log.open("rb") as file:
            left_bytes = rng.randrange(min(written_back(path), log.stat().st_size), log.stat().st_size + 1)
            (folder / f"cut {number}.record-wal").write_bytes(file.read(left_bytes))
        with Record(copy) as record:
            verdict = record.verify()
            assert verdict.troubles == ()
            left = list(record.entries())
        assert all(whole.get(each.number, each) == each for each in left)
        assert recheck(copy) == 3
    return True


@pytest.mark.slow
@pytest.mark.timeout(900)
def test_killed_at_any_moment(tmp_path: Path, recheck: Recheck) -> None:
    rng = Random(f"kills {SEED}")
    path = tmp_path / "killed.record"
    counts = Counter({"kills": TRIALS})
    before = oldest_ns = 0
    for run in range(TRIALS):
        if rng.random() < NEW_SHARE:
            # Starting takes some tenths of a second; kills in the first of them meet a record that is being made.
            path, before = tmp_path / f"killed {run}.record", 0
            killed = kill_while_it_writes(path, run, rng.uniform(0.05, 0.4))
        else:
            # Half of them in the midst of writing, however long starting takes.
            killed = kill_while_it_writes(path, run, rng.uniform(0.05, 0.7), since_begun=run % 2 == 0)
        if not is_made(path):
            counts["not made"] += 1
            assert not killed.shown
            RecordFile(path).close()
            continue
        verdict = check_whole(path, recheck)
        counts[f"seal {verdict.seal.value}"] += 1
        lost, lost_ns = check_nothing_is_lost(path, run, killed, before, verdict)
        oldest_ns = max(oldest_ns, lost_ns)
        counts.update({"shown": len(killed.shown), "samples of the last moment lost": lost})
        before = verdict.number
        if check_cut(path, rng, tmp_path, recheck):
            counts["power cuts"] += CUTS
        if rng.random() < 0.3:
            # Somebody closes it in between.
            file = RecordFile(path, bytes_max=BYTES_MAX_LEAST)
            before = file.number
            assert file.close()
            assert check_whole(path, recheck).is_whole
    assert counts["shown"] > TRIALS
    assert path.stat().st_size < 2 * BYTES_MAX_LEAST
    sys.stderr.write(f"\n{dict(counts)}, the oldest of them {oldest_ns / 1e6:.0f} ms old\n")
