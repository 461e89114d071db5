"""The course of a survey: one procedure made of all others. It decides what comes next and sends nothing itself."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Final

from wherry.protocol.functions import ExceptionCode
from wherry.protocol.prepared import Prepared
from wherry.survey import manners
from wherry.survey.asking import Kind, Pace, Phase, Procedure
from wherry.survey.found import CONNECTIONS_MAX, Found, Looked, Settings
from wherry.survey.holes import classify
from wherry.survey.items import BudgetSpentError, Holes, Items, State, SurpriseError, is_not_served, read_of
from wherry.survey.mapping import map_all, map_any, map_shift, map_starts, map_wholes, map_zero_fill, spot_check
from wherry.survey.pace import FIRST_GAP_NS, find_gap, fit_line, settle
from wherry.survey.quantity import Limit, find_foothold, first_limit, last_limit, longest_read, proved_here
from wherry.survey.sense import unexplained
from wherry.survey.watching import ROUNDS, blocks_of, motions, watch

UNLIKELY_UNIT: Final = 173
"""A unit id that hardly any device has: when it answers too, unit ids do not matter."""
RESERVE: Final = 260
"""Requests that are kept for what comes after the map: watching, response times, gap, connections."""
RESERVE_PART: Final = 4
"""Of a small budget no more than this part (a quarter) is kept for that."""
RAN_OUT: Final = "the requests ran out before every address was looked at: give a larger --budget, or a smaller --range"
SURPRISES_MAX: Final = 3
COUNTS: Final = 5
REPEATS: Final = 8
PREDICTIONS_MAX: Final = 8

Watched = Callable[[Prepared], None]
"""Told of a small read that is known to be answered, for whoever watches over the device."""


def survey(settings: Settings, found: Found, on_canary: Watched) -> Procedure[None]:
    """Everything. ``found`` is filled in on the way."""
    yield from _units(settings, found)
    if found.unit is None:
        found.ended = "no unit answered"
        return
    unit = found.unit
    yield Phase("asking who it is", 10)
    yield from manners.identify(unit, found.about)
    canary: Prepared | None = None
    yield from _open(settings, found, unit)
    served = [each for each in found.looked if not each.refusal]
    for index, looked in enumerate(served):
        items = looked.items
        left = settings.budget - found.requests - min(RESERVE, settings.budget // RESERVE_PART)
        items.budget = max(20, left // (len(served) - index))
        yield Phase(f"looking at {items.table} {items.low} to {items.high - 1}", 0)
        foothold = yield from _foothold(found, looked)
        if foothold is None:
            continue
        if canary is None:
            canary = foothold
            on_canary(canary)
            yield from _gap(found, canary)
        try:
            yield from find_map(looked)
        except BudgetSpentError:
            found.ended = found.ended or RAN_OUT
            looked.limit = looked.limit or _limit_so_far(items)
        looked.blocks = blocks_of(items, looked.holes, _usable(looked))
    yield from _watch(settings, found)
    yield from _response(found)
    if canary is not None:
        yield from _connection(settings, found, canary)


def _open(settings: Settings, found: Found, unit: int) -> Procedure[None]:
    """One read of each place that is to be looked at: is the table served at all?"""
    for table in settings.tables:
        for low, high in settings.ranges:
            looked = Looked(Items(unit, table, low, high, 1))
            found.looked.append(looked)
            first = yield from looked.items.read(low, 1)
            if is_not_served(first):
                looked.refusal = str(first)


def _units(settings: Settings, found: Found) -> Procedure[None]:
    """Which units answer; the first that does is surveyed."""
    yield Phase("looking for units", len(settings.units))
    yield Pace(FIRST_GAP_NS)
    start = settings.ranges[0][0]
    for unit in settings.units:
        answer = yield from manners.find_unit(unit, settings.tables[0], start)
        tried = unit if answer.why else settings.units[0]
        is_strange = answer.kind is Kind.BROKEN or bool(answer.why)
        # A device that answers nothing at all may want every request to have the same id: tried with the last unit.
        is_last = unit == settings.units[-1] and answer.kind is Kind.SILENT
        if found.unit is None and (is_strange or is_last):
            found.tolerates = yield from manners.find_tolerance(read_of(tried, settings.tables[0], start, 1), answer)
            if found.tolerates:
                found.units[unit] = str(answer)
                unit = tried
                answer = yield from manners.find_unit(unit, settings.tables[0], start)
        found.units[unit] = "answers" if manners.answers_as_unit(answer) else str(answer)
        if found.unit is None and manners.answers_as_unit(answer):
            found.unit = unit
            found.settled_ns = yield from settle(read_of(unit, settings.tables[0], start, 1))
    others = sum(1 for said in found.units.values() if said == "answers")
    if others > 1 and UNLIKELY_UNIT not in found.units:
        answer = yield from manners.find_unit(UNLIKELY_UNIT, settings.tables[0], start)
        found.ignores_unit = manners.answers_as_unit(answer)


def _foothold(found: Found, looked: Looked) -> Procedure[Prepared | None]:
    """A small read of this table that gives data."""
    items = looked.items
    try:
        foothold = yield from find_foothold(items)
    except BudgetSpentError:
        found.ended = found.ended or RAN_OUT
        foothold = None
    if foothold is not None:
        return read_of(items.unit, items.table, foothold.start, foothold.count)
    first = next(iter(items.known.values()))
    looked.refusal = str(first)
    if first.code not in (ExceptionCode.ILLEGAL_DATA_ADDRESS, ExceptionCode.ILLEGAL_DATA_VALUE):
        # It does not say that nothing is there: it fails, or is busy.
        found.ended = found.ended or f"the {items.table} reads were all refused: {first}"
        return None
    for start, count in items.refused():
        if count == 1:
            items.mark(start, start + 1, State.ABSENT)
    looked.is_mapped = not looked.unlooked
    return None


def _gap(found: Found, canary: Prepared) -> Procedure[None]:
    if found.settled_ns is None:
        return
    yield Phase("trying how soon it can be asked again", 60)
    found.gap = yield from find_gap(canary, found.settled_ns)
    yield Pace(found.gap.gap_ns)


def find_map(looked: Looked) -> Procedure[None]:
    """Quantity, behaviour, map, and the quantity once more where the map shows room for it."""
    items = looked.items
    foothold = yield from find_foothold(items)
    assert foothold is not None, "it was found before"
    good = yield from first_limit(items, foothold)
    is_limit = yield from proved_here(items, foothold.start, good)
    limit = good if is_limit or good >= items.most else None
    if limit is not None:
        # Should the budget end before the map is whole, this is known.
        more = items.known.get((foothold.start, good + 1))
        looked.limit = Limit(limit, True, more.refusal if more is not None else "")
    holes = yield from classify(items, foothold, good)
    for attempt in range(SURPRISES_MAX):
        looked.holes = holes
        try:
            yield from _map_as(looked, holes, limit, good)
            looked.is_mapped = not looked.unlooked
            looked.limit = yield from last_limit(items, holes)
            yield from _verify(looked)
            if not looked.contradictions:
                return
            again: Holes | None = None
        except SurpriseError as surprise:
            again = surprise.holes
            looked.contradictions.append(str(surprise))
        hints = [at for hole in looked.absent for at in (hole.start, hole.last)]
        holes = again or (yield from classify(items, foothold, good, hints))
        if holes is looked.holes or attempt == SURPRISES_MAX - 1:
            # No better explanation: what was found stays, with what speaks against it.
            return
        items.forget_states()
        looked.contradictions.clear()
        looked.predictions = 0


def _map_as(looked: Looked, holes: Holes | None, limit: int | None, good: int) -> Procedure[None]:
    items = looked.items
    match holes:
        case Holes.ANY:
            yield from map_any(items, limit)
            yield from spot_check(items)
        case Holes.ALL:
            yield from map_all(items, limit or good)
        case Holes.START_ONLY:
            yield from map_starts(items, limit or good)
        case Holes.UNSPLITTABLE:
            yield from map_wholes(items)
        case Holes.SHIFT:
            yield from map_shift(items, limit or good)
        case _:
            yield from map_zero_fill(items, limit or good)


def _usable(looked: Looked) -> int:
    """How many items to read at once from now on."""
    return max(1, looked.limit.count) if looked.limit is not None else 1


def _limit_so_far(items: Items) -> Limit:
    return Limit(max((count for _, count in items.given()), default=1), False)


# Does the map tell what happens?


def _verify(looked: Looked) -> Procedure[None]:
    """Make reads whose outcome the map and the behaviour tell beforehand, across holes and inside of runs."""
    items = looked.items
    assert looked.limit is not None
    looked.contradictions += unexplained(items, looked.holes, looked.limit)
    if looked.contradictions:
        return
    for start, count, expected in _predictions(looked)[:PREDICTIONS_MAX]:
        answer = yield from items.read(start, count, anew=True, may_fail=True)
        looked.predictions += 1
        if answer.is_data != expected:
            does = "gave data" if answer.is_data else f"was {answer.refusal}"
            looked.contradictions.append(f"{count} from {items.table} {start} on {does}")


def _predictions(looked: Looked) -> list[tuple[int, int, bool]]:
    """Start, count, and whether it will give data."""
    items, most = looked.items, _usable(looked)
    runs = sorted(looked.readable, key=lambda span: -span.count)
    made: list[tuple[int, int, bool]] = []
    for hole in looked.absent:
        low, high = hole.start - 1, hole.stop
        is_between = items.state.get(low) is State.READABLE and items.state.get(high) is State.READABLE
        if is_between and hole.count + 2 <= most and looked.holes in (Holes.ANY, Holes.ALL, Holes.SHIFT):
            made.append((low, hole.count + 2, looked.holes is not Holes.ANY))
    made = made[: PREDICTIONS_MAX // 2]
    for run in runs[: PREDICTIONS_MAX // 2]:
        count = min(most, run.count)
        if looked.holes is Holes.START_ONLY:
            made.append((run.start, 1, run.start in items.starts))
        elif looked.holes is Holes.UNSPLITTABLE:
            made.append((run.start, items.wholes.get(run.start, 1), True))
        else:
            made.append((run.stop - count, count, True))
    return made


# Time.


def _watch(settings: Settings, found: Found) -> Procedure[None]:
    """Read all that is readable several times."""
    served = [each for each in found.looked if each.blocks]
    reads = ROUNDS * sum(len(each.blocks) for each in served)
    yield Phase("watching what moves", reads)
    left = settings.budget - found.requests - RESERVE // 2
    for each in served:
        share = len(each.blocks) * ROUNDS
        if share > left:
            continue
        left -= share
        each.items.budget = share
        yield from watch(each.items, each.blocks, settings.watch_ns // max(1, len(served)))
        each.motions = motions(each.items, each.blocks)


def _response(found: Found) -> Procedure[None]:
    """How long an answer takes, with different counts in turn."""
    served = [each for each in found.looked if each.limit is not None and each.readable]
    registers = [each for each in served if not each.items.table.is_bits]
    if not registers:
        return
    looked = max(registers, key=lambda each: each.limit.count if each.limit else 0)
    start, counts = longest_read(looked.items, looked.holes)
    usable = [each for each in counts if each <= _usable(looked)]
    if not usable:
        return
    yield Phase("measuring how long answers take", COUNTS * REPEATS)
    items = looked.items
    items.budget = COUNTS * REPEATS
    times: list[tuple[int, int]] = []
    for _ in range(REPEATS):
        for count in spread(usable, COUNTS):
            answer = yield from items.read(start, count, anew=True)
            if answer.is_data:
                times.append((count, answer.elapsed_ns))
    found.line, found.line_table = fit_line(times), items.table


def spread(values: Sequence[int], count: int) -> list[int]:
    """Some of the values, evenly spread, the first and the last among them."""
    if len(values) <= count:
        return list(values)
    return [values[round(index * (len(values) - 1) / (count - 1))] for index in range(count)]


def _connection(settings: Settings, found: Found, canary: Prepared) -> Procedure[None]:
    """What may disturb others comes last."""
    if settings.in_flight:
        yield Phase("asking for several things at once", 60)
        found.in_flight = yield from manners.find_in_flight(canary)
    if settings.connections:
        yield Phase("opening more connections", 2 * CONNECTIONS_MAX)
        found.connections = yield from manners.find_connections(canary, CONNECTIONS_MAX)
    if settings.idle_ns:
        yield Phase("leaving the connection alone", 1)
        found.idle = yield from manners.find_idle(canary, settings.idle_ns)
