"""A program that writes a record until it is killed, and prints what it has been told is on the disk.

It opens and closes the record again and again, and keeps it so small that old entries are always being taken out: a
kill must find it in every state there is. Each line of its output is one write to a file, so that a kill leaves it
whole:

    shown N         event N was shown, so it must be on the disk
    asked N AT_NS   sample N was handed over at this instant (the system's monotonic clock)
"""

from __future__ import annotations

import asyncio
import os
import sys
import time
from functools import partial
from pathlib import Path
from random import Random

from wherry.engine.events import Event, EventKind
from wherry.record.entries import Entry, Kind
from wherry.record.file import BYTES_MAX_LEAST, RecordFile
from wherry.record.writer import Recorder

FLUSH_NS = 100_000_000
SESSIONS_MAX = 10_000


def say(text: str) -> None:
    os.write(1, (text + "\n").encode())


def shown(event: Event) -> None:
    say(f"shown {event.details['number']}")


async def write(path: Path, run: int, rng: Random) -> None:
    number = 0
    opened = {"by": "test", "version": "0", "is_simulated": True, "plan": 0, "run": run}
    for _ in range(SESSIONS_MAX):
        file = RecordFile(path, bytes_max=BYTES_MAX_LEAST)
        file.append([Entry(Kind.OPENED, 0, None, opened)])
        recorder = Recorder(file, partial(print, file=sys.stderr), flush_ns=FLUSH_NS)
        heard = recorder.listener([shown])
        for _ in range(rng.choice((1, 3, 30, 100))):
            for _ in range(rng.choice((1, 1, 5, 40))):
                number += 1
                if rng.random() < 0.5:
                    details: dict[str, str | int | float | None] = {
                        "number": number,
                        "run": run,
                        "more": "x" * rng.choice((1, 100, 6000)),
                    }
                    heard(Event(number, EventKind.LINE_UP, "skid", "up", details))
                else:
                    recorder.add(Kind.SAMPLES, number, {"number": number, "run": run, "values": [[0, number, 2]]})
                    say(f"asked {number} {time.monotonic_ns()}")
            await recorder.settled()
        recorder.close(number, {"run": run})


if __name__ == "__main__":
    asyncio.run(write(Path(sys.argv[1]), int(sys.argv[2]), Random(f"writing {sys.argv[2]}")))
