"""What has changed between two profiles of what should be the same device: firmware, a moved map, other limits."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from wherry.plan.durations import parse_duration
from wherry.plan.model import Span, Table
from wherry.plan.profile import Fact, How, Profile, TableFacts
from wherry.survey.items import runs_of

IDENTITY: Final = ("vendor", "product", "revision", "model", "server_id")
SLOWER: Final = 1.5
"""Response times that differ by less than this factor are called the same, and so are those whose intervals meet."""
GAP: Final = 1.25
TOLD_MAX: Final = 6


@dataclass(frozen=True, slots=True)
class Change:
    """One thing that is otherwise now. ``is_grave``: what was proved with the old profile must be proved again."""

    what: str
    before: str
    now: str
    is_grave: bool = True


def compare(before: Profile, now: Profile) -> list[Change]:
    """Everything that differs, the gravest first. Only what both looked at is compared."""
    changes = [*_facts(before, now), *_maps(before, now)]
    return sorted(changes, key=lambda each: not each.is_grave)


def _facts(before: Profile, now: Profile) -> Iterator[Change]:
    for key in IDENTITY:
        yield from _differ(key.replace("_", " "), before.device, now.device, key)
    yield from _differ("unit", before.device, now.device, "unit")
    yield from _bounds("registers in one read", before.limits.get("read"), now.limits.get("read"))
    yield from _bounds("bits in one read", before.limits.get("read_bits"), now.limits.get("read_bits"))
    yield from _bounds("requests in flight", before.limits.get("in_flight"), now.limits.get("in_flight"))
    yield from _bounds("connections", before.device.get("connections"), now.device.get("connections"))
    for key, words in (("gap", "gap between requests"), ("idle", "idle connections are closed after")):
        old, new = before.limits.get(key), now.limits.get(key)
        if old is None or new is None:
            continue
        one, two = parse_duration(old.value), parse_duration(new.value)
        if max(one, two) > GAP * min(one, two) and max(one, two) > 2_000_000:
            yield Change(words, str(old.value), str(new.value), is_grave=two > one if key == "gap" else two < one)
    for key, words in (("fixed", "response time"), ("per_register", "response time for each register")):
        yield from _slower(words, before.response.get(key), now.response.get(key))


def _bounds(words: str, old: Fact | None, new: Fact | None) -> Iterator[Change]:
    """A bound is only known to be another one where the smaller of the two was tried on both sides; else it was never
    seen to be reached."""
    if old is None or new is None or old.value == new.value:
        return
    is_less = new.value < old.value
    if (new if is_less else old).how is not How.OBSERVED:
        yield Change(words, str(old.value), str(new.value), is_less)


def _differ(words: str, before: Mapping[str, Fact], now: Mapping[str, Fact], key: str) -> Iterator[Change]:
    old, new = before.get(key), now.get(key)
    if old is not None and new is not None and old.value != new.value:
        yield Change(words, str(old.value), str(new.value))
    elif old is not None and new is None and key in IDENTITY:
        yield Change(words, str(old.value), "not told any more")


def _slower(words: str, before: Fact | None, now: Fact | None) -> Iterator[Change]:
    if before is None or now is None:
        return
    one, two = parse_duration(before.value), parse_duration(now.value)
    old_high = parse_duration(before.high) if before.high else one
    new_low = parse_duration(now.low) if now.low else two
    old_low = parse_duration(before.low) if before.low else one
    new_high = parse_duration(now.high) if now.high else two
    is_apart = new_low > old_high or new_high < old_low
    if is_apart and max(one, two) > SLOWER * max(1, min(one, two)):
        yield Change(words, str(before.value), str(now.value), is_grave=False)


def _maps(before: Profile, now: Profile) -> Iterator[Change]:
    for table in Table:
        old, new = before.tables.get(table), now.tables.get(table)
        if old is None or new is None:
            continue
        if bool(old.refusal) != bool(new.refusal):
            yield Change(f"{table} table", _served(old), _served(new))
            continue
        if old.holes is not None and new.holes is not None and old.holes.value != new.holes.value:
            yield Change(f"holes in the {table} table", str(old.holes.value), str(new.holes.value))
        both = _addresses(old.looked) & _addresses(new.looked)
        was, is_ = _present(old) & both, _present(new) & both
        if gone := was - is_:
            yield Change(f"{table}: can be read no more", _spans_text(table, gone), "")
        if come := is_ - was:
            yield Change(f"{table}: can be read now", "", _spans_text(table, come), is_grave=False)
        shift = moved_by(was, is_)
        if shift:
            yield Change(f"{table}: the map seems to have moved", "", f"by {shift:+d}")
        counted, counts = _addresses(old.counts) & both, _addresses(new.counts) & both
        still = counted - counts - _addresses(new.moves)
        if still:
            yield Change(f"{table}: counted before, and does not now", _spans_text(table, still), "", is_grave=False)


def moved_by(before: set[int], now: set[int]) -> int:
    """By how much a map has moved as a whole: the shift after which its edges fall together again, if most do, and they
    did not before; 0 where there is none."""
    if before == now or not before or not now:
        return 0
    old, new = _edges(before), _edges(now)
    shifts = [two - one for one in old for two in new if two != one]
    if not shifts:
        return 0
    best = max(sorted(set(shifts), key=abs), key=shifts.count)
    hits = sum(1 for each in old if each + best in new)
    return best if hits * 2 > len(old) and hits > len(old & new) else 0


def _edges(addresses: set[int]) -> set[int]:
    return {edge for run in runs_of(sorted(addresses)) for edge in run}


def _present(facts: TableFacts) -> set[int]:
    return _addresses(facts.readable)


def _served(facts: TableFacts) -> str:
    return f"not served ({facts.refusal})" if facts.refusal else "served"


def _addresses(spans: Sequence[Span]) -> set[int]:
    return {at for span in spans for at in range(span.start, span.stop)}


def _spans_text(table: Table, addresses: set[int]) -> str:
    runs = runs_of(sorted(addresses))
    texts = [str(Span(table, start, stop - start)).removeprefix(f"{table} ") for start, stop in runs]
    more = len(texts) - TOLD_MAX
    return ", ".join(texts[:TOLD_MAX]) + (f" and {more} more" if more > 0 else "")
