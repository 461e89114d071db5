"""The one place where real time enters, apart from the event loop's own.

The engine takes its instants from the event loop (``loop.time()``), so that it runs the same on a virtual clock. Wall
time is only for records and papers.
"""

from __future__ import annotations

import asyncio
import time
from datetime import UTC, datetime

NS_PER_S = 1_000_000_000
NS_PER_MS = 1_000_000


def loop_now_ns(loop: asyncio.AbstractEventLoop) -> int:
    """The event loop's time as whole nanoseconds."""
    return int(loop.time() * 1e9)


def wall_time_text() -> str:
    """Now in UTC, RFC 3339 with milliseconds."""
    return datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def cpu_ns() -> int:
    """CPU time of this process."""
    return time.process_time_ns()
