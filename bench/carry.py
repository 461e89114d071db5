"""CPU per carry: ten words read from one server and written to another, by several programs in turn.

Only the CPU time of the carrying process counts (user and kernel mode); the servers are the same for all and run in
processes of their own. The other programs carry as fast as they can, and also at Wherry's period: a program that waits
pays for each time it wakes up, and Wherry always keeps a period.
"""

from __future__ import annotations

import statistics
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

from bench.measure import PEERS, LoadServer, Row, Settings, contender, median_ratio, run_child

AIM_C = 1.0
AIM_PYMODBUS = 0.5
SIZES = ((1, 2000), (200, 50_000))
"""Lines on each side, and the period in microseconds."""
FAST_CARRIES_PER_S = {"c": 10_000, "pymodbus": 4_000}
"""How many carries make a second of measuring, roughly, for a program that does not wait."""

C, C_PACED = "libmodbus (C)", "libmodbus (C), same period"
PYMODBUS, PYMODBUS_PACED = "pymodbus", "pymodbus, same period"
PYMODBUS_UVLOOP = "pymodbus on uvloop"
AIMS = {C: AIM_C, C_PACED: AIM_C, PYMODBUS: AIM_PYMODBUS, PYMODBUS_PACED: AIM_PYMODBUS, PYMODBUS_UVLOOP: None}


@dataclass
class Samples:
    """CPU per carry in microseconds, one for each round, by contender."""

    us: dict[str, list[float]] = field(default_factory=dict)
    lost: dict[str, int] = field(default_factory=dict)

    def add(self, name: str, figures: dict[str, Any]) -> None:
        self.us.setdefault(name, []).append(figures["cpu_ns"] / figures["carries"] / 1000)
        self.lost[name] = self.lost.get(name, 0) + figures.get("skipped", 0) + figures.get("failed", 0)


def rows(settings: Settings) -> Iterable[Row]:
    """The rows for one line and for many."""
    for pairs, period_us in SIZES:
        samples = Samples()
        addresses = ("--addresses", str(pairs))
        with LoadServer(*addresses) as source, LoadServer(*addresses) as destination:
            for _ in range(settings.rounds):
                measure_round(samples, settings, (source.port, destination.port), pairs, period_us)
        yield from compare(samples, pairs)


def measure_round(samples: Samples, settings: Settings, ports: tuple[int, int], pairs: int, period_us: int) -> None:
    """Each program once."""
    seconds = settings.carry_s
    paced = max(1, round(seconds * 1e6 / period_us)) * pairs
    fast = {name: max(1, int(rate * seconds / pairs)) * pairs for name, rate in FAST_CARRIES_PER_S.items()}
    in_c = [str(PEERS / "c_carry"), *map(str, (*ports, pairs))]
    samples.add(C, run_child([*in_c, str(fast["c"]), "0"]))
    samples.add(C_PACED, run_child([*in_c, str(paced), str(period_us)]))
    samples.add(PYMODBUS, run_child(contender("pymodbus_carry", *ports, pairs, fast["pymodbus"], 0)))
    samples.add(PYMODBUS_PACED, run_child(contender("pymodbus_carry", *ports, pairs, paced, period_us)))
    samples.add(PYMODBUS_UVLOOP, run_child(contender("pymodbus_carry", *ports, pairs, fast["pymodbus"], 0, "uvloop")))
    for kind in ("typed", "raw", "scaled"):
        samples.add(kind, run_child(contender("wherry_carry", *ports, pairs, period_us / 1000, seconds, kind)))


def compare(samples: Samples, pairs: int) -> Iterable[Row]:
    """Typed values against every other program, the other kinds against the C program."""
    lines = "1 line" if pairs == 1 else f"{pairs} lines"
    wanted = [("typed", name) for name in AIMS] + [("raw", C), ("scaled", C)]
    for kind, name in wanted:
        ours, theirs = samples.us[kind], samples.us[name]
        yield Row(
            f"CPU per carry, {lines}, {kind}",
            f"{statistics.median(ours):.1f} us",
            f"{name} {statistics.median(theirs):.1f} us",
            median_ratio(ours, theirs),
            AIMS[name],
            f"{samples.lost[kind]} skipped or failed" if samples.lost[kind] else "",
        )
