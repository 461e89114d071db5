"""Reading a record: its entries, whether they are whole, and what they come to.

Nothing is ever changed: a closed record is opened as what cannot change, one that is being written (or was left by a
kill) in one read transaction.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any, Final

from wherry.errors import LocalError
from wherry.record import seal
from wherry.record.entries import BEGINNING, FORMAT, Gap, Kind, digest_of, gaps_of
from wherry.record.file import APPLICATION_ID, BUSY_S, is_written_here

TROUBLES_MAX: Final = 20
"""So many sentences say enough."""
PROGRESS_ENTRIES: Final = 1000
_BODY_KEYS: Final = {"number", "kind", "at_ns", "utc", "data"}


@dataclass(frozen=True, slots=True)
class Read:
    """One entry as it stands. ``at_ns`` is since the start of the command, ``utc`` None in virtual time."""

    number: int
    kind: str
    at_ns: int
    utc: str | None
    data: Any


@dataclass(frozen=True, slots=True)
class Verdict:
    """Whether a record is whole. ``troubles``: sentences, none if nothing was found."""

    troubles: tuple[str, ...]
    seal: seal.SealState
    number: int
    """Of the last entry; 0 if there is none."""
    head: bytes
    gaps: tuple[Gap, ...]
    """What retention has taken out."""

    @property
    def is_whole(self) -> bool:
        """Nothing was changed, and whoever wrote has closed it."""
        return not self.troubles and self.seal is seal.SealState.WHOLE


class DamagedError(LocalError):
    """It was a record once, and cannot be opened any more."""


class Record:
    """A record that is open for reading; close it, or use it with ``with``.

    LocalError when it cannot be read or is none; DamagedError when it was one.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        if not path.is_file():
            raise LocalError(f"there is no record {path}")
        self.seal = seal.SealState.OPEN if is_written_here(path) else self._guarded(lambda: seal.look(path))
        log = path.with_name(path.name + "-wal")
        is_at_rest = self.seal is seal.SealState.WHOLE or not log.exists()
        self._has_stray_log = self.seal is seal.SealState.WHOLE and log.exists() and log.stat().st_size > 0
        uri = path.resolve().as_uri() + ("?mode=ro&immutable=1" if is_at_rest else "?mode=ro")
        self._database = self._guarded(
            lambda: sqlite3.connect(uri, uri=True, timeout=BUSY_S, isolation_level=None, check_same_thread=False)
        )
        try:
            self._guarded(self._begin)
        except BaseException as failed:
            self._database.close()
            if isinstance(failed, LocalError) and self.seal is seal.SealState.BROKEN and _was_record(path):
                raise DamagedError(str(failed)) from None
            raise

    def _guarded(self, call: Any) -> Any:
        try:
            return call()
        except (OSError, sqlite3.Error) as failed:
            raise LocalError(f"{self.path} cannot be read as a record: {failed}") from None

    def _begin(self) -> None:
        self._database.execute("BEGIN")
        (application,) = self._database.execute("PRAGMA application_id").fetchone()
        (version,) = self._database.execute("PRAGMA user_version").fetchone()
        if application != APPLICATION_ID:
            raise LocalError(f"{self.path} is no record")
        if version != FORMAT:
            raise LocalError(f"the record {self.path} has format {version}; this version reads format {FORMAT}")

    def __enter__(self) -> Record:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, traceback: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the file."""
        self._database.close()

    @property
    def head(self) -> tuple[int, bytes]:
        """The number and the digest of the last entry: what stands for the whole record; (0, zeros) if it is empty."""
        row = self._guarded(
            lambda: self._database.execute("SELECT number, digest FROM entry ORDER BY number DESC LIMIT 1").fetchone()
        )
        return (0, BEGINNING) if row is None else (row[0], row[1])

    def entries(self, *kinds: Kind) -> Iterator[Read]:
        """The entries in order, all or those of some kinds. LocalError where one cannot be read."""
        where = "" if not kinds else f" WHERE kind IN ({', '.join('?' * len(kinds))})"
        query = f"SELECT number, body FROM entry{where} ORDER BY number"
        try:
            for number, body in self._database.execute(query, [kind.value for kind in kinds]):
                said = json.loads(body)
                yield Read(number, said["kind"], said["at_ns"], said["utc"], said["data"])
        except (sqlite3.Error, ValueError, KeyError, TypeError) as failed:
            raise LocalError(f"the record {self.path} is damaged: {failed}") from None

    def verify(self, on_progress: Callable[[float], None] | None = None) -> Verdict:
        """Follow the chain from the first entry to the last. ``on_progress`` is told the share that is done."""
        troubles: list[str] = []
        if self.seal is seal.SealState.BROKEN:
            troubles.append("the file is not as it was when it was closed: the seal does not fit")
        if self._has_stray_log:
            troubles.append("something was written beside it (the file that ends in -wal) after it was closed")
        number, head = 0, BEGINNING
        gaps: Sequence[Gap] = ()
        try:
            (answer,) = self._database.execute("PRAGMA integrity_check(1)").fetchone()
            if answer != "ok":
                troubles.append(f"the database is damaged: {answer}")
            gaps = self._declared_gaps()
            number, head = self._follow({gap.first: gap for gap in gaps}, troubles, on_progress)
        except (sqlite3.Error, ValueError, KeyError, TypeError, AttributeError) as failed:
            troubles.append(f"the database cannot be read to its end: {failed}")
        return Verdict(tuple(troubles[:TROUBLES_MAX]), self.seal, number, head, tuple(gaps))

    def _declared_gaps(self) -> Sequence[Gap]:
        row = self._database.execute(
            "SELECT body FROM entry WHERE kind = ? ORDER BY number DESC LIMIT 1", (Kind.DROPPED.value,)
        ).fetchone()
        return [] if row is None else gaps_of(row[0])

    def _follow(
        self, gaps: dict[int, Gap], troubles: list[str], on_progress: Callable[[float], None] | None
    ) -> tuple[int, bytes]:
        number, head = 0, BEGINNING
        last: int = self._database.execute("SELECT max(number) FROM entry").fetchone()[0] or 1
        for there, digest, kind, body in self._database.execute(
            "SELECT number, digest, kind, body FROM entry ORDER BY number"
        ):
            if there != number + 1:
                gap = gaps.pop(number + 1, None)
                if gap is None or gap.last != there - 1 or gap.before != head:
                    troubles.append(f"entries {number + 1} to {there - 1} are missing, and no entry says why")
                else:
                    head = gap.after
            if digest_of(head, body) != digest:
                troubles.append(f"entry {there} does not fit the one before it: one of the two was changed")
            said = json.loads(body)
            if set(said) != _BODY_KEYS or said["number"] != there or said["kind"] != kind:
                troubles.append(f"entry {there} contradicts itself")
            number, head = there, digest
            if on_progress is not None and not number % PROGRESS_ENTRIES:
                on_progress(number / last)
        troubles += [f"entries {gap.first} to {gap.last} should be gone, and are there" for gap in gaps.values()]
        return number, head


def _was_record(path: Path) -> bool:
    """Whether the place of the seal is there, whatever else is not."""
    try:
        with path.open("rb") as file:
            return seal.seal_place(file) is not None
    except OSError:
        return False
