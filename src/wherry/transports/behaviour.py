"""How a connection in memory treats the bytes of one direction: pure decisions from chance that is passed in."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from random import Random
from typing import NamedTuple

DelayNs = int | Callable[[Random], int]
"""A fixed time in nanoseconds, or a function that draws one."""


def uniform_ns(low_ns: int, high_ns: int) -> Callable[[Random], int]:
    """A time drawn evenly between the two, both included."""
    assert 0 <= low_ns <= high_ns, (low_ns, high_ns)
    width_ns = high_ns - low_ns + 1
    # Several times as quick as `randint`, and as even: 53 bits of chance for a few million nanoseconds.
    return lambda rng: low_ns + int(rng.random() * width_ns)


def exponential_ns(least_ns: int, mean_ns: int) -> Callable[[Random], int]:
    """``least_ns`` plus a time drawn from an exponential distribution, so that the mean is ``mean_ns``."""
    assert 0 <= least_ns < mean_ns, (least_ns, mean_ns)
    return lambda rng: least_ns + round(rng.expovariate(1 / (mean_ns - least_ns)))


def mostly_ns(usual: DelayNs, rare: DelayNs, rare_share: float) -> Callable[[Random], int]:
    """``usual``, but with probability ``rare_share`` ``rare``: a link that is quick except now and then."""
    assert 0 <= rare_share <= 1, rare_share
    return lambda rng: draw_ns(rare if rng.random() < rare_share else usual, rng)


def draw_ns(delay: DelayNs, rng: Random) -> int:
    """One time from the distribution."""
    return delay if isinstance(delay, int) else delay(rng)


class Piece(NamedTuple):
    """Bytes that arrive together, ``delay_ns`` after they were written."""

    delay_ns: int
    data: bytes


@dataclass(slots=True)
class LinkBehaviour:
    """What happens to the bytes of one direction. Shares are probabilities for each write; times are nanoseconds.

    It may be changed while connections use it. Order is kept unless ``keeps_order`` is False. A dropped, doubled or
    corrupted write is something TCP itself never does: it stands for a device or gateway that handles messages badly.
    """

    latency_ns: DelayNs = 0
    split_share: float = 0.0
    """A write arrives in several pieces, cut at random places."""
    split_gap_ns: DelayNs = 0
    """Time between the pieces."""
    split_bytes: int = 0
    """Cut every write into pieces of this many bytes; 0: only by ``split_share``."""
    joins: bool = False
    """Everything that is due together arrives in one piece, as a slow reader of a real stream gets it."""
    drop_share: float = 0.0
    corrupt_share: float = 0.0
    """One bit of a write is flipped."""
    duplicate_share: float = 0.0
    """A write arrives twice."""
    reset_share: float = 0.0
    """The connection is reset instead of the write arriving."""
    keeps_order: bool = True
    half_open: bool = False
    """Everything vanishes without an error, the end of the connection too: the peer is gone and nobody says so."""

    @property
    def is_plain(self) -> bool:
        """Whether a write simply arrives, all in one piece, after the latency."""
        return not (
            self.split_share
            or self.split_bytes
            or self.drop_share
            or self.corrupt_share
            or self.duplicate_share
            or self.reset_share
        )

    def pieces(self, data: bytes, rng: Random) -> list[Piece] | None:
        """How one write arrives; empty when it is lost, None when it resets the connection."""
        if self.is_plain:
            return [Piece(draw_ns(self.latency_ns, rng), data)]
        if rng.random() < self.reset_share:
            return None
        if rng.random() < self.drop_share:
            return []
        if rng.random() < self.corrupt_share:
            data = flip_bit(data, rng.randrange(8 * len(data)))
        copies = 2 if rng.random() < self.duplicate_share else 1
        result: list[Piece] = []
        for _ in range(copies):
            delay_ns = draw_ns(self.latency_ns, rng)
            for part in self._cut(data, rng):
                result.append(Piece(delay_ns, part))
                delay_ns += draw_ns(self.split_gap_ns, rng)
        return result

    def _cut(self, data: bytes, rng: Random) -> list[bytes]:
        if self.split_bytes:
            return [data[at : at + self.split_bytes] for at in range(0, len(data), self.split_bytes)]
        if len(data) > 1 and rng.random() < self.split_share:
            cuts = sorted(rng.sample(range(1, len(data)), rng.randint(1, min(4, len(data) - 1))))
            return [data[start:stop] for start, stop in zip([0, *cuts], [*cuts, len(data)], strict=True)]
        return [data]


def flip_bit(data: bytes, position: int) -> bytes:
    """``data`` with one bit turned over."""
    changed = bytearray(data)
    changed[position // 8] ^= 1 << position % 8
    return bytes(changed)
