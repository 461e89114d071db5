"""Bounded histograms of durations: constant memory however long a run lasts, quantiles to within 1/32 of the value.

Buckets are linear within each power of two (32 to the octave), on whole microseconds. A quantile is reported as the
upper end of its bucket, so that it is never understated; the largest value is kept exactly.
"""

from __future__ import annotations

from collections.abc import Mapping

_SUB_BITS = 5
_LINEAR_BELOW_US = 1 << (_SUB_BITS + 1)


class Histogram:
    """Counts durations in nanoseconds."""

    __slots__ = ("_counts", "count", "max_ns", "sum_ns")

    def __init__(self) -> None:
        self._counts: dict[int, int] = {}
        self.count = 0
        self.max_ns = 0
        self.sum_ns = 0

    def record(self, duration_ns: int) -> None:
        """Count one duration; a negative one counts as zero."""
        if duration_ns > self.max_ns:
            self.max_ns = duration_ns
        elif duration_ns < 0:
            duration_ns = 0
        self.count += 1
        self.sum_ns += duration_ns
        us = duration_ns // 1000
        if us < _LINEAR_BELOW_US:
            bucket = us
        else:
            shift = us.bit_length() - _SUB_BITS - 1
            bucket = (shift << _SUB_BITS) + (us >> shift)
        counts = self._counts
        counts[bucket] = counts.get(bucket, 0) + 1

    def quantile_ns(self, share: float) -> int | None:
        """A duration that a ``share`` (0 to 1) of the counted ones do not exceed; None when nothing was counted."""
        if not self.count:
            return None
        needed = max(1, -int(-self.count * share // 1))
        seen = 0
        for bucket in sorted(self._counts):
            seen += self._counts[bucket]
            if seen >= needed:
                return min(upper_ns(bucket), self.max_ns)
        return self.max_ns

    def counts(self) -> dict[int, int]:
        """How many durations fell into each bucket, by the bucket's number, as they stand now."""
        return dict(self._counts)

    def add(self, other: Histogram) -> None:
        """Count everything that ``other`` counted."""
        self.count += other.count
        self.sum_ns += other.sum_ns
        self.max_ns = max(self.max_ns, other.max_ns)
        for bucket, count in other._counts.items():
            self._counts[bucket] = self._counts.get(bucket, 0) + count

    def summary_ms(self) -> Mapping[str, float | None]:
        """``p50``, ``p99`` and ``max`` in milliseconds, None where nothing was counted."""
        return {
            "p50": _ms(self.quantile_ns(0.50)),
            "p99": _ms(self.quantile_ns(0.99)),
            "max": _ms(self.max_ns if self.count else None),
        }


def upper_ns(bucket: int) -> int:
    """The largest duration, in nanoseconds, that falls into a bucket."""
    if bucket < _LINEAR_BELOW_US:
        return bucket * 1000 + 999
    shift = (bucket >> _SUB_BITS) - 1
    top = (bucket & ((1 << _SUB_BITS) - 1)) + (1 << _SUB_BITS)
    return ((top + 1) << shift) * 1000 - 1


def _ms(duration_ns: int | None) -> float | None:
    return None if duration_ns is None else round(duration_ns / 1e6, 3)
