"""What a survey found, as one document for programs."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from wherry.clock import NS_PER_MS, NS_PER_S
from wherry.plan.model import Span
from wherry.protocol.functions import function_title
from wherry.survey.compare import Change
from wherry.survey.found import Found, Looked
from wherry.survey.manners import OBJECT_NAMES
from wherry.survey.pace import share
from wherry.survey.snapshot import Reading, Snapshot
from wherry.survey.watching import Motion


def document(found: Found, at: str, changes: Sequence[Change] | None = None) -> dict[str, Any]:
    """The JSON answer of ``wherry survey``; its keys are told of in docs/survey.md."""
    times = found.times_ns
    return {
        "at": at,
        "ended": found.ended or None,
        "requests": found.requests,
        "connects": found.connects,
        "elapsed_s": round(found.elapsed_ns / NS_PER_S, 3),
        "unit": found.unit,
        "units": {str(unit): said for unit, said in found.units.items()},
        "ignores_unit": found.ignores_unit,
        "tolerate": [str(each) for each in found.tolerates],
        "identity": {OBJECT_NAMES.get(number, str(number)): text for number, text in found.about.objects.items()},
        "server_id": found.about.server_id.hex(),
        "functions": {function_title(code): said for code, said in found.about.functions.items()},
        "limits": _limits(found),
        "response": None
        if found.line is None
        else {
            "fixed_ms": found.line.fixed_ns / NS_PER_MS,
            "fixed_low_ms": found.line.fixed_low_ns / NS_PER_MS,
            "fixed_high_ms": found.line.fixed_high_ns / NS_PER_MS,
            "per_register_us": found.line.per_item_ns / 1000,
            "per_register_low_us": found.line.per_item_low_ns / 1000,
            "per_register_high_us": found.line.per_item_high_ns / 1000,
            "reads": found.line.count,
        },
        "response_ms": {name: share(times, part) / NS_PER_MS for name, part in SHARES.items()} if times else None,
        "tables": [_table(each) for each in found.looked],
        "changes": None
        if changes is None
        else [
            {"what": each.what, "before": each.before, "now": each.now, "is_grave": each.is_grave} for each in changes
        ],
    }


SHARES = {"p50": 0.5, "p95": 0.95, "p99": 0.99, "max": 1.0}


def _limits(found: Found) -> dict[str, Any]:
    limits: dict[str, Any] = {}
    for key, limit in (("read", found.limit_registers), ("read_bits", found.limit_bits)):
        limits[key] = (
            None
            if limit is None
            else {"count": limit.count, "is_proved": limit.is_proved, "refusal": limit.refusal or None}
        )
    limits["gap_ms"] = None if found.gap is None else found.gap.gap_ns / NS_PER_MS
    limits["idle_s"] = None if found.idle is None or found.idle.idle_ns is None else found.idle.idle_ns / NS_PER_S
    limits["idle_watched_s"] = None if found.idle is None else found.idle.watched_ns / NS_PER_S
    limits["in_flight"] = None if found.in_flight is None else found.in_flight.count
    limits["connections"] = None if found.connections is None else found.connections.count
    return limits


def _table(looked: Looked) -> dict[str, Any]:
    return {
        "table": str(looked.items.table),
        "first": looked.items.low,
        "last": looked.items.high - 1,
        "refusal": looked.refusal or None,
        "holes": None if looked.holes is None else str(looked.holes),
        "is_proved": looked.is_proved,
        "is_complete": looked.is_mapped,
        "contradictions": looked.contradictions,
        "readable": _spans(looked.readable),
        "absent": _spans(looked.absent),
        "doubtful": _spans(looked.doubtful),
        "unsafe": _spans(looked.unsafe),
        "unlooked": _spans(looked.unlooked),
        "starts": sorted(looked.items.starts),
        "wholes": {str(at): count for at, count in sorted(looked.items.wholes.items())},
        "counts": _spans(looked.moving(Motion.COUNTS_UP, Motion.COUNTS_DOWN)),
        "moves": _spans(looked.moving(Motion.MOVES)),
    }


def _spans(spans: Sequence[Span]) -> list[list[int]]:
    """First and last address of each run."""
    return [[each.start, each.last] for each in spans]


def snapshot_of(found: Found, about: dict[str, str]) -> Snapshot:
    """Everything that was read while watching, for later: only reads of which each word stands in its own place."""
    readings: list[Reading] = []
    for looked in found.looked:
        blocks = set(looked.blocks)
        readings += (
            Reading(at_ns, looked.items.table, start, words)
            for at_ns, start, words in looked.items.samples
            if (start, len(words)) in blocks
        )
    return Snapshot(tuple(sorted(readings, key=lambda each: (each.at_ns, each.start))), about)
