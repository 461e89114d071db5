"""A proposed exchange block as one plain document, and the mapping from old places to new ones as CSV."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from typing import Any, Final

from wherry.budget.document import milliseconds
from wherry.budget.exchange_block import Part, Proposal
from wherry.plan.model import Plan, Point, Span, reference_number
from wherry.timing.budget import Budget

MAPPING_COLUMNS: Final = ("controller", "transfer", "value", "side", "old", "old_number", "new", "new_number")


def block_document(plan: Plan, proposal: Proposal, before: Budget, after: Budget) -> dict[str, Any]:
    """All that is proposed, and what it comes to."""
    return {
        "plan": plan.file,
        "title": plan.title,
        "blocks": {each.controller: [part_data(plan, part) for part in each.parts] for each in proposal.blocks},
        "reordered": {
            name: [plan_transfer.values[at].name for at in order]
            for name, order in proposal.orders.items()
            for plan_transfer in plan.transfers
            if plan_transfer.name == name
        },
        "lines": [
            {
                "controllers": list(was.controllers),
                "requests_per_s": change(round(was.requests_per_s, 3), round(becomes.requests_per_s, 3)),
                "utilisation": change(round(was.utilisation, 6), round(becomes.utilisation, 6)),
            }
            for was, becomes in zip(before.lines, after.lines, strict=True)
        ],
        "transfers": {
            was.name: {
                "worst_ms": change(milliseconds(was.worst_ns), milliseconds(becomes.worst_ns)),
                "age_worst_ms": change(milliseconds(was.age_worst_ns), milliseconds(becomes.age_worst_ns)),
                "age_typical_ms": change(milliseconds(was.age_typical_ns), milliseconds(becomes.age_typical_ns)),
            }
            for was, becomes in zip(before.transfers, after.transfers, strict=True)
        },
        "moves": mapping(proposal),
    }


def change(was: float | None, becomes: float | None) -> dict[str, float | None]:
    """A figure of the plan as it is, and of the plan with the block."""
    return {"was": was, "becomes": becomes}


def part_data(plan: Plan, part: Part) -> dict[str, Any]:
    """One run of a block."""
    span = part.span
    periods = {milliseconds(each.period_ns) for each in plan.transfers if each.name in part.transfers}
    return {
        "table": str(span.table),
        "address": span.start,
        "count": span.count,
        "number_first": reference_number(span.table, span.start),
        "number_last": reference_number(span.table, span.last),
        "side": "put" if part.is_put else "take",
        "transfers": list(part.transfers),
        "period_ms": min(periods, default=None, key=lambda each: each or 0.0),
    }


def mapping(proposal: Proposal) -> list[dict[str, str]]:
    """Everything that moves, in the order of the plan; ``old`` is empty for what the plan did not have."""
    return [
        {
            "controller": each.controller,
            "transfer": each.transfer,
            "value": each.value,
            "side": each.side,
            "old": "" if each.old is None else str(each.old),
            "old_number": "" if each.old is None else number_of(each.old),
            "new": str(each.new),
            "new_number": number_of(each.new),
        }
        for each in proposal.moves.listed()
    ]


def number_of(place: Point | Span) -> str:
    """The reference number, with the bit behind it or as a run: ``40101``, ``40101.3``, ``40101..40104``."""
    if isinstance(place, Point) and place.bit is not None:
        return f"{reference_number(place.table, place.address)}.{place.bit}"
    span = place.span if isinstance(place, Point) else place
    first = reference_number(span.table, span.start)
    return first if span.count == 1 else f"{first}..{reference_number(span.table, span.last)}"


def mapping_csv(rows: Sequence[dict[str, str]]) -> bytes:
    """The mapping as CSV, in UTF-8 with commas (RFC 4180)."""
    text = io.StringIO(newline="")
    writer = csv.DictWriter(text, MAPPING_COLUMNS, lineterminator="\r\n")
    writer.writeheader()
    writer.writerows(rows)
    return text.getvalue().encode("utf-8")
