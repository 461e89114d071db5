"""How much room a plan leaves, and what to slow down where it leaves none, as plain data."""

from __future__ import annotations

from typing import Any, Final

from wherry.budget.document import milliseconds
from wherry.timing.budget import Budget, TransferBudget
from wherry.timing.margins import period_margin, response_margin
from wherry.timing.relief import relief
from wherry.timing.silent import silent_unit

WORK_MAX: Final = 1_000
"""Requests times margins: of a large plan only those of the most used controllers are computed, then those of the
transfers with the least in reserve."""
REQUESTS_MAX: Final = 3_000
"""Of a plan of more requests there are no margins."""


def room_data(found: Budget) -> dict[str, Any]:
    """The margins of a plan that fits; of one that does not, which transfers to slow down."""
    room: dict[str, Any] = {"controllers": {}, "transfers": {}, "relief": None, "silent": {}}
    count = len(found.system.requests)
    if count > REQUESTS_MAX:
        return room
    if not found.fits:
        helps = relief(found)
        if helps is not None:
            room["relief"] = {
                "transfers": [
                    {
                        "transfer": each.transfer,
                        "period_ms": milliseconds(each.now_ns),
                        "then_ms": milliseconds(each.then_ns),
                    }
                    for each in helps.transfers
                ],
                "is_fewest": helps.is_fewest,
            }
        return room
    left = max(2, WORK_MAX // max(1, count))
    for line in sorted(found.lines, key=lambda each: -each.utilisation):
        for name in line.controllers[:left]:
            left -= 1
            margin = response_margin(found, name)
            room["controllers"][name] = {
                "slowest_ms": milliseconds(margin.now_ns),
                "may_take_ms": milliseconds(margin.most_ns),
            }
    for each in sorted(found.transfers, key=lambda each: -_share(each))[:left]:
        room["transfers"][each.name] = {
            "period_ms": milliseconds(each.period_ns),
            "shortest_ms": milliseconds(period_margin(found, each.name).least_ns),
        }
    room["silent"] = _silent_data(found)
    return room


def _silent_data(found: Budget) -> dict[str, Any]:
    """What becomes of the others when a unit of a shared address does not answer."""
    shared = [name for line in found.lines if len(line.controllers) > 1 for name in line.controllers]
    silent = {}
    for name in shared[: max(2, WORK_MAX // max(1, len(found.system.requests)))]:
        unit = silent_unit(found, name)
        assert unit is not None, "its address is shared"
        silent[name] = {
            "timeout_ms": milliseconds(unit.timeout_ns),
            "asked_again_ms": milliseconds(unit.probe_ns),
            "noticed_ms": milliseconds(unit.first_ns),
            "worst_ms": {each: milliseconds(worst_ns) for each, worst_ns in unit.worst_ns.items()},
            "late": list(unit.late),
        }
    return silent


def _share(each: TransferBudget) -> float:
    """How much of its period a transfer takes."""
    return (each.worst_ns or 0) / each.period_ns
