"""One changed byte anywhere in a closed record is found by the script that shares no code with us.

Two sorts of change: an accident, which leaves the seal as it is; and somebody who knows the format and seals the file
again, but leaves the digests of the entries alone. The second must be found wherever it touches an entry; what lies
between entries tells nothing, and there a new seal hides it.
"""

from __future__ import annotations

import os
import shutil
import sqlite3
from collections.abc import Callable
from pathlib import Path
from random import Random

import pytest

from wherry.plan import load
from wherry.record import seal
from wherry.record.plans import open_record
from wherry.record.reading import DamagedError, Record
from wherry.record.writer import DirectRecorder
from wherry.rehearse.scenario import rehearse

HATCHERY = Path(__file__).resolve().parents[2] / "examples" / "hatchery.toml"
TRIALS = int(os.environ.get("WHERRY_CHANGED_BYTES", "500"))
Recheck = Callable[[Path], int]


def content(path: Path) -> list[tuple[object, ...]]:
    """Everything that a record tells."""
    database = sqlite3.connect(path.as_uri() + "?mode=ro&immutable=1", uri=True)
    try:
        return database.execute("SELECT number, digest, kind, body FROM entry ORDER BY number").fetchall()
    finally:
        database.close()


def changed(data: bytes, rng: Random, at: int) -> bytes:
    """The same with another byte there."""
    return data[:at] + bytes([data[at] ^ rng.randrange(1, 256)]) + data[at + 1 :]


@pytest.fixture(scope="module")
def rehearsed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The record of a real plan: three minutes of it, and nothing that a rehearsal does not write."""
    path = tmp_path_factory.mktemp("rehearsed") / "hatchery.record"
    loaded = load(HATCHERY)
    recorder = DirectRecorder(open_record(path, "rehearse", loaded, is_simulated=True), pytest.fail)
    seen = rehearse(loaded.plan, hours=0.05, seed=3, faults="usual", recorder=recorder)
    assert recorder.close(seen.duration_ns, {"summary": seen.summary})
    return path


@pytest.mark.slow
def test_an_accident_is_found_wherever_it_happens(rehearsed: Path, tmp_path: Path, recheck: Recheck) -> None:
    rng, path, data = Random(1), tmp_path / "a.record", rehearsed.read_bytes()
    assert recheck(rehearsed) == 0
    missed = []
    for _ in range(TRIALS):
        at = rng.randrange(len(data))
        path.write_bytes(changed(data, rng, at))
        if recheck(path) != 1:
            missed.append(at)
    assert missed == []


@pytest.mark.slow
def test_a_new_seal_does_not_hide_a_changed_entry(rehearsed: Path, tmp_path: Path, recheck: Recheck) -> None:
    rng, path, data, before = Random(2), tmp_path / "a.record", rehearsed.read_bytes(), content(rehearsed)
    found = told_nothing = 0
    for _ in range(TRIALS):
        at = rng.randrange(len(data))
        path.write_bytes(changed(data, rng, at))
        try:
            seal.put(path)
        except OSError:
            found += 1  # the place of the seal itself was hit, and is not there any more
            continue
        if recheck(path) == 1:
            found += 1
        else:
            assert content(path) == before, f"byte {at} changed what the record tells, and was not found"
            told_nothing += 1
    assert found > told_nothing


@pytest.mark.slow
def test_our_own_reader_finds_them_as_well(rehearsed: Path, tmp_path: Path) -> None:
    rng, path, data = Random(3), tmp_path / "a.record", rehearsed.read_bytes()
    for _ in range(TRIALS // 10):
        path.write_bytes(changed(data, rng, rng.randrange(len(data))))
        assert not is_whole(path)
    for at in range(100):
        path.write_bytes(changed(data, rng, at))
        assert not is_whole(path)


def is_whole(path: Path) -> bool:
    try:
        with Record(path) as record:
            return record.verify().is_whole
    except DamagedError:
        return False


def test_whoever_takes_the_last_entries_away_is_found(closed: Path, recheck: Recheck) -> None:
    database = sqlite3.connect(closed)
    database.execute("DELETE FROM entry WHERE number > 50")
    database.commit()
    database.close()
    assert recheck(closed) == 1


def test_a_head_that_was_signed_finds_what_was_chained_and_sealed_anew(
    closed: Path, tmp_path: Path, recheck_head: Callable[[Path, str], int]
) -> None:
    with Record(closed) as record:
        number, digest = record.head
    head = f"{number} {digest.hex()}"
    assert recheck_head(closed, head) == 0
    seal.lift(closed)
    database = sqlite3.connect(closed)
    database.execute("DELETE FROM entry WHERE number > 50")
    database.commit()
    database.close()
    seal.put(closed)
    assert recheck_head(closed, head) == 1


def test_what_lies_beside_a_closed_record_is_found(closed: Path, tmp_path: Path, recheck: Recheck) -> None:
    """A log beside it would be read before the file itself by any other program."""
    other = tmp_path / "other.record"
    shutil.copy(closed, other)
    database = sqlite3.connect(other)
    database.execute("UPDATE entry SET kind = 'note' WHERE number = 7")
    database.commit()
    shutil.copy(tmp_path / "other.record-wal", tmp_path / "oxygen.record-wal")
    database.close()
    assert recheck(closed) == 1
    with Record(closed) as record:
        assert not record.verify().is_whole
