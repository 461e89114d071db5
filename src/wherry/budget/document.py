"""The budget as one plain document: what is printed, drawn, saved and given to programs.

Its keys are documented in docs/budget.md and stable. The same plan and measurements give the same document.
"""

from __future__ import annotations

from typing import Any, Final

from wherry.budget.advice import Advice
from wherry.clock import NS_PER_MS
from wherry.plan.model import Framing, reference_number
from wherry.timing.budget import Budget, LineBudget, RequestBudget, Talk, TransferBudget, ValueBudget
from wherry.timing.conditions import Measured

PROTOCOLS: Final = {Framing.MBAP: "Modbus TCP", Framing.RTU: "Modbus RTU over TCP"}


def milliseconds(duration_ns: int | None) -> float | None:
    """To the nanosecond, so that a bound stays one; None stays None: there is no bound."""
    return None if duration_ns is None else round(duration_ns / NS_PER_MS, 6)


def document(budget: Budget) -> dict[str, Any]:
    """The whole of it but for the advice."""
    plan, measured = budget.plan, budget.measured
    conditions = budget.conditions
    late = [each.name for each in budget.transfers if not each.fits]
    aged = [each.name for each in budget.transfers if each.fits and not each.is_fresh]
    over = [list(each.controllers) for each in budget.lines if each.utilisation > 1]
    return {
        "plan": plan.file,
        "title": plan.title,
        "is_in_time": not (late or aged or over),
        "late": late,
        "aged": aged,
        "over": over,
        "measured": None if measured is None else sorted(measured.responses),
        "measured_reads_only": [] if measured is None else reads_only(budget, measured),
        "assumed": {
            "latency_ms": milliseconds(conditions.latency_ns),
            "bytes_per_s": conditions.bytes_per_s,
            "handle_ms": milliseconds(conditions.handle_ns),
            "wake_ms": milliseconds(conditions.wake_ns),
            "responses_of": list(
                dict.fromkeys(each.controller for line in budget.lines for each in line.requests if each.is_assumed)
            ),
        },
        "age_worst_ms": milliseconds(age_worst(budget)),
        "lines": [line_data(each) for each in budget.lines],
        "transfers": {each.name: transfer_data(each) for each in budget.transfers},
        "talks": [talk_data(each) for each in budget.talks],
    }


def age_worst(budget: Budget) -> int | None:
    """Of the oldest value of all; None if one has no bound, or there is none."""
    ages = [each.age_worst_ns for each in budget.transfers]
    return None if None in ages else max((each for each in ages if each is not None), default=None)


def reads_only(budget: Budget, measured: Measured) -> list[str]:
    """The controllers that the plan writes to, and that were measured in a run that could only read them."""
    if measured.armed is None:
        return []
    written = {each.controller for line in budget.lines for each in line.requests if each.is_write}
    return sorted(written & measured.responses.keys() - measured.armed)


def line_data(line: LineBudget) -> dict[str, Any]:
    """One address, as plain data."""
    return {
        "controllers": list(line.controllers),
        "host": line.host,
        "port": line.port,
        "protocol": PROTOCOLS[line.framing],
        "units": list(line.units),
        "connections": line.connections,
        "in_flight": line.in_flight,
        "requests_per_s": round(line.requests_per_s, 3),
        "utilisation": round(line.utilisation, 6),
        "utilisation_declared": round(line.utilisation_declared, 6),
        "longest_busy_ms": milliseconds(line.longest_busy_ns),
        "bytes_per_s": round(line.bytes_per_s, 1),
        "frames_per_s": round(line.frames_per_s, 3),
        "openings_per_s": round(line.openings_per_s, 3),
        "opening_ms": milliseconds(line.opening_ns),
        "is_by_phase": line.is_by_phase,
        "is_in_time": line.fits,
        "deciding": None if line.deciding is None else request_data(line.deciding),
        "requests": [request_data(each) for each in line.requests],
    }


def request_data(request: RequestBudget) -> dict[str, Any]:
    """One request, as plain data."""
    span = request.span
    return {
        "controller": request.controller,
        "action": "write" if request.is_write and request.function not in (1, 2, 3, 4) else "read",
        "function": request.function,
        "table": str(span.table),
        "address": span.start,
        "count": span.count,
        "number_first": reference_number(span.table, span.start),
        "number_last": reference_number(span.table, span.last),
        "carries": [{"transfer": transfer, "value": value} for transfer, value in request.carries],
        "period_ms": milliseconds(request.period_ns),
        "service_ms": milliseconds(request.service_ns),
        "slot_ms": milliseconds(request.slot_ns),
        "worst_ms": milliseconds(request.worst_ns),
        "deadline_ms": milliseconds(request.deadline_ns),
        "slack_ms": milliseconds(request.slack_ns),
        "is_assumed": request.is_assumed,
        "is_rare": request.is_rare,
    }


def transfer_data(transfer: TransferBudget) -> dict[str, Any]:
    """One transfer, as plain data."""
    return {
        "from": transfer.source,
        "to": transfer.destination,
        "period_ms": milliseconds(transfer.period_ns),
        "max_age_ms": milliseconds(transfer.max_age_ns),
        "worst_ms": milliseconds(transfer.worst_ns),
        "whole_ms": milliseconds(transfer.whole_ns),
        "readings": transfer.readings,
        "is_in_time": transfer.fits,
        "is_fresh": transfer.is_fresh,
        "age_worst_ms": milliseconds(transfer.age_worst_ns),
        "age_typical_ms": milliseconds(transfer.age_typical_ns),
        "source_lost_told_ms": milliseconds(transfer.loss.source_bad_ns),
        "source_lost_why_not": transfer.loss.why_no_bound,
        "heartbeat_gap_ms": milliseconds(transfer.loss.heartbeat_gap_ns),
        "deciding": None if transfer.deciding is None else request_data(transfer.deciding),
        "values": [value_data(each) for each in transfer.values],
    }


def value_data(value: ValueBudget) -> dict[str, Any]:
    """One value, as plain data."""
    return {
        "name": value.name,
        "age_at_delivery_worst_ms": milliseconds(value.at_delivery_worst_ns),
        "age_worst_ms": milliseconds(value.worst_ns),
        "age_typical_ms": milliseconds(value.typical_ns),
    }


def advice_data(advice: Advice) -> dict[str, Any]:
    """One change that saves requests, as plain data."""
    return {
        "kind": advice.kind,
        "controller": advice.controller,
        "transfers": list(advice.transfers),
        "words": advice.words,
        "requests_saved_per_s": round(advice.requests_saved_per_s, 3),
        "busy_saved_ms_per_s": milliseconds(round(advice.busy_saved_ns_per_s)),
        "age_saved_ms": milliseconds(advice.age_saved_ns),
        "age_saved_of": advice.age_saved_of,
    }


def talk_data(talk: Talk) -> dict[str, Any]:
    """Who talks to whom, as plain data."""
    return {
        "to": talk.host,
        "port": talk.port,
        "transport": "tcp",
        "protocol": talk.protocol,
        "connections": talk.connections,
        "controllers": list(talk.controllers),
        "functions": list(talk.functions),
        "writes": talk.writes,
    }
