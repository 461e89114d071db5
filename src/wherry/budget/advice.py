"""Which changes of a plan save requests: rows in another order, gaps that may be read, points, groups and periods.

Each piece of advice is a plan that was tried: it is laid out as the engine would, and what it saves is counted.
"""

from __future__ import annotations

import shlex
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Final, Literal

from wherry.budget.exchange_block import changed, propose
from wherry.clock import NS_PER_S
from wherry.errors import LocalError
from wherry.limits import ITEMS_PER_TABLE
from wherry.packing.layout import layout, readable_spans
from wherry.packing.reads import is_covered, join
from wherry.packing.units import write_units
from wherry.plan.durations import duration_text
from wherry.plan.model import Controller, Plan, Span, Transfer, Value
from wherry.plan.wording import listed
from wherry.timing.budget import Budget, budget
from wherry.timing.system import System, system_of

SHOWN_MAX: Final = 5
"""Pieces of advice that are worked out to the end: those that save most."""
LEAST_PER_S: Final = 1e-6
"""Fewer requests a second than that are a matter of rounding."""
LEAST_SHARE: Final = 0.01
"""What saves less of all requests than this is not worth a sentence."""
REQUESTS_MAX: Final = 1_500
"""In a plan of more requests only a block is tried, and ages are not computed again for it."""
BLOCKS_MAX: Final = 3
"""Controllers for which a block is tried: those that are used most."""
PERIODS_APART_MAX: Final = 3.0
"""How many times as often a transfer may be asked to go along with another one."""
TRIED_MAX: Final = 100
"""Changes of one kind that are tried."""
POINTS_MAX: Final = 20
"""Single values that are tried at another place: those that are carried most often."""
NAMED_MAX: Final = 3
"""Gaps that are named one by one."""
AGES_MAX: Final = 120
"""Of a plan of more requests it is not computed how much younger values get, and only one block is tried."""


@dataclass(frozen=True)
class Advice:
    """One change, and what it saves. ``plan`` is the plan with it."""

    kind: str
    """``order``, ``readable``, ``point``, ``status``, ``block``, ``group`` or ``period``."""
    transfers: tuple[str, ...]
    controller: str
    """Where it saves most."""
    words: str
    """What to do, in a sentence without its full stop."""
    plan: Plan
    requests_saved_per_s: float
    busy_saved_ns_per_s: float
    """How much less its controllers are busy, in each second."""
    age_saved_ns: int | None = None
    """By how much the oldest value of a transfer gets younger, where it gains most; None: not computed."""
    age_saved_of: str = ""


@dataclass(frozen=True)
class Candidate:
    """A change before it is weighed."""

    kind: str
    transfers: tuple[str, ...]
    words: str
    plan: Plan


def advise(found: Budget) -> tuple[Advice, ...]:
    """What saves most requests, the best first; of each kind for the same transfers only the best."""
    plan = found.plan
    weighed = [each for candidate in candidates(found) if (each := _weighed(found, candidate)) is not None]
    least_per_s = LEAST_SHARE * sum(each.requests_per_s for each in found.lines)
    weighed = [each for each in weighed if each.requests_saved_per_s >= least_per_s]
    weighed.sort(key=lambda each: (-each.requests_saved_per_s, each.kind, each.transfers))
    best: dict[tuple[str, tuple[str, ...]], Advice] = {}
    for each in weighed:
        best.setdefault((each.kind, each.transfers), each)
    chosen = list(best.values())[:SHOWN_MAX]
    if len(found.system.requests) > AGES_MAX:
        return tuple(chosen)
    assert all(len(each.plan.transfers) == len(plan.transfers) for each in chosen), "advice takes nothing away"
    return tuple(_with_age(found, each) for each in chosen)


def candidates(found: Budget) -> Iterator[Candidate]:
    """Every change that may be worth it."""
    plan = found.plan
    if len(found.system.requests) > REQUESTS_MAX:
        yield from with_blocks(found, 1)
        return
    yield from in_order_of_places(plan)
    yield from with_gaps_readable(plan)
    yield from without_groups(plan)
    yield from with_blocks(found, BLOCKS_MAX if len(found.system.requests) <= AGES_MAX else 1)
    yield from with_one_period(plan)
    yield from with_points_moved(plan)
    yield from with_status_moved(plan)


def _weighed(found: Budget, candidate: Candidate) -> Advice | None:
    """What a change saves; None if that is nothing. Only transfers that read together with the changed ones matter."""
    after = candidate.plan
    names = set(candidate.transfers)
    sources = {each.source for each in found.plan.transfers if each.name in names}
    matter = {each.name for each in found.plan.transfers if each.name in names or each.source in sources}
    then = system_of(_only(after, matter), found.conditions, found.measured)
    was, becomes = _asked(found.system, matter), _asked(then, matter)
    saved = {name: was[name][0] - becomes.get(name, (0.0, 0.0))[0] for name in was}
    total = sum(saved.values())
    if total < LEAST_PER_S:
        return None
    busy_ns = sum(busy for _, busy in was.values()) - sum(busy for _, busy in becomes.values())
    most = max(saved, key=lambda name: saved[name])
    return Advice(candidate.kind, candidate.transfers, most, candidate.words, after, total, busy_ns)


def _only(plan: Plan, names: Collection[str]) -> Plan:
    return replace(plan, transfers=tuple(each for each in plan.transfers if each.name in names), commands=())


def _asked(system: System, transfers: Collection[str]) -> dict[str, tuple[float, float]]:
    """Requests a second of each controller for some transfers, and how long of a second they keep it busy, in ns."""
    chains = [each.transfer is not None and each.transfer.name in transfers for each in system.chains]
    asked: dict[str, tuple[float, float]] = {}
    for each in system.requests:
        if not each.is_rare and chains[each.chain]:
            per_s = NS_PER_S / system.tasks[each.task].period_ns
            rate, busy_ns = asked.get(each.controller, (0.0, 0.0))
            asked[each.controller] = (rate + per_s, busy_ns + per_s * each.work.slot_ns)
    return asked


def _with_age(found: Budget, advice: Advice) -> Advice:
    then = budget(advice.plan, found.measured, found.conditions)
    best: tuple[int, str] | None = None
    for was, becomes in zip(found.transfers, then.transfers, strict=True):
        if was.age_worst_ns is not None and becomes.age_worst_ns is not None:
            saved_ns = was.age_worst_ns - becomes.age_worst_ns
            if best is None or saved_ns > best[0]:
                best = (saved_ns, was.name)
    return advice if best is None else replace(advice, age_saved_ns=best[0], age_saved_of=best[1])


# The changes.


def in_order_of_places(plan: Plan) -> Iterator[Candidate]:
    """Rows in the order of their places: neighbours go in one write."""
    for transfer in plan.transfers[:TRIED_MAX]:
        units, _ = write_units(transfer, plan.controller(transfer.destination).limits)
        last = {at: unit.span for unit in units for at in unit.values}
        rows = [at for at, value in enumerate(transfer.values) if not value.is_copy]
        if not rows:
            continue
        order = sorted(rows, key=lambda at: (last[at].table, last[at].start, transfer.values[at].put.address))
        if order == rows:
            continue
        values = (*(transfer.values[at] for at in order), *transfer.values[len(rows) :])
        words = f"sort the rows of {transfer.name} by `put`, unless one of them is a trigger that must come last"
        yield Candidate("order", (transfer.name,), words, _with_transfer(plan, replace(transfer, values=values)))


def with_gaps_readable(plan: Plan) -> Iterator[Candidate]:
    """Gaps between two reads of a period that would be one, if what lies between may be read."""
    for name in dict.fromkeys(each.source for each in plan.transfers):
        controller = plan.controller(name)
        known = readable_spans(plan, name)
        gaps = [gap for gap in _gaps(plan, controller) if not is_covered(gap, known)]
        if not gaps:
            continue
        tried = _with_readable(plan, controller, gaps)
        # Only those that are read over then.
        reads = [read.span for sweep in layout(tried) if sweep.source == name for read in sweep.reads]
        used = [gap for gap in gaps if any(_lies_in(gap, read) for read in reads)]
        if not used:
            continue
        what = listed([str(each) for each in used], last="and")
        if len(used) > NAMED_MAX:
            what = f"the {len(used):,} gaps from {used[0]} to {used[-1]}"
        words = f"if {what} of {name} may be read too, say so with `readable`"
        names = tuple(each.name for each in plan.transfers if each.source == name)
        yield Candidate("readable", names, words, _with_readable(plan, controller, used))


def _gaps(plan: Plan, controller: Controller) -> list[Span]:
    """What lies between neighbouring reads of one sweep that could be one request."""
    gaps: list[Span] = []
    for sweep in layout(_only(plan, {each.name for each in plan.transfers if each.source == controller.name})):
        for first, second in pairwise(sweep.reads):
            table = first.span.table
            if table is second.span.table and first.span.stop < second.span.start:
                gap = Span(table, first.span.stop, second.span.start - first.span.stop)
                holes = controller.simulation.holes
                is_short = gap.count + 2 <= controller.limits.read_count_max(table)
                if is_short and not any(_overlap(gap, hole) for hole in holes):
                    gaps.append(gap)
    return join(gaps)


def _lies_in(span: Span, other: Span) -> bool:
    return span.table is other.table and other.start <= span.start and span.stop <= other.stop


def _overlap(span: Span, other: Span) -> bool:
    return span.table is other.table and span.start < other.stop and other.start < span.stop


def _with_readable(plan: Plan, controller: Controller, spans: Iterable[Span]) -> Plan:
    more = replace(controller, readable=(*controller.readable, *spans))
    return replace(plan, controllers=tuple(more if each is controller else each for each in plan.controllers))


def with_blocks(found: Budget, most: int) -> Iterator[Candidate]:
    """An exchange block in one of the controllers that are used most."""
    plan = found.plan
    used = [name for line in sorted(found.lines, key=lambda each: -each.utilisation) for name in line.controllers]
    for name in used[:most]:
        try:
            then = changed(plan, propose(plan, {name: None}, with_signs=False))
        except LocalError:
            continue
        names = tuple(each.name for each in plan.transfers if name in (each.source, each.destination))
        words = (
            f"if you write the program of {name}, put its values side by side (`--exchange-block {shlex.quote(name)}`)"
        )
        yield Candidate("block", names, words, then)


def without_groups(plan: Plan) -> Iterator[Candidate]:
    """Groups that cost requests: what must stay in one request leaves gaps in others."""
    tried = 0
    for transfer in plan.transfers:
        for group in dict.fromkeys(value.group for value in transfer.values if value.group):
            tried += 1
            if tried > TRIED_MAX:
                return
            values = tuple(replace(each, group="") if each.group == group else each for each in transfer.values)
            words = f"take the group {group} of {transfer.name} apart, if its values need not be of one instant"
            yield Candidate("group", (transfer.name,), words, _with_transfer(plan, replace(transfer, values=values)))


def with_one_period(plan: Plan) -> Iterator[Candidate]:
    """Transfers of one source with nearly the same period: what they read together is read once."""
    tried = 0
    by_source: dict[str, list[Transfer]] = {}
    for transfer in plan.transfers:
        if transfer.careful is None:
            by_source.setdefault(transfer.source, []).append(transfer)
    for transfers in by_source.values():
        ordered = sorted(transfers, key=lambda each: each.period_ns)
        for quick, slow in pairwise(ordered):
            if quick.period_ns == slow.period_ns or slow.period_ns > PERIODS_APART_MAX * quick.period_ns:
                continue
            tried += 1
            if tried > TRIED_MAX:
                return
            words = (
                f"carry {slow.name} every {duration_text(quick.period_ns)} too, as {quick.name}: "
                "what both take is read once then"
            )
            then = _with_transfer(plan, replace(slow, period_ns=quick.period_ns))
            yield Candidate("period", (slow.name,), words, then)


def with_points_moved(plan: Plan) -> Iterator[Candidate]:
    """Values that are alone in a request, each next to others of its transfer."""
    tried = 0
    for sweep in sorted(layout(plan), key=lambda each: each.period_ns):
        if sweep.guard is not None or sweep.rounds > 1:
            continue
        lone = [read for read in sweep.reads if len(read.cuts) == 1]
        # Where nearly all of them are scattered, moving one of them is no help: a block is.
        for read in lone if len(lone) <= POINTS_MAX else ():
            (cut,) = read.cuts
            transfer = sweep.transfers[cut.transfer].transfer
            if cut.value < 0 or not _may_move(transfer.values[cut.value]):
                continue
            limit = plan.controller(sweep.source).limits.read_count_max(read.span.table)
            place = _beside(
                [each.span for each in sweep.reads if each is not read], read.span, limit, plan, sweep.source
            )
            if place is not None and tried < POINTS_MAX:
                tried += 1
                yield _moved(plan, transfer, cut.value, "take", place)
        for each in sweep.transfers:
            limits = plan.controller(each.transfer.destination).limits
            for before, write in pairwise(each.writes if len(each.writes) <= POINTS_MAX else ()):
                (first, *more) = write.cuts
                if more or write.is_mask or before.is_mask or not _may_move(each.transfer.values[first.value]):
                    continue
                limit = limits.write_count_max(write.span.table)
                place = _beside([before.span], write.span, limit, plan, each.transfer.destination)
                if place is not None and tried < POINTS_MAX:
                    tried += 1
                    yield _moved(plan, each.transfer, first.value, "put", place)


def with_status_moved(plan: Plan) -> Iterator[Candidate]:
    """Status registers right behind what is put last: they ride along with it."""
    tried = 0
    for sweep in layout(plan):
        for each in sweep.transfers:
            status, name = each.transfer.status, each.transfer.destination
            if status is None or each.status_in is not None or not each.writes or tried >= POINTS_MAX:
                continue
            limit = plan.controller(name).limits.write_count_max(status.table)
            place = _beside([each.writes[-1].span], status, limit, plan, name)
            if place is not None:
                tried += 1
                new = replace(status, start=place)
                words = (
                    f"move the status registers of {each.transfer.name} from {status} to {new} in {name}, if you can"
                )
                then = _with_transfer(plan, replace(each.transfer, status=new))
                yield Candidate("status", (each.transfer.name,), words, then)


def _may_move(value: Value) -> bool:
    return not value.is_copy and not value.group and value.take.bit is None


def _beside(others: Sequence[Span], span: Span, limit: int, plan: Plan, controller: str) -> int | None:
    """A free address right behind one of the others, which then have room for it in their request."""
    known = [each for each in used_places(plan, controller) if each.table is span.table]
    if sum(_overlap(span, each) for each in known) > 1:
        # Somebody else takes it or puts it too.
        return None
    for other in others:
        place = Span(span.table, other.stop, span.count)
        has_room = other.table is span.table and other.count + span.count <= limit and place.stop <= ITEMS_PER_TABLE
        if has_room and not any(_overlap(place, each) for each in known):
            return place.start
    return None


def used_places(plan: Plan, name: str) -> list[Span]:
    """All places of a controller that are taken or put, or are known not to answer."""
    found = [*plan.controller(name).simulation.holes]
    for transfer in plan.putting:
        if transfer.source == name:
            found += [value.take.span for value in transfer.values]
            found += [] if transfer.alive is None else [transfer.alive.span]
        if transfer.destination == name:
            found += [value.put.span for value in transfer.values]
            found += [] if transfer.status is None else [transfer.status]
    return found


def _moved(plan: Plan, transfer: Transfer, at: int, side: Literal["take", "put"], address: int) -> Candidate:
    value = transfer.values[at]
    point = value.take if side == "take" else value.put
    new = replace(point, address=address, text="")
    value = replace(value, take=new) if side == "take" else replace(value, put=new)
    values = (*transfer.values[:at], value, *transfer.values[at + 1 :])
    where = transfer.source if side == "take" else transfer.destination
    words = f"move {value.name} of {transfer.name} from {point} to {new} in {where}, beside the others, if you can"
    return Candidate("point", (transfer.name,), words, _with_transfer(plan, replace(transfer, values=values)))


def _with_transfer(plan: Plan, transfer: Transfer) -> Plan:
    transfers: Sequence[Transfer] = plan.transfers
    return replace(plan, transfers=tuple(transfer if each.name == transfer.name else each for each in transfers))
