"""CPU per carry: ten words read from one server and written to another, by three programs in turn.

Only the CPU time of the carrying process counts (user and kernel mode); the servers are the same process for all and
have a core of their own. The C program and the pymodbus client carry as fast as they can; Wherry keeps its period, so
that its share includes waking up for every release.
"""

from __future__ import annotations

import statistics
from collections.abc import Iterable
from dataclasses import dataclass, field

from bench.measure import PEERS, LoadServer, Row, Settings, contender, median_ratio, run_child

AIM_C = 1.0
AIM_PYMODBUS = 0.5
# (lines on each side, Wherry's period in ms, carries of the others in a second of measuring)
SIZES = ((1, 1.0, 8000), (200, 50.0, 8000))
PYMODBUS_SHARE = 4  # it is slower: fewer carries in the same time
KINDS = ("raw", "typed", "scaled")


@dataclass
class Samples:
    """CPU per carry in microseconds, one for each round, by contender."""

    us: dict[str, list[float]] = field(default_factory=dict)
    skipped: int = 0

    def add(self, name: str, figures: dict[str, int]) -> None:
        self.us.setdefault(name, []).append(figures["cpu_ns"] / figures["carries"] / 1000)
        self.skipped += figures.get("skipped", 0) + figures.get("failed", 0)


def rows(settings: Settings) -> Iterable[Row]:
    """The rows for one line and for many."""
    for pairs, period_ms, rate in SIZES:
        samples = Samples()
        with LoadServer() as source, LoadServer() as destination:
            ports = (source.port, destination.port)
            carries = max(pairs, int(rate * settings.carry_s))
            fewer = max(pairs, carries // PYMODBUS_SHARE)
            for _ in range(settings.rounds):
                samples.add("c", run_child([str(PEERS / "c_carry"), *map(str, (*ports, pairs, carries))]))
                samples.add("pymodbus", run_child(contender("pymodbus_carry", *ports, pairs, fewer)))
                samples.add("pymodbus, uvloop", run_child(contender("pymodbus_carry", *ports, pairs, fewer, "uvloop")))
                for kind in KINDS:
                    wherry = contender("wherry_carry", *ports, pairs, period_ms, settings.carry_s, kind)
                    samples.add(kind, run_child(wherry))
        yield from compare(samples, pairs)


def compare(samples: Samples, pairs: int) -> Iterable[Row]:
    """Each kind of carry against each other program."""
    lines = "1 line" if pairs == 1 else f"{pairs} lines"
    note = f"{samples.skipped} skipped or failed" if samples.skipped else ""
    for kind in KINDS:
        ours = samples.us[kind]
        for name, aim in (("c", AIM_C), ("pymodbus", AIM_PYMODBUS), ("pymodbus, uvloop", None)):
            theirs = samples.us[name]
            yield Row(
                f"CPU per carry, {lines}, 10 words {kind}",
                f"{statistics.median(ours):.1f} us",
                f"{'libmodbus (C)' if name == 'c' else name} {statistics.median(theirs):.1f} us",
                median_ratio(ours, theirs),
                aim,
                note,
            )
