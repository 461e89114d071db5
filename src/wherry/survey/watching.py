"""Which registers move, count or stand still: the whole map is read several times over a while."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from enum import StrEnum
from itertools import pairwise
from typing import Final

from wherry.limits import REGISTER_BITS
from wherry.survey.asking import Procedure, Rest
from wherry.survey.items import Holes, Items, State

ROUNDS: Final = 8
_MODULUS: Final = 1 << REGISTER_BITS


class Motion(StrEnum):
    """What a register was seen to do."""

    STILL = "still"
    MOVES = "moves"
    COUNTS_UP = "counts up"
    COUNTS_DOWN = "counts down"


def blocks_of(items: Items, holes: Holes | None, limit: int) -> list[tuple[int, int]]:
    """Reads that cover all that is readable, as far as the device takes them and never over a hole that is not safe."""
    if holes is Holes.START_ONLY:
        return _from_starts(items, limit)
    states = (State.READABLE,) if holes in (Holes.ANY, Holes.UNSPLITTABLE, Holes.SHIFT) else (
        State.READABLE,
        State.ZERO,
    )  # fmt: skip
    blocks: list[tuple[int, int]] = []
    for span in items.spans(*states):
        at = span.start
        while at < span.stop:
            count = min(limit, span.stop - at)
            if holes is Holes.UNSPLITTABLE:
                count = _uncut(items, at, count)
            blocks.append((at, count))
            at += count
    return blocks


def _uncut(items: Items, start: int, most: int) -> int:
    """The most items from ``start`` on, up to ``most``, that split no value; at least one value."""
    count = items.wholes.get(start, 1)
    while True:
        more = count + items.wholes.get(start + count, 1)
        if more > most:
            return count
        count = more


def _from_starts(items: Items, limit: int) -> list[tuple[int, int]]:
    blocks: list[tuple[int, int]] = []
    covered = items.low
    wanted = [at for at in range(items.low, items.high) if items.state.get(at) in (State.READABLE, State.COVERED)]
    for at in wanted:
        if at < covered:
            continue
        start = max((each for each in items.starts if each <= at), default=None)
        if start is None or start + limit <= at:
            continue
        stop = min(start + limit, items.high)
        blocks.append((start, stop - start))
        covered = stop
    return blocks


def watch(items: Items, blocks: Sequence[tuple[int, int]], duration_ns: int) -> Procedure[None]:
    """Read the blocks again and again, spread over the duration. The readings are among the samples of ``items``."""
    for number in range(ROUNDS):
        for start, count in blocks:
            yield from items.read(start, count, anew=True)
        if number < ROUNDS - 1 and duration_ns > 0:
            yield Rest(duration_ns // (ROUNDS - 1))


def motions(items: Items, blocks: Iterable[tuple[int, int]]) -> dict[int, Motion]:
    """What each address was seen to do in all readings of these blocks."""
    wanted = set(blocks)
    series: dict[int, list[int]] = {}
    for _, start, words in items.samples:
        if (start, len(words)) in wanted:
            for at, word in enumerate(words):
                series.setdefault(start + at, []).append(word)
    return {address: motion_of(words) for address, words in sorted(series.items())}


def motion_of(words: Sequence[int]) -> Motion:
    """What a register does that held these words one after the other. It counts when it went one way only, by less than
    half of its range each time, and more than once."""
    steps = [(after - before) % _MODULUS for before, after in pairwise(words)]
    moved = [each for each in steps if each]
    if not moved:
        return Motion.STILL
    if len(moved) >= 2 and max(words) > 1:
        if all(each < _MODULUS // 2 for each in moved):
            return Motion.COUNTS_UP
        if all(each > _MODULUS // 2 for each in moved):
            return Motion.COUNTS_DOWN
    return Motion.MOVES
