"""From what a survey found to a device profile: every fact with how it was found."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from wherry.clock import NS_PER_S
from wherry.limits import CONNECTIONS_MAX, IN_FLIGHT_MAX
from wherry.plan.model import Span, Table
from wherry.plan.profile import Fact, How, Profile, TableFacts
from wherry.survey.found import Found, Looked
from wherry.survey.manners import OBJECT_NAMES
from wherry.survey.pace import median, share
from wherry.survey.quantity import Limit
from wherry.survey.watching import Motion

DIGITS: Final = 3
"""Digits of a measured time."""
UNITS_NS: Final = (("s", 10**9), ("ms", 10**6), ("us", 10**3), ("ns", 1))
FUNCTIONS: Final = {0x07: "07", 0x08: "08/00", 0x0B: "0B", 0x11: "11", 0x2B: "2B/0E"}


def profile_of(found: Found, *, at: str, surveyed: str) -> Profile:
    """The profile. ``at`` is where it was surveyed, ``surveyed`` when (RFC 3339)."""
    names = [found.about.objects.get(number, "") for number in (0, 1, 2)]
    title = " ".join(each for each in names if each) or f"controller at {at}"
    tables = {table: table_facts(found.of(table)) for table in Table if found.of(table)}
    return Profile(title, at, surveyed, found.ended, _device(found), _limits(found), _response(found), tables)


def rounded_text(duration_ns: float) -> str:
    """A measured time with three digits, as a plan writes it."""
    whole = round(duration_ns)
    step = 10 ** max(0, len(str(whole)) - DIGITS)
    return time_text(round(whole / step) * step)


def time_text(duration_ns: int) -> str:
    """A time as people read it: ``6.35 ms`` where a plan would have ``6350 us``; the two mean the same."""
    for unit, unit_ns in UNITS_NS:
        if duration_ns >= unit_ns:
            whole, rest = divmod(duration_ns, unit_ns)
            part = f"{rest:0{len(str(unit_ns)) - 1}d}".rstrip("0") if rest else ""
            return f"{whole}.{part} {unit}" if part else f"{whole} {unit}"
    return "0 s"


def _device(found: Found) -> dict[str, Fact]:
    facts: dict[str, Fact] = {}
    for number, text in sorted(found.about.objects.items()):
        if text and number in OBJECT_NAMES:
            facts[OBJECT_NAMES[number]] = Fact(text, How.DECLARED, f"function 2B/0E, object {number}")
    if found.about.server_id:
        facts["server_id"] = Fact(found.about.server_id.hex(" "), How.DECLARED, "function 11, in hexadecimal")
    if found.unit is not None:
        by = "unit ids do not matter: an unlikely one is answered too" if found.ignores_unit else "it answers"
        facts["unit"] = Fact(found.unit, How.OBSERVED, by)
        units = [unit for unit, said in found.units.items() if said == "answers"]
        asked = ", ".join(map(str, found.units))
        facts["units"] = Fact(units, How.OBSERVED, f"of these that were asked: {asked}")
    if found.tolerates:
        ways = [str(each) for each in found.tolerates]
        facts["tolerate"] = Fact(ways, How.OBSERVED, "without it no reply fits its request")
    served = [FUNCTIONS[code] for code, said in sorted(found.about.functions.items()) if said == "answered"]
    if served:
        facts["functions"] = Fact(", ".join(served), How.OBSERVED, "answered, besides the reads of tables")
    seen = found.connections
    if seen is not None:
        how = How.PROVED if seen.beyond else How.OBSERVED
        by = (
            seen.beyond
            if seen.beyond
            else "opened at the same time; more were not tried, or some were closed meanwhile"
        )
        if seen.throws_out_first:
            by = f"one more, and {by}"
        facts["connections"] = Fact(min(seen.count, CONNECTIONS_MAX), how, by)
    return facts


def _limit(limit: Limit, what: str) -> Fact:
    if not limit.is_proved:
        return Fact(limit.count, How.OBSERVED, f"so many {what} were given; no longer run was found to try more")
    if not limit.refusal:
        return Fact(limit.count, How.PROVED, "the standard allows no more")
    by = f"one more was not given ({limit.refusal}), though all of it can be read in smaller pieces"
    return Fact(limit.count, How.PROVED, by)


def _limits(found: Found) -> dict[str, Fact]:
    facts: dict[str, Fact] = {}
    if found.limit_registers is not None and found.limit_registers.count:
        facts["read"] = _limit(found.limit_registers, "registers")
    if found.limit_bits is not None and found.limit_bits.count:
        facts["read_bits"] = _limit(found.limit_bits, "bits")
    if found.in_flight is not None:
        how = How.PROVED if found.in_flight.beyond or found.in_flight.count == IN_FLIGHT_MAX else How.OBSERVED
        by = f"one more at once: {found.in_flight.beyond}" if found.in_flight.beyond else "all were answered"
        facts["in_flight"] = Fact(found.in_flight.count, how, by)
    if found.gap is not None:
        how = How.PROVED if found.gap.is_confirmed else How.OBSERVED
        if found.gap.gap_ns:
            short = rounded_text(found.gap.too_short_ns)
            by = f"a request after {short} was {found.gap.how_lost}" if found.gap.too_short_ns else "none was lost"
        else:
            by = "requests right after an answer were answered"
        facts["gap"] = Fact(_gap_text(found.gap.gap_ns), how, by)
    if found.idle is not None and found.idle.idle_ns is not None:
        facts["idle"] = Fact(rounded_text(found.idle.idle_ns), How.OBSERVED, "closed after so long without a request")
    return facts


def _gap_text(gap_ns: int) -> str:
    """Rounded up: never shorter than what was tried."""
    if not gap_ns:
        return "0 s"
    step = 10 ** max(0, len(str(gap_ns)) - DIGITS)
    return time_text(-(-gap_ns // step) * step)


def _response(found: Found) -> dict[str, Fact]:
    facts: dict[str, Fact] = {}
    line = found.line
    if line is not None:
        by = f"{line.count} reads of {found.line_table} registers with different counts; slope by Theil and Sen, 95 %"
        facts["fixed"] = Fact(
            rounded_text(line.fixed_ns),
            How.OBSERVED,
            by,
            rounded_text(line.fixed_low_ns),
            rounded_text(line.fixed_high_ns),
        )
        facts["per_register"] = Fact(
            rounded_text(line.per_item_ns),
            How.OBSERVED,
            "",
            rounded_text(line.per_item_low_ns),
            rounded_text(line.per_item_high_ns),
        )
    times = found.times_ns
    if times:
        by = f"of {len(times):,} reads of all lengths, in {found.elapsed_ns / NS_PER_S:.0f} s"
        facts["median"] = Fact(rounded_text(median(times)), How.OBSERVED, by)
        facts["most_of_20"] = Fact(rounded_text(share(times, 0.95)), How.OBSERVED, "19 of 20 were as quick")
        facts["longest"] = Fact(rounded_text(max(times)), How.OBSERVED)
    return facts


def table_facts(looked: list[Looked]) -> TableFacts:
    """What is known of one table, of all its runs that were looked at."""
    table = looked[0].items.table
    if all(each.refusal for each in looked):
        return TableFacts(table, refusal=looked[0].refusal, looked=_looked(looked), absent=_all(looked, "absent"))
    holes = next((each for each in looked if each.holes is not None), None)
    return TableFacts(
        table,
        None if holes is None else _holes(holes),
        _looked(looked),
        _all(looked, "readable"),
        _all(looked, "absent"),
        _all(looked, "doubtful"),
        _all(looked, "unsafe"),
        tuple(Span(table, at, 1) for each in looked for at in sorted(each.items.starts)),
        tuple(Span(table, at, count) for each in looked for at, count in sorted(each.items.wholes.items())),
        tuple(span for each in looked for span in each.moving(Motion.COUNTS_UP, Motion.COUNTS_DOWN)),
        tuple(span for each in looked for span in each.moving(Motion.MOVES)),
    )


def _holes(looked: Looked) -> Fact:
    assert looked.holes is not None
    if looked.contradictions:
        return Fact(str(looked.holes), How.OBSERVED, f"but not always: {looked.contradictions[0]}")
    by = f"it explains all of {len(looked.items.known)} different reads"
    if looked.is_proved:
        return Fact(str(looked.holes), How.PROVED, f"{by}, and {looked.predictions} that were foretold")
    return Fact(str(looked.holes), How.OBSERVED, by)


def _looked(looked: Iterable[Looked]) -> tuple[Span, ...]:
    """What was looked at: all but what is unknown."""
    spans: list[Span] = []
    for each in looked:
        at = each.items.low
        for unknown in each.unlooked:
            if unknown.start > at:
                spans.append(Span(each.items.table, at, unknown.start - at))
            at = unknown.stop
        if each.items.high > at:
            spans.append(Span(each.items.table, at, each.items.high - at))
    return tuple(spans)


def _all(looked: Iterable[Looked], what: str) -> tuple[Span, ...]:
    return tuple(span for each in looked for span in getattr(each, what))
