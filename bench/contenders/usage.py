"""CPU time and memory of this process, and its report."""

from __future__ import annotations

import json
import resource
import time
from dataclasses import dataclass
from typing import Self


@dataclass(frozen=True)
class Moment:
    """CPU time used so far, in user and kernel mode together, and the wall clock."""

    cpu_ns: int
    wall_ns: int

    @classmethod
    def now(cls) -> Self:
        used = resource.getrusage(resource.RUSAGE_SELF)
        return cls(int((used.ru_utime + used.ru_stime) * 1e9), time.perf_counter_ns())


def report(begin: Moment, end: Moment, carries: int, **more: object) -> None:
    """Print the figures between two moments as one JSON document."""
    figures = {"carries": carries, "cpu_ns": end.cpu_ns - begin.cpu_ns, "wall_ns": end.wall_ns - begin.wall_ns}
    memory_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(json.dumps(figures | {"memory_mb": memory_mb} | more))


def allow_many_connections() -> None:
    """As many open files as the system lets this process have."""
    _, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (hard, hard))
