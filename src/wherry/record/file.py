"""The file of a record, for whoever writes it: one SQLite database, one writer at a time, bounded.

Every call either has everything on disk when it returns, or changes nothing and raises. Nothing here knows of event
loops or threads.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Sequence
from pathlib import Path
from typing import Any, BinaryIO, Final

from wherry.engine.file_lock import lock
from wherry.errors import LocalError
from wherry.record import seal
from wherry.record.entries import BEGINNING, FORMAT, KEPT, Entry, Gap, Kind, body_of, digest_of, gaps_of, joined

APPLICATION_ID: Final = 0x57485259
"""``WHRY`` in the header of the file, so that other programs can tell what it is."""
SQLITE_MAGIC: Final = b"SQLite format 3\x00"
BYTES_MAX: Final = 256 * 1024 * 1024
"""A record is kept below this unless said (a choice of ours): about five days of 200 values that always change."""
BYTES_MAX_LEAST: Final = 256 * 1024
DROP_SHARE: Final = 8
"""When the file is full, the oldest eighth of it goes; it is full for good when not even an eighth of that can."""
NEWEST_KEPT: Final = 100
"""Entries that are never taken out, whatever their kind."""
LOG_BYTES_MAX: Final = 64 * 1024 * 1024
"""The write-ahead log grows only while somebody who reads holds it; more than this is a fault of the reader."""
BUSY_S: Final = 2.0
"""How long a lock of somebody else is waited for."""
ROW_BYTES: Final = 80
"""What a row takes besides its body, about."""

Row = tuple[int, bytes, str, str]

_written_here: set[Path] = set()


def is_written_here(path: Path) -> bool:
    """Whether this very process writes to the record.

    Then nobody here may open it but through SQLite: closing the file would let go of SQLite's own locks (POSIX locks
    belong to the process; SQLite, "How To Corrupt An SQLite Database File", 2.2).
    """
    return path.resolve() in _written_here


class RecordFullError(OSError):
    """There is nothing left that may be taken out to make room."""


class RecordFile:
    """A record that is open for writing.

    ``bytes_max`` bounds the database; the log beside it has a few megabytes more. What is older goes when it is full,
    except plans and steps of a proof.
    """

    def __init__(
        self, path: Path, *, bytes_max: int = BYTES_MAX, is_durable: bool = True, busy_s: float = BUSY_S
    ) -> None:
        """LocalError when somebody else writes to the file, when it is no record, or when it was changed after it was
        closed; OSError when it cannot be read or written. ``is_durable``: wait for the disk at each append. ``busy_s``:
        how long a lock of somebody else is waited for."""
        self.path = path
        self.bytes_max = max(bytes_max, BYTES_MAX_LEAST)
        self.number = 0
        self.head = BEGINNING
        self._log = path.with_name(path.name + "-wal")
        held = lock(path.with_name(path.name + ".lock"))
        if held is None:
            raise LocalError(
                f"the record {path} is being written by another run; two at a time would tell one story: "
                "end the other one first, or give another place with --record"
            )
        self._lock: BinaryIO = held
        self._place = path.resolve()
        try:
            self._look_before()
            self._database = self._connect(is_durable, busy_s)
        except BaseException:
            self._lock.close()
            raise
        try:
            self._begin()
        except sqlite3.Error as failed:
            self._let_go()
            if isinstance(failed, sqlite3.OperationalError):
                raise OSError(f"{failed}") from None
            raise LocalError(f"{path} is no record, or a damaged one ({failed}); give another place") from None
        except BaseException:
            self._let_go()
            raise
        _written_here.add(self._place)

    # Opening.

    def _look_before(self) -> None:
        """Before SQLite touches it: is this a record, and as it was left?"""
        if not self.path.exists() or not self.path.stat().st_size:
            return
        if self.path.with_name(self.path.name + "-journal").exists():
            return  # killed while it was made: SQLite will undo that
        with self.path.open("rb") as file:
            if file.read(len(SQLITE_MAGIC)) != SQLITE_MAGIC:
                raise LocalError(f"{self.path} is there already and is no record; give another place with --record")
            place = seal.seal_place(file)
        if place is None:
            return  # killed while it was made, or no record at all: SQLite will tell
        if seal.look(self.path) is seal.SealState.BROKEN:
            raise LocalError(
                f"the record {self.path} was changed after it was closed, so nothing is added to it: "
                "move it away and keep it, then start again"
            )
        seal.lift(self.path)

    def _connect(self, is_durable: bool, busy_s: float) -> sqlite3.Connection:
        try:
            database = sqlite3.connect(self.path, timeout=busy_s, isolation_level=None, check_same_thread=False)
        except sqlite3.Error as failed:
            raise OSError(str(failed)) from None
        database.execute(f"PRAGMA synchronous={'FULL' if is_durable else 'OFF'}")
        return database

    def _begin(self) -> None:
        database = self._database
        if not database.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]:
            self._make()
        (application,) = database.execute("PRAGMA application_id").fetchone()
        (version,) = database.execute("PRAGMA user_version").fetchone()
        if application != APPLICATION_ID:
            raise LocalError(f"{self.path} is a database of another program; give another place with --record")
        if version != FORMAT:
            raise LocalError(
                f"the record {self.path} has format {version}; this version writes format {FORMAT}: give another place"
            )
        database.execute("PRAGMA journal_mode=WAL")
        database.execute("PRAGMA journal_size_limit=4194304")
        row: Row | None = database.execute(
            "SELECT number, digest, kind, body FROM entry ORDER BY number DESC LIMIT 1"
        ).fetchone()
        if row is not None:
            self.number, self.head = row[0], row[1]

    def _make(self) -> None:
        """All of it or nothing: whoever is killed here leaves an empty file."""
        database = self._database
        database.execute(f"PRAGMA page_size={seal.PAGE_BYTES}")
        database.execute("BEGIN IMMEDIATE")
        # The first table begins on page 2, where the seal is looked for.
        database.execute("CREATE TABLE seal (mark BLOB NOT NULL)")
        database.execute("INSERT INTO seal VALUES (?)", (seal.MARK + seal.OPEN,))
        database.execute(
            "CREATE TABLE entry (number INTEGER PRIMARY KEY, digest BLOB NOT NULL, kind TEXT NOT NULL, "
            "body TEXT NOT NULL)"
        )
        database.execute(f"PRAGMA application_id={APPLICATION_ID}")
        database.execute(f"PRAGMA user_version={FORMAT}")
        database.execute("COMMIT")

    def last_plan(self) -> tuple[int, Any] | None:
        """The number and the data of the last ``plan`` entry. sqlite3.Error when it cannot be read."""
        row = self._database.execute(
            "SELECT number, body FROM entry WHERE kind = ? ORDER BY number DESC LIMIT 1", (Kind.PLAN.value,)
        ).fetchone()
        try:
            return None if row is None else (row[0], json.loads(row[1])["data"])
        except (ValueError, KeyError, TypeError):
            return None

    # Writing.

    def append(self, entries: Sequence[Entry]) -> None:
        """Add entries, all or none. sqlite3.Error or OSError when that cannot be done."""
        self._transact(entries)
        if self._used_bytes() > self.bytes_max:
            self._make_room(entries[-1])
        if self._log.exists() and self._log.stat().st_size > LOG_BYTES_MAX:
            raise RecordFullError("somebody has been reading it for too long, so that it cannot be tidied")

    def _transact(self, entries: Sequence[Entry], dropping: Sequence[int] = ()) -> None:
        number, head = self.number, self.head
        rows: list[Row] = []
        for entry in entries:
            number += 1
            body = body_of(number, entry)
            head = digest_of(head, body)
            rows.append((number, head, entry.kind.value, body))
        database = self._database
        database.execute("BEGIN IMMEDIATE")
        try:
            database.executemany("INSERT INTO entry VALUES (?, ?, ?, ?)", rows)
            database.executemany("DELETE FROM entry WHERE number = ?", ((each,) for each in dropping))
            database.execute("COMMIT")
        except BaseException:
            if database.in_transaction:
                database.execute("ROLLBACK")
            raise
        self.number, self.head = number, head

    def _used_bytes(self) -> int:
        (pages,) = self._database.execute("PRAGMA page_count").fetchone()
        if pages * seal.PAGE_BYTES <= self.bytes_max:
            return 0
        (free,) = self._database.execute("PRAGMA freelist_count").fetchone()
        return int((pages - free) * seal.PAGE_BYTES)

    def _make_room(self, last: Entry) -> None:
        """Take the oldest entries out, and write down which. ``last`` is what was written last."""
        wanted, found = self.bytes_max // DROP_SHARE, 0
        dropping: list[int] = []
        runs: list[Gap] = []
        gaps = self._gaps()
        after = {gap.last: gap.after for gap in gaps}
        before, previous = BEGINNING, 0
        kept = [kind.value for kind in KEPT]
        rows = self._database.execute("SELECT number, digest, kind, length(body) FROM entry ORDER BY number")
        for number, digest, kind, length in rows:
            if number > previous + 1:
                before = after[number - 1]
            if found >= wanted or number > self.number - NEWEST_KEPT:
                break
            if kind not in kept:
                dropping.append(number)
                runs.append(Gap(number, number, before, digest))
                found += length + ROW_BYTES
            before, previous = digest, number
        rows.close()
        if found < wanted // DROP_SHARE:
            raise RecordFullError(f"it has reached its {self.bytes_max:,} bytes with what must be kept")
        told = Entry(Kind.DROPPED, last.at_ns, last.utc, {"gaps": [gap.as_data() for gap in joined([*gaps, *runs])]})
        self._transact([told], dropping)

    def _gaps(self) -> list[Gap]:
        """What was taken out before, as the last ``dropped`` entry says."""
        row = self._database.execute(
            "SELECT body FROM entry WHERE kind = ? ORDER BY number DESC LIMIT 1", (Kind.DROPPED.value,)
        ).fetchone()
        return [] if row is None else gaps_of(row[0])

    # The end.

    def end_data(self, *, is_whole: bool) -> dict[str, Any]:
        """What is said of the record when a command has ended: its head is to be printed, and signed."""
        return {"file": str(self.path), "entries": self.number, "head": self.head.hex(), "is_whole": is_whole}

    def close(self, *, is_whole: bool = True) -> bool:
        """Close the file, and seal it if everything that had to be written was (``is_whole``) and nobody reads it.

        Returns whether it is sealed. OSError when that cannot be done.
        """
        try:
            self._database.close()
            _written_here.discard(self._place)
            if is_whole and not self._log.exists():
                seal.put(self.path)
                return True
            return False
        except sqlite3.Error as failed:
            raise OSError(str(failed)) from None
        finally:
            self._lock.close()

    def _let_go(self) -> None:
        self._database.close()
        self._lock.close()
