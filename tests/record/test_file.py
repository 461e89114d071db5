"""The file of a record: it goes on where it was, has one writer, stays small, and says what it left out."""

from __future__ import annotations

import os
import sqlite3
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from wherry.errors import LocalError
from wherry.record.entries import BEGINNING, Entry, Kind, digest_of
from wherry.record.file import BYTES_MAX_LEAST, RecordFile, RecordFullError
from wherry.record.reading import Record
from wherry.record.seal import SealState

Make = Callable[[int], Entry]


def numbers(path: Path) -> list[int]:
    with Record(path) as record:
        return [each.data["details"]["number"] for each in record.entries(Kind.EVENT)]


def test_entries_are_chained_from_the_first_on(closed: Path) -> None:
    head = BEGINNING
    database = sqlite3.connect(closed)
    for number, (there, digest, body) in enumerate(database.execute("SELECT number, digest, body FROM entry"), 1):
        head = digest_of(head, body)
        assert (there, digest) == (number, head)
    database.close()
    with Record(closed) as record:
        verdict = record.verify()
        assert record.head == (60, head)
    assert verdict.is_whole
    assert (verdict.number, verdict.head, verdict.gaps) == (60, head, ())


def test_it_goes_on_where_it_was(event: Make, closed: Path, recheck: Callable[[Path], int]) -> None:
    file = RecordFile(closed)
    assert file.number == 60
    with Record(closed) as record:
        assert record.verify().seal is SealState.OPEN
    file.append([event(60)])
    assert file.close()
    assert numbers(closed) == list(range(61))
    assert recheck(closed) == 0


def test_whoever_does_not_close_it_leaves_it_open(event: Make, tmp_path: Path, recheck: Callable[[Path], int]) -> None:
    path = tmp_path / "a.record"
    file = RecordFile(path)
    file.append([event(1)])
    assert recheck(path) == 3
    file.append([event(2)])
    assert not file.close(is_whole=False)
    assert recheck(path) == 3
    assert numbers(path) == [1, 2]


def test_there_is_one_writer(closed: Path) -> None:
    first = RecordFile(closed)
    with pytest.raises(LocalError, match="is being written by another run"):
        RecordFile(closed)
    first.close()
    RecordFile(closed).close()


def test_somebody_elses_file_is_left_alone(tmp_path: Path) -> None:
    plan = tmp_path / "plan.toml"
    plan.write_text("title = 'x'\n" * 1000)
    with pytest.raises(LocalError, match="is there already and is no record"):
        RecordFile(plan)
    assert plan.read_text() == "title = 'x'\n" * 1000
    other = tmp_path / "other.db"
    database = sqlite3.connect(other)
    database.execute("CREATE TABLE seal (a)")
    database.close()
    before = other.read_bytes()
    with pytest.raises(LocalError, match="a database of another program"):
        RecordFile(other)
    assert other.read_bytes() == before


def test_a_record_that_was_changed_is_not_added_to(closed: Path) -> None:
    data = bytearray(closed.read_bytes())
    data[-100] ^= 1
    closed.write_bytes(data)
    with pytest.raises(LocalError, match="was changed after it was closed"):
        RecordFile(closed)
    assert closed.read_bytes() == data


def test_a_kill_while_it_is_made_leaves_a_place_that_can_be_used(event: Make, tmp_path: Path) -> None:
    path = tmp_path / "a.record"
    path.touch()
    file = RecordFile(path)
    file.append([event(1)])
    assert file.close()
    assert numbers(path) == [1]


def test_the_oldest_goes_and_the_chain_still_holds(event: Make, tmp_path: Path, recheck: Callable[[Path], int]) -> None:
    path = tmp_path / "a.record"
    file = RecordFile(path, bytes_max=BYTES_MAX_LEAST)
    proof = Entry(Kind.PROOF, 5, None, {"step": "identity", "result": "passed"})
    for number in range(0, 6000, 20):
        file.append([event(each) for each in range(number, number + 20)])
        if number % 1000 == 0:
            file.append([proof])
    assert file.close()
    assert path.stat().st_size < BYTES_MAX_LEAST + 64 * 1024
    there = numbers(path)
    assert there == list(range(there[0], 6000))
    assert there[0] > 3000
    with Record(path) as record:
        verdict = record.verify()
        assert len(list(record.entries(Kind.PROOF))) == 6
    assert verdict.is_whole
    assert len(verdict.gaps) > 3  # between the steps of the proof, which stay
    assert recheck(path) == 0


def test_what_is_gone_without_a_word_is_found(event: Make, tmp_path: Path, recheck: Callable[[Path], int]) -> None:
    path = tmp_path / "a.record"
    file = RecordFile(path, bytes_max=BYTES_MAX_LEAST)
    file.append([event(each) for each in range(3000)])
    file.append([event(3000)])
    file.close(is_whole=False)
    with Record(path) as record:
        assert record.verify().gaps
    assert recheck(path) == 3
    database = sqlite3.connect(path)
    database.execute("DELETE FROM entry WHERE number = 2500")
    database.commit()
    database.close()
    with Record(path) as record:
        (trouble, *_) = record.verify().troubles
    assert trouble == "entries 2500 to 2500 are missing, and no entry says why"
    assert recheck(path) == 1


def test_it_is_full_when_nothing_may_go(tmp_path: Path) -> None:
    file = RecordFile(tmp_path / "a.record", bytes_max=BYTES_MAX_LEAST)
    step = Entry(Kind.PROOF, 5, None, {"step": "x" * 1000})
    file.append([step] * 100)
    with pytest.raises(RecordFullError, match="reached its 262,144 bytes"):
        file.append([step] * 200)
    file.close()


FILL = """
import resource, sqlite3, sys
from pathlib import Path
from wherry.record.entries import Entry, Kind
from wherry.record.file import RecordFile
file = RecordFile(Path(sys.argv[1]))
resource.setrlimit(resource.RLIMIT_FSIZE, (300_000, 300_000))
try:
    for number in range(1000):
        file.append([Entry(Kind.NOTE, number, None, {"text": "x" * 500})])
except (OSError, sqlite3.Error):
    print(file.number)
"""


@pytest.mark.skipif(sys.platform == "win32", reason="file size limits are POSIX")
def test_a_disk_that_takes_no_more_loses_nothing_that_was_written(
    tmp_path: Path, recheck: Callable[[Path], int]
) -> None:
    """A limit on the size of files stands for the full disk: the write fails half way."""
    path = tmp_path / "a.record"
    done = subprocess.run(
        [sys.executable, "-c", FILL, str(path)], capture_output=True, text=True, check=False, env=dict(os.environ)
    )
    written = int(done.stdout)
    assert 10 < written < 1000, done.stderr
    with Record(path) as record:
        verdict = record.verify()
    assert verdict.troubles == ()
    assert verdict.number == written
    assert recheck(path) == 3


def test_a_locked_file_is_an_error_and_changes_nothing(event: Make, tmp_path: Path) -> None:
    path = tmp_path / "a.record"
    file = RecordFile(path, busy_s=0.05)
    file.append([event(1)])
    head = file.head
    other = sqlite3.connect(path, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    with pytest.raises(sqlite3.OperationalError, match="locked"):
        file.append([event(2)])
    other.execute("ROLLBACK")
    other.close()
    assert (file.number, file.head) == (1, head)
    file.append([event(3)])
    assert file.close()
    assert numbers(path) == [1, 3]
