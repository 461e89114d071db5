"""The record of a run: one JSON object a line, on disk before anybody is shown the event.

Bounded: a full file is moved aside once (``.1``) and the next begins, so that at most two files of ``bytes_max`` exist.
A disk that is full or a file that is locked stops the record loudly and never the exchange.

Keys of a line: ``at`` (UTC, RFC 3339), ``since_start_ms``, ``kind``, ``subject``, ``message``, ``details``.
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable
from pathlib import Path
from typing import BinaryIO, Final

from wherry.clock import wall_time_text
from wherry.engine.events import Event

BYTES_MAX: Final = 8 * 1024 * 1024


class Journal:
    """An event listener that appends to a file. ``on_lost`` is called once, with a sentence, when it can no more."""

    def __init__(self, path: Path, on_lost: Callable[[str], None], *, bytes_max: int = BYTES_MAX) -> None:
        """OSError when the file cannot be opened: before a start that is a reason not to start."""
        self.path = path
        self.is_recording = True
        self._on_lost = on_lost
        self._bytes_max = bytes_max
        self._file: BinaryIO = path.open("ab")
        self._size = self._file.tell()

    def __call__(self, event: Event) -> None:
        """Write one event and wait until it is on disk."""
        if not self.is_recording:
            return
        line = {
            "at": wall_time_text(),
            "since_start_ms": round(event.at_ns / 1e6, 3),
            "kind": event.kind.value,
            "subject": event.subject,
            "message": event.message,
            "details": dict(event.details),
        }
        data = json.dumps(line, ensure_ascii=False).encode() + b"\n"
        try:
            if self._size + len(data) > self._bytes_max:
                self._move_aside()
            self._file.write(data)
            self._file.flush()
            os.fsync(self._file.fileno())
            self._size += len(data)
        except OSError as failed:
            self.is_recording = False
            self._on_lost(
                f"the record {self.path} cannot be written any more ({failed.strerror or failed}): the exchange goes "
                "on WITHOUT a record; free the disk or choose another place with --record, and start again"
            )

    def _move_aside(self) -> None:
        self._file.close()
        self.path.replace(self.path.with_name(self.path.name + ".1"))
        self._file = self.path.open("ab")
        self._size = 0

    def close(self) -> None:
        """Close the file."""
        try:
            self._file.close()
        except OSError:
            self.is_recording = False
