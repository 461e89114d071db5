"""The report of a rehearsal as one plain document: what is printed, and saved, and given to programs.

Its keys are documented in docs/rehearse.md and stable. The same plan, faults, seed and day give the same document.
"""

from __future__ import annotations

import datetime
from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Any, Final

from wherry.checks.wear import long_time_text
from wherry.clock import NS_PER_MS, NS_PER_S
from wherry.engine.ledger import Shape
from wherry.plan.durations import duration_text
from wherry.plan.model import Controller, Framing, Storage, Transfer, reference_number
from wherry.protocol.functions import exception_text, function_title
from wherry.rehearse.result import Broken, ControllerSeen, FaultSeen, Rehearsal, TransferSeen
from wherry.rehearse.wear import DAY_NS, Wear, transfer_named, wear_of

S_PER_HOUR: Final = 3600
HOUR_NS: Final = S_PER_HOUR * NS_PER_S


def document(
    rehearsal: Rehearsal, *, hours_asked: float, day: datetime.date, counts: Mapping[Shape, int] | None = None
) -> dict[str, Any]:
    """The whole report. Dates of wear count from ``day``; ``counts`` is what the ledger of the plan knows."""
    plan = rehearsal.plan
    wears = [wear_of(plan, each, day, counts or {}) for each in rehearsal.writes]
    broken = [
        *map(broken_data, rehearsal.broken),
        *periods_broken(rehearsal),
        *(life_broken(each) for each in wears if each.storage is Storage.NON_VOLATILE and each.is_too_soon),
    ]
    return {
        "plan": plan.file,
        "title": plan.title,
        "is_simulated": True,
        "hours_asked": hours_asked,
        "hours": round(rehearsal.duration_ns / NS_PER_S / S_PER_HOUR, 6),
        "is_interrupted": rehearsal.was_stopped,
        "seed": rehearsal.seed,
        "faults_asked": rehearsal.faults_asked,
        "without_faults_from_s": None if is_cut_short(rehearsal) else seconds(rehearsal.liveness_ns),
        "requests": rehearsal.transactions,
        "broken": broken,
        "broken_count": rehearsal.broken_count + len(broken) - len(rehearsal.broken),
        "transfers": {
            seen.name: transfer_data(transfer_named(plan, seen.name), seen, rehearsal.duration_ns)
            for seen in rehearsal.transfers
        },
        "commands": {
            seen.name: {**{key: getattr(seen, key) for key in seen.COUNTS}, "carried_out": seen.carried_out}
            for seen in rehearsal.commands
        },
        "faults": [fault_data(number, each, rehearsal.duration_ns) for number, each in enumerate(rehearsal.faults, 1)],
        "writes": [wear_data(each) for each in sorted(wears, key=Wear.urgency)],
        "dates_count_from": day.isoformat(),
        "controllers": {
            seen.name: controller_data(plan.controller(seen.name), seen, rehearsal.duration_ns)
            for seen in rehearsal.controllers
        },
    }


def is_cut_short(rehearsal: Rehearsal) -> bool:
    """Whether it was ended before the part without faults began."""
    return rehearsal.was_stopped and rehearsal.duration_ns < rehearsal.liveness_ns


def seconds(duration_ns: int) -> float:
    """Nanoseconds as seconds, to the microsecond."""
    return round(duration_ns / NS_PER_S, 6)


def milliseconds(duration_ns: int | None) -> float | None:
    """Nanoseconds as milliseconds, to the microsecond."""
    return None if duration_ns is None else round(duration_ns / NS_PER_MS, 3)


# What each receiver saw.


def transfer_data(transfer: Transfer, seen: TransferSeen, duration_ns: int) -> dict[str, Any]:
    """One transfer. Shares are of the time in which its status registers were watched; null where it has none."""
    watched_ns = seen.watched_ns
    shares = {
        "good": seen.good_ns,
        "uncertain": seen.uncertain_ns,
        "bad": seen.bad_ns,
        "silent": seen.silent_ns,
    }
    return {
        "from": transfer.source,
        "to": transfer.destination,
        "period_ms": milliseconds(transfer.period_ns),
        "max_age_ms": milliseconds(transfer.max_age_ns),
        "has_status": seen.has_status,
        **{
            f"{word}_share": round(spent_ns / watched_ns, 9) if watched_ns else None
            for word, spent_ns in shares.items()
        },
        "not_good_reasons": reasons_data(seen),
        "longest_not_good_s": seconds(seen.longest_not_good_ns),
        "longest_not_good_at_s": seconds(seen.longest_not_good_at_ns),
        "longest_silence_s": seconds(seen.longest_silence_ns),
        "longest_silence_at_s": seconds(seen.longest_silence_at_ns),
        "without_fresh_s_max": seconds(seen.longest_without_fresh_ns),
        "without_fresh_at_s": seconds(seen.longest_without_fresh_at_ns),
        "good_age_ms_max": milliseconds(seen.good_age_ns_max),
        "calm_periods_missed": seen.calm_periods_missed,
        "age_ms_max": milliseconds(seen.age_ns_max),
        "age_max_at_s": seconds(seen.age_ns_max_at_ns),
        "scheduled": seen.scheduled,
        "delivered": seen.delivered,
        "skipped": seen.skipped,
        "failed": seen.failed,
        "failures": dict(sorted(seen.failures.items())),
        "verify": {name: dict(became) for name, became in seen.verify.items()},
        "series": {
            "at_s": [seconds(each.at_ns) for each in seen.buckets],
            "age_ms": [milliseconds(each.age_ns) for each in seen.buckets],
            "quality": [each.quality for each in seen.buckets],
            "is_silent": [each.is_silent for each in seen.buckets],
            "until_s": seconds(duration_ns),
        },
    }


def reasons_data(seen: TransferSeen) -> list[dict[str, Any]]:
    """Why it was not Good, the longest first; shares are of the time in which it was not."""
    not_good_ns = sum(seen.not_good_ns.values())
    return [
        {"reason": reason, "share": round(spent_ns / not_good_ns, 9), "seconds": seconds(spent_ns)}
        for reason, spent_ns in seen.not_good_ns.items()
        if spent_ns
    ]


# Faults.


def fault_data(number: int, fault: FaultSeen, duration_ns: int) -> dict[str, Any]:
    """One fault and what followed."""
    end_ns = min(fault.end_ns, duration_ns)
    return {
        "number": number,
        "kind": fault.kind,
        "controller": fault.controller,
        "text": fault.text,
        "at_s": seconds(fault.start_ns),
        "until_s": seconds(end_ns),
        "mended_s": None if fault.mended_ns is None else seconds(fault.mended_ns),
        "followed": [
            {"at_s": seconds(each.at_ns), "subject": each.subject, "message": each.message} for each in fault.followed
        ],
    }


# Writes and wear.


def wear_data(wear: Wear) -> dict[str, Any]:
    """One place that was written."""
    seen = wear.seen
    return {
        "controller": seen.controller,
        "transfer": seen.transfer,
        "value": seen.value,
        "place": str(wear.span),
        "number_first": reference_number(wear.span.table, wear.span.start),
        "number_last": reference_number(wear.span.table, wear.span.last),
        "storage": None if wear.storage is Storage.UNKNOWN else str(wear.storage),
        "writes": seen.writes,
        "seen_hours": round(seen.duration_ns / NS_PER_S / S_PER_HOUR, 6),
        "writes_per_day": round(seen.writes_per_day, 3),
        "writes_per_year": round(wear.writes_per_year),
        "pace_uncertainty_share": None if wear.off_share is None else round(wear.off_share, 6),
        "endurance_writes": wear.endurance,
        "writes_before": wear.written_before if wear.endurance is not None else None,
        "worn_out_after_days": None if wear.days is None else round(wear.days, 3),
        "worn_out_on": None if wear.worn_out_on is None else wear.worn_out_on.isoformat(),
        "life_days": wear.life_days,
        "is_worn_out_too_soon": wear.is_too_soon,
    }


# Load.


def controller_data(controller: Controller, seen: ControllerSeen, duration_ns: int) -> dict[str, Any]:
    """One controller: what it was asked, and how busy it was."""
    duration_s = duration_ns / NS_PER_S
    return {
        "requests": seen.request_count,
        "requests_by_function": {function_title(code): count for code, count in sorted(seen.requests.items())},
        "requests_per_s": round(seen.request_count / duration_s, 3) if duration_s else 0.0,
        "requests_per_s_limit": controller.limits.requests_per_s,
        "utilisation": round(seen.busy_ns / duration_ns, 6) if duration_ns else 0.0,
        "response_is_declared": controller.response.is_declared,
        "in_flight_max": seen.in_flight_max,
        "in_flight_limit": in_flight_limit(controller),
        "connections": seen.connections,
        "connections_refused": seen.connections_refused,
        "connections_open_max": seen.connections_open_max,
        "connections_limit": controller.limits.connections,
        "gap_ms_min": milliseconds(seen.gap_ns_min),
        "gap_limit_ms": milliseconds(controller.limits.gap_ns),
        "exceptions": {exception_text(code): count for code, count in sorted(seen.exceptions.items())},
        "unanswered": seen.unanswered,
    }


def in_flight_limit(controller: Controller) -> int:
    """How many requests it may be asked at once: one behind RTU framing, whatever is declared."""
    return 1 if controller.framing is Framing.RTU else controller.limits.in_flight


# Declared bounds that were broken.


def broken_data(broken: Broken) -> dict[str, Any]:
    """A promise that a checker found broken."""
    return {
        "bound": broken.checker,
        "subject": broken.subject,
        "at_s": seconds(broken.at_ns),
        "message": broken.message,
    }


def periods_broken(rehearsal: Rehearsal) -> list[dict[str, Any]]:
    """Transfers that did not keep their period even while nothing was wrong."""
    found = []
    for seen in rehearsal.transfers:
        if seen.calm_periods_missed:
            period_ns = transfer_named(rehearsal.plan, seen.name).period_ns
            periods = rehearsal.duration_ns // period_ns
            message = (
                f"{seen.calm_periods_missed:,} periods of {duration_text(period_ns)} brought no new values although "
                f"nothing was wrong, of {periods:,} in all"
            )
            at_ns = seen.calm_period_missed_first_ns or 0
            found.append({"bound": "period", "subject": seen.name, "at_s": seconds(at_ns), "message": message})
    return found


def life_broken(wear: Wear) -> dict[str, Any]:
    """The sentence about a place that is worn out before the life that it must have."""
    assert wear.endurance is not None
    assert wear.life_days is not None
    new_days = wear.endurance / wear.seen.writes_per_day
    return {
        "bound": "life",
        "subject": f"{wear.seen.controller} {wear.span}",
        "at_s": None,
        "message": f"a new one is worn out after {days_text(new_days)} and must last {days_text(wear.life_days)}: "
        f"{wear.writes_per_year:,.0f} writes a year, as seen over {hours_text(wear.seen.duration_ns / HOUR_NS)}, it "
        f"stands {wear.endurance:,}",
    }


def days_text(days: float) -> str:
    """``3.2 days``, ``14 years``."""
    return long_time_text(days * DAY_NS)


# Which faults mattered most.


def worst_faults(faults: Sequence[Mapping[str, Any]], count: int) -> list[Mapping[str, Any]]:
    """The faults with the longest effect, in order of time: those that were not mended first, then by their time."""
    ranked = sorted(faults, key=lambda each: (-effect_s(each), each["number"]))
    return sorted(ranked[:count], key=lambda each: int(each["number"]))


def effect_s(fault: Mapping[str, Any]) -> float:
    """How long a fault was felt: from the first change that followed until all was mended; 0 if nothing followed."""
    if not fault["followed"]:
        return 0.0
    if fault["mended_s"] is None:
        return float("inf")
    return float(max(0.0, fault["mended_s"] - fault["followed"][0]["at_s"]))


def faults_by_kind(faults: Sequence[Mapping[str, Any]]) -> list[tuple[tuple[str, str], int, float, int, float]]:
    """For each kind and controller: how many, their time together in s, how many were felt, and the longest effect in s
    (infinite if one was not mended)."""
    counts: Counter[tuple[str, str]] = Counter()
    lasted: Counter[tuple[str, str]] = Counter()
    felt: Counter[tuple[str, str]] = Counter()
    longest: dict[tuple[str, str], float] = {}
    for fault in faults:
        key = (fault["kind"], fault["controller"])
        counts[key] += 1
        lasted[key] += fault["until_s"] - fault["at_s"]
        felt[key] += bool(fault["followed"])
        longest[key] = max(longest.get(key, 0.0), effect_s(fault))
    return [(key, counts[key], float(lasted[key]), felt[key], longest[key]) for key in counts]


# Words that the terminal and the picture share.


def percent_text(share: float | None, digits: int = 3) -> str:
    """A share that is neither rounded to all nor to nothing: ``99.998 %``, ``<0.001 %``."""
    if share is None:
        return "-"
    percent = 100 * share
    if percent in (0.0, 100.0):
        return f"{percent:.0f} %"
    text, least = f"{percent:.{digits}f}", 10**-digits
    if float(text) == 100:
        return f">{100 - least:.{digits}f} %"
    return f"<{least:.{digits}f} %" if float(text) == 0 else f"{text} %"


def hours_text(hours: float) -> str:
    """``24 h``, ``0.5 h``."""
    return f"{hours:g} h" if hours == round(hours, 3) else f"{hours:.3f} h"
