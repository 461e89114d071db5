"""Writing a record while an exchange runs: the loop hands entries over and goes on; a thread puts them on the disk.

An event is shown to people only when it is on the disk: whoever shows it is called back on the loop after that. What is
not urgent (samples, histograms) waits for up to the flush interval, so that the disk is not asked for each. A disk that
is full, a file that is locked or a disk that cannot follow ends the record with a sentence, and never the exchange.
"""

from __future__ import annotations

import asyncio
import sqlite3
import threading
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, Protocol

from wherry.clock import NS_PER_S, wall_time_text
from wherry.engine.events import Event, Listener
from wherry.record.entries import Entry, Kind, writable
from wherry.record.file import RecordFile

FLUSH_NS: Final = NS_PER_S
"""The flush interval: what is older than this is on the disk, whenever the power goes (a choice of ours)."""
WAITING_MAX: Final = 20_000
"""So many entries may wait for the disk; one with many values counts as several. More, and the disk cannot follow."""
VALUES_PER_ENTRY: Final = 10
CLOSE_S: Final = 30.0
"""How long an end waits for the disk; then the record is left as a kill leaves it."""
BATCH_ENTRIES: Final = 500
"""In virtual time, entries are written so many at a time."""

Told = Callable[[], None]


class Sink(Protocol):
    """Where entries go."""

    def add(self, kind: Kind, at_ns: int, data: Mapping[str, Any], *, is_urgent: bool = False) -> None:
        """Take one entry. ``at_ns`` is since the start of the command; ``data`` must not be changed any more."""
        ...


def event_data(event: Event) -> dict[str, Any]:
    """What an ``event`` entry says."""
    return {
        "event": event.kind.value,
        "subject": event.subject,
        "message": event.message,
        "details": writable(event.details),
    }


def exchange_data(
    step: str, controller: str, unit: int, request: bytes, reply: bytes | None, sent_ns: int, done_ns: int
) -> dict[str, Any]:
    """What an ``exchange`` entry says: a request and its reply as they travelled, whole ADUs; None: no reply came.
    Instants are nanoseconds since the start of the command."""
    return {
        "step": step,
        "controller": controller,
        "unit": unit,
        "request": request.hex(),
        "reply": None if reply is None else reply.hex(),
        "sent_ns": sent_ns,
        "done_ns": done_ns,
    }


def lost_text(file: RecordFile, failed: Exception) -> str:
    """The sentence with which a record ends before its time."""
    reason = (failed.strerror if isinstance(failed, OSError) and failed.strerror else None) or str(failed)
    return (
        f"the record {file.path} cannot be written any more ({reason}): the exchange goes on WITHOUT a record; "
        "free the disk or choose another place with --record, and start again"
    )


@dataclass(frozen=True, slots=True)
class _Waiting:
    entry: Entry
    then: Told | None
    weight: int


class Recorder:
    """A record at work on a real event loop. Must be made on that loop; a ``Sink``.

    ``on_lost`` is called once, on the loop, with a sentence, when nothing can be written any more.
    """

    def __init__(self, file: RecordFile, on_lost: Callable[[str], None], *, flush_ns: int = FLUSH_NS) -> None:
        self.file = file
        self.is_recording = True
        self._loop = asyncio.get_running_loop()
        self._on_lost = on_lost
        self._flush_s = flush_ns / NS_PER_S
        self._lock = threading.Condition()
        self._waiting: list[_Waiting] = []
        self._weight = 0
        self._is_urgent = self._is_closing = False
        self._lost = ""
        self._done: deque[Told] = deque()
        self._behind = 0
        """Urgent entries that have not been told of yet; only the loop's thread looks at it."""
        self._settled: list[asyncio.Future[None]] = []
        self._thread = threading.Thread(target=self._write, name="record", daemon=True)
        self._thread.start()

    # On the loop.

    def add(
        self,
        kind: Kind,
        at_ns: int,
        data: Mapping[str, Any],
        *,
        is_urgent: bool = False,
        then: Told | None = None,
    ) -> None:
        """Take one entry; an urgent one is written at once, and ``then`` is called on the loop when it is on the disk,
        or when it is known that it never will be."""
        if not self.is_recording:
            if then is not None:
                then()
            return
        weight = 1 + len(data.get("values", ())) // VALUES_PER_ENTRY
        waiting = _Waiting(Entry(kind, at_ns, wall_time_text(), data), self._told(then) if is_urgent else None, weight)
        with self._lock:
            self._waiting.append(waiting)
            self._weight += weight
            is_too_much = self._weight > WAITING_MAX
            if is_urgent or is_too_much or len(self._waiting) == 1:
                self._is_urgent = self._is_urgent or is_urgent
                self._lock.notify()
        if is_urgent:
            self._behind += 1
        if is_too_much:
            self._stop_recording(lost_text(self.file, OSError("the disk does not follow")))

    def _told(self, then: Told | None) -> Told:
        def told() -> None:
            self._behind -= 1
            if then is not None:
                then()

        return told

    def listener(self, shown: Sequence[Listener]) -> Listener:
        """Whoever hears the engine's events: records each, and then has it shown."""

        def heard(event: Event) -> None:
            def show() -> None:
                for each in shown:
                    each(event)

            self.add(Kind.EVENT, event.at_ns, event_data(event), is_urgent=True, then=show)

        return heard

    async def settled(self) -> None:
        """Returns when everything urgent so far is on the disk, in the same turn of the loop: what is looked at right
        after it has been recorded."""
        while self._behind and self.is_recording:
            future = self._loop.create_future()
            self._settled.append(future)
            await future

    def close(self, at_ns: int, data: Mapping[str, Any]) -> bool:
        """Write what waits and a last entry, show what was not shown yet, and seal the file. Waits for the disk.

        Returns whether the record is whole and sealed.
        """
        self.add(Kind.CLOSED, at_ns, data, is_urgent=True)
        with self._lock:
            self._is_closing = True
            self._lock.notify()
        self._thread.join(CLOSE_S)
        is_sealed = False
        try:
            if self._thread.is_alive():
                raise OSError("the disk does not answer")
            is_sealed = self.file.close(is_whole=not self._lost)
        except OSError as failed:
            self._lost = self._lost or lost_text(self.file, failed)
        self._show()
        self.is_recording = False
        return is_sealed

    def _show(self) -> None:
        """Show what is on the disk."""
        if self._lost and self.is_recording:
            self._stop_recording(self._lost)
        while self._done:
            told = self._done.popleft()
            try:
                told()
            except Exception as fault:  # noqa: BLE001 - whoever shows it, the others must be shown as well
                self._loop.call_exception_handler({"message": "a listener failed", "exception": fault})
        settled, self._settled = self._settled, []
        for future in settled:
            if not future.done():
                future.set_result(None)

    def _stop_recording(self, why: str) -> None:
        self.is_recording = False
        with self._lock:
            self._lost = self._lost or why
            given_up, self._waiting = self._waiting, []
            self._lock.notify()
        self._on_lost(why)
        self._done.extend(each.then for each in given_up if each.then is not None)
        self._loop.call_soon(self._show)

    # In the thread.

    def _write(self) -> None:
        while True:
            with self._lock:
                if not self._waiting and not self._is_closing and not self._lost:
                    self._lock.wait()
                if not self._is_urgent and not self._is_closing and not self._lost:
                    self._lock.wait(self._flush_s)
                batch, self._waiting = self._waiting, []
                self._is_urgent = False
                is_over = self._lost or (self._is_closing and not batch)
                self._weight = 0
            if batch and not self._lost:
                try:
                    self.file.append([each.entry for each in batch])
                except (OSError, sqlite3.Error, ValueError, TypeError) as failed:
                    self._lost = lost_text(self.file, failed)
            told = [each.then for each in batch if each.then is not None]
            self._done.extend(told)
            if told or self._lost:
                try:
                    self._loop.call_soon_threadsafe(self._show)
                except RuntimeError:
                    # The loop has been closed: whoever closes the record shows the rest.
                    return
            if is_over or self._lost:
                return


class DirectRecorder:
    """A record that is written where it is called, for virtual time, where nobody waits: a ``Sink``."""

    def __init__(self, file: RecordFile, on_lost: Callable[[str], None]) -> None:
        self.file = file
        self.is_recording = True
        self._on_lost = on_lost
        self._waiting: list[Entry] = []

    def add(self, kind: Kind, at_ns: int, data: Mapping[str, Any], *, is_urgent: bool = False) -> None:
        """Take one entry; written with the next ones, an urgent one not sooner than others."""
        if not self.is_recording:
            return
        self._waiting.append(Entry(kind, at_ns, None, data))
        if len(self._waiting) >= BATCH_ENTRIES:
            self.flush()

    def hear(self, event: Event) -> None:
        """Record one of the engine's events."""
        self.add(Kind.EVENT, event.at_ns, event_data(event))

    def flush(self) -> None:
        """Everything so far is on the disk, or the record is lost."""
        waiting, self._waiting = self._waiting, []
        if not waiting or not self.is_recording:
            return
        try:
            self.file.append(waiting)
        except (OSError, sqlite3.Error) as failed:
            self.is_recording = False
            self._on_lost(lost_text(self.file, failed))

    def close(self, at_ns: int, data: Mapping[str, Any]) -> bool:
        """Write a last entry and seal the file; returns whether it is whole and sealed."""
        self.add(Kind.CLOSED, at_ns, data)
        self.flush()
        try:
            return self.file.close(is_whole=self.is_recording)
        except OSError as failed:
            if self.is_recording:
                self.is_recording = False
                self._on_lost(lost_text(self.file, failed))
            return False
