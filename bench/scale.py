"""500 transfers at 5 Hz over 1,000 controllers: is anything skipped, and how late, how much CPU, how much memory?"""

from __future__ import annotations

from collections.abc import Iterable

from bench.measure import LoadServer, Row, Settings, contender, run_child

TRANSFERS = 500
PERIOD_MS = 200.0
LATENESS_AIM_MS = 10.0
MEMORY_AIM_MB = 200.0


def rows(settings: Settings) -> Iterable[Row]:
    """One run; each figure against its bound."""
    addresses = ("--addresses", str(TRANSFERS))
    with LoadServer(*addresses) as source, LoadServer(*addresses) as destination:
        wherry = contender(
            "wherry_carry", source.port, destination.port, TRANSFERS, PERIOD_MS, settings.scale_s, "typed"
        )
        figures = run_child(wherry)
    what = f"{TRANSFERS} at 5 Hz for {settings.scale_s:g} s"
    due = int(TRANSFERS * 1000 / PERIOD_MS * settings.scale_s)
    lost = figures["skipped"] + figures["failed"]
    yield Row(f"{what}: skipped or failed", f"{lost} of {figures['carries'] + lost:,}", f"{due:,} due", lost, 0)
    late = figures["lateness"]
    yield Row(
        f"{what}: lateness p99.9",
        f"{late['p999_ms']:.2f} ms",
        f"{LATENESS_AIM_MS:g} ms",
        late["p999_ms"] / LATENESS_AIM_MS,
        1.0,
        f"p50 {late['p50_ms']:.2f} ms, max {late['max_ms']:.2f} ms",
    )
    cpu = figures["cpu_ns"] / figures["wall_ns"]
    yield Row(
        f"{what}: CPU", f"{100 * cpu:.1f} % of a core", "one core", cpu, None,
        f"{figures['cpu_ns'] / figures['carries'] / 1000:.1f} us per carry",
    )  # fmt: skip
    yield Row(
        f"{what}: memory",
        f"{figures['memory_mb']:.0f} MB",
        f"{MEMORY_AIM_MB:g} MB",
        figures["memory_mb"] / MEMORY_AIM_MB,
        1.0,
        "largest resident size",
    )
