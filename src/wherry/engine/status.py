"""What a run looks like at one instant: plain values for the command line, the page and the JSON answer."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from wherry.clock import date_in_days
from wherry.engine.carry import Carry
from wherry.engine.ledger import worn_places
from wherry.engine.line import Line
from wherry.engine.runner import Engine
from wherry.engine.words import WordLine
from wherry.plan.model import Point, reference_number


def summary(engine: Engine, now_ns: int) -> dict[str, Any]:
    """The figures of a run so far, with stable keys (docs/run.md). Ages are as at the receiver's acknowledgement."""
    return {
        "plan": engine.plan.file,
        "title": engine.plan.title,
        "armed": sorted(engine.armed),
        "duration_s": round((now_ns - engine.started_ns) / 1e9, 3),
        "transfers": {carry.transfer.name: transfer_summary(carry, now_ns) for carry in engine.carries},
        "commands": {each.declared.name: each.summary() for each in engine.commands},
        "controllers": {name: controller_summary(line) for name, line in engine.lines.items()},
        "wear": wear_summary(engine, now_ns),
    }


def wear_summary(engine: Engine, now_ns: int) -> list[dict[str, Any]]:
    """The places that wear out, or may: how often each was written, and when it is worn out if this run is typical."""
    if engine.ledger is None:
        return []
    run_ns = now_ns - engine.started_ns
    found = []
    for each in worn_places(engine.ledger, engine.plan):
        days = each.days_left(run_ns)
        found.append(
            {
                "controller": each.controller,
                "place": str(each.span),
                "reference": reference_number(each.span.table, each.span.start),
                "value": each.name,
                "storage": each.storage.value,
                "writes": each.writes,
                "writes_this_run": each.writes_this_run,
                "endurance_writes": each.endurance,
                "worn_out_in_days": None if days is None else round(days, 3),
                "worn_out_on": None if days is None else date_in_days(days),
            }
        )
    return found


def transfer_summary(carry: Carry, now_ns: int) -> dict[str, Any]:
    """Counts and times of one transfer."""
    age_ns = carry.age_ns(now_ns)
    return {
        "from": carry.transfer.source,
        "to": carry.transfer.destination,
        "period_ms": carry.transfer.period_ns / 1e6,
        "max_age_ms": carry.transfer.max_age_ns / 1e6,
        "armed": carry.is_armed,
        "scheduled": carry.scheduled,
        "delivered": carry.delivered,
        "skipped": carry.skipped,
        "skipped_unarmed": carry.skipped_unarmed,
        "skipped_overrun": carry.skipped_overrun,
        "skipped_waiting": carry.skipped_waiting,
        "failed": carry.failed,
        "failures": dict(carry.failures),
        "torn_readings": carry.torn_readings,
        "verify": {} if carry.receiving is None else {each.name: each.summary() for each in carry.receiving.watches},
        "quality": carry.quality.name.capitalize(),
        "quality_reason": carry.quality_reason,
        "age_now_ms": None if age_ns is None else round(age_ns / 1e6, 3),
        "age_ms": carry.age.summary_ms(),
        "lateness_ms": carry.lateness.summary_ms(),
    }


def controller_summary(line: Line) -> dict[str, Any]:
    """Counts and times of one controller."""
    counters = line.counters
    return {
        "address": f"{line.controller.host}:{line.controller.port}",
        "unit": line.controller.unit,
        "state": line.state.value,
        "reason": line.reason,
        "requests": counters.requests,
        "replies": counters.replies,
        "exceptions": counters.exceptions,
        "timeouts": counters.timeouts,
        "late_replies": counters.late_replies,
        "foreign_replies": counters.foreign_replies,
        "faulty_replies": counters.faulty,
        "identity": identity_text(line),
        "busy_answers": line.busy_answers,
        "gateway_target_failed": line.unreached,
        "gateway_path_unavailable": line.link.path_refusals,
        "refused_writes": line.guard.refused,
        "foreign_bit_changes": line.foreign_changes if isinstance(line, WordLine) else 0,
        "was_connected": line.connections_made > 0,
        "connect_attempts": line.connects,
        "reconnects": max(0, line.connections_made - 1),
        "connections_lost": line.connections_lost,
        "next_connect_ms": None if line.connect_wait_ns is None else round(line.connect_wait_ns / 1e6, 3),
        "response_ms": line.response.summary_ms(),
    }


def identity_text(line: Line) -> str | None:
    """What is known of who answers; None where the plan declares nothing."""
    identification = line.identification
    if identification is None:
        return None
    if identification.is_barred:
        return f"another device: {identification.found}"
    return "as declared" if identification.is_right else "not known"


def place_text(point: Point) -> Mapping[str, str]:
    """A place in both ways of numbering."""
    return {"address": str(point), "reference": reference_number(point.table, point.address)}
