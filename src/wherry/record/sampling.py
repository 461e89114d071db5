"""What is looked at now and then rather than told: values, counts, and histograms of age, lateness and response.

It only looks at what the engine keeps anyway, on the loop's own time, so that a plan carries as fast with a record as
without one.
"""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Callable, Mapping
from typing import Any, Final

from wherry.clock import NS_PER_S
from wherry.engine.carry import Carry
from wherry.engine.histogram import Histogram
from wherry.engine.line import Line
from wherry.engine.runner import Engine
from wherry.record.entries import Kind, writable
from wherry.record.writer import Sink

SAMPLE_NS: Final = 10 * NS_PER_S
"""Values are looked at this often unless said (a choice of ours)."""
MINUTE_NS: Final = 60 * NS_PER_S

CARRY_COUNTS: Final = (
    "scheduled", "delivered", "skipped_overrun", "skipped_unarmed", "skipped_waiting", "failed", "torn_readings",
)  # fmt: skip
LINE_COUNTS: Final = ("requests", "replies", "exceptions", "timeouts", "late_replies", "foreign_replies", "faulty")


class _Since:
    """What has been counted since the last time."""

    def __init__(self) -> None:
        self._counts: dict[str, int] = {}
        self._buckets: dict[str, dict[int, int]] = {}

    def count(self, name: str, now: int) -> int:
        more = now - self._counts.get(name, 0)
        self._counts[name] = now
        return more

    def histogram(self, name: str, histogram: Histogram) -> list[list[int]]:
        """Bucket and count, for those in which something has come."""
        now = histogram.counts()
        before = self._buckets.get(name, {})
        self._buckets[name] = now
        return [
            [bucket, count - before.get(bucket, 0)]
            for bucket, count in sorted(now.items())
            if count != before.get(bucket, 0)
        ]


class Sampler:
    """Looks at one engine for one record. ``now_ns`` is the loop's clock; in virtual time one whose look takes none.

    ``every_ns``: how often values are looked at; None: never.
    """

    def __init__(
        self, engine: Engine, sink: Sink, now_ns: Callable[[], int], *, every_ns: int | None = SAMPLE_NS
    ) -> None:
        self._engine = engine
        self._sink = sink
        self._now_ns = now_ns
        self._every_ns = every_ns
        self._loop = asyncio.get_running_loop()
        self._start_ns = engine.started_ns
        self._minute_began_ns = engine.started_ns
        self._carried = {each.transfer.name: _Since() for each in engine.carries}
        self._asked = {name: _Since() for name in engine.lines}
        self._told: dict[str, list[tuple[Any, int] | None]] = {
            each.transfer.name: [None] * len(each.transfer.values) for each in engine.carries
        }
        self._left: deque[Carry] = deque()
        self._timers: dict[str, Any] = {}

    def start(self) -> None:
        """From now on, until ``finish``."""
        if self._every_ns is not None:
            self._again("samples", self._start_ns, self._every_ns, self._sample_bit_by_bit)
        self._again("minute", self._start_ns, MINUTE_NS, self.minute)

    def _again(self, name: str, last_ns: int, step_ns: int, call: Callable[[], None]) -> None:
        def due() -> None:
            call()
            self._again(name, max(next_ns, self._now_ns() - step_ns), step_ns, call)

        next_ns = last_ns + step_ns
        self._timers[name] = self._loop.call_at(next_ns / NS_PER_S, due)

    def finish(self) -> None:
        """Look a last time."""
        for timer in self._timers.values():
            timer.cancel()
        if self._every_ns is not None:
            self.sample()
        self.minute()

    def sample(self) -> None:
        """Write down the values that are not as they were."""
        self._left.clear()
        for carry in self._engine.carries:
            self._sample(carry)

    def _sample_bit_by_bit(self) -> None:
        """The same, one transfer in each turn of the loop, so that the exchange gets its turn in between."""
        self._left = deque(self._engine.carries)
        self._sample_next()

    def _sample_next(self) -> None:
        if self._left:
            self._sample(self._left.popleft())
            self._loop.call_soon(self._sample_next)

    def _sample(self, carry: Carry) -> None:
        if carry.results_at_ns is None:
            return
        told = self._told[carry.transfer.name]
        changed = []
        for index, result in enumerate(carry.results):
            now = (result.value, result.quality)
            if told[index] != now:
                told[index] = now
                changed.append([index, writable(result.value), int(result.quality)])
        if changed:
            data = {
                "transfer": carry.transfer.name,
                "read_ns": carry.results_at_ns - self._start_ns,
                "values": changed,
            }
            self._sink.add(Kind.SAMPLES, self._now_ns() - self._start_ns, data)

    def minute(self) -> None:
        """Write down what was counted since the last time."""
        now_ns = self._now_ns()
        data = {
            "from_ns": self._minute_began_ns - self._start_ns,
            "to_ns": now_ns - self._start_ns,
            "transfers": {each.transfer.name: self._carry(each) for each in self._engine.carries},
            "controllers": {name: self._line(name, line) for name, line in self._engine.lines.items()},
        }
        self._minute_began_ns = now_ns
        self._sink.add(Kind.MINUTE, now_ns - self._start_ns, data)

    def _carry(self, carry: Carry) -> Mapping[str, Any]:
        since = self._carried[carry.transfer.name]
        counts: dict[str, Any] = {name: since.count(name, getattr(carry, name)) for name in CARRY_COUNTS}
        return counts | {
            "age": since.histogram("age", carry.age),
            "lateness": since.histogram("lateness", carry.lateness),
        }

    def _line(self, name: str, line: Line) -> Mapping[str, Any]:
        since = self._asked[name]
        counts: dict[str, Any] = {each: since.count(each, getattr(line.counters, each)) for each in LINE_COUNTS}
        return counts | {"response": since.histogram("response", line.response)}
