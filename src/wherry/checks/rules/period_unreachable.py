"""A cycle that takes longer than its period."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace

from wherry.checks.load import overloaded
from wherry.checks.notation import references
from wherry.checks.rule import Judged, Rule
from wherry.findings import Finding, Level
from wherry.packing.layout import Sweep
from wherry.plan.durations import duration_text
from wherry.plan.model import Plan, ResponseTime, Transfer
from wherry.timing.bounds import does_fit
from wherry.timing.budget import RequestBudget, TransferBudget, budget_of, late_ns_of
from wherry.timing.conditions import IDEAL
from wherry.timing.margins import can_fit
from wherry.timing.system import Chain, System, system_of

PAGE = """\
### What it finds

A transfer whose cycle, from its release to the reply to its last write, may take longer than its period. That is an
error when the cycle takes longer even by itself, by the response times that are declared alone, so that no order and no
luck can help. It is a warning when it takes longer only because other requests come in between, or because of response
times that are assumed. The request that takes most of the period is named.

### Why it matters

A cycle that is still at work when the next one is due makes that one be skipped: the values are older than the plan
says, and nothing else tells.

### Bad

```toml
[controller.skid]
connect = "tcp://10.20.0.11"
response = { fixed = "110 ms" }

[controller.hall]
connect = "tcp://10.20.0.12"
response = { fixed = "110 ms" }

[transfer.water]
from = "skid"
to = "hall"
every = "200 ms"
#       ^^^^^^^^
on_loss = "hold"
values = [
  { name = "tank 1 level", take = "holding 2", put = "holding 100" },
]
```

### Good

```toml
[controller.skid]
connect = "tcp://10.20.0.11"
response = { fixed = "110 ms" }

[controller.hall]
connect = "tcp://10.20.0.12"
response = { fixed = "110 ms" }

[transfer.water]
from = "skid"
to = "hall"
every = "500 ms"
on_loss = "hold"
values = [
  { name = "tank 1 level", take = "holding 2", put = "holding 100" },
]
```

### How to mend it

Lengthen the period, or that of others that ask the same controllers; put the values closer together so that fewer
requests carry them. `wherry budget` shows how long every request waits for which, and names the fewest transfers to
slow down.
"""


def check(judged: Judged) -> Iterator[Finding]:
    plan = judged.plan
    conditions, system = judged.conditions, judged.system
    if not system.tasks:
        return
    late_ns = late_ns_of(conditions, None)
    # Most plans fit in any phase, which is soon known.
    if can_fit(system) and does_fit(system, late_ns, by_phase=False):
        return
    certain = _by_themselves(plan, judged.sweeps)
    found = budget_of(plan, system, conditions, None)
    over = set(overloaded(judged))
    for transfer, each in zip(plan.transfers, found.transfers, strict=True):
        alone_ns = certain[each.name]
        # Of addresses that are asked too much, and of readings that are too far apart, other findings tell.
        is_told = alone_ns < each.period_ns and not over.isdisjoint((each.source, each.destination))
        if transfer.careful is not None and (transfer.careful.gap_ns or 0) >= transfer.period_ns:
            is_told = True
        if not each.fits and not is_told:
            yield _finding(plan, transfer, each, alone_ns)


def _by_themselves(plan: Plan, sweeps: Sequence[Sweep]) -> Mapping[str, int]:
    """How long each cycle takes at least when nothing else is asked, by what is declared alone."""
    nothing = ResponseTime(0, 0)
    declared = replace(
        plan,
        controllers=tuple(
            each if each.response.is_declared else replace(each, response=nothing) for each in plan.controllers
        ),
    )
    system = system_of(declared, IDEAL.with_declared(plan), sweeps=sweeps)
    return {chain.name: _by_itself(system, chain) for chain in system.chains if chain.transfer is not None}


def _by_itself(system: System, chain: Chain) -> int:
    """Its stages one after the other, and in them the requests to one address, where that takes one at a time."""
    whole_ns = 0
    for stage in chain.usual_stages:
        asked = [system.requests[at] for at in stage.requests]
        whole_ns += stage.pause_ns + max((each.work.exchange_ns for each in asked), default=0)
        for lane in {each.lane for each in asked}:
            if system.lanes[lane].is_plain:
                works = [each.work for each in asked if each.lane == lane]
                queued_ns = sum(each.slot_ns for each in works[:-1]) + works[-1].exchange_ns
                whole_ns += max(0, queued_ns - max(each.work.exchange_ns for each in asked))
    return whole_ns


def _finding(plan: Plan, transfer: Transfer, late: TransferBudget, alone_ns: int) -> Finding:
    period = duration_text(late.period_ns)
    is_certain = alone_ns >= late.period_ns
    if is_certain:
        message, found = (
            f"a cycle of {late.name} cannot be over within its period",
            f"{duration_text(alone_ns)} by itself",
        )
    else:
        message = f"a cycle of {late.name} may take longer than its period"
        found = "no bound" if late.worst_ns is None else f"up to {duration_text(late.worst_ns)}"
    deciding = late.deciding
    related = []
    if deciding is not None:
        found += f"; most of it for {_words(deciding)}"
        path = next(each.path for each in plan.controllers if each.name == deciding.controller)
        related.append((f"what {deciding.controller} stands", (*path, "response")))
    return RULE.finding(
        message,
        (*transfer.path, "every"),
        level=Level.ERROR if is_certain else Level.WARNING,
        expected=f"less than {period}",
        found=found,
        fix="lengthen this period or others, or carry it in fewer requests; `wherry budget` tells which",
        related=related,
    )


def _words(request: RequestBudget) -> str:
    """``reading holding 2..9 (40003..40010) of skid``."""
    action = "writing" if request.is_write else "reading"
    waited = "" if request.worst_ns is None else f" ({duration_text(request.worst_ns)})"
    return f"{action} {request.span} ({references(request.span)}) of {request.controller}{waited}"


RULE = Rule("period-unreachable", Level.ERROR, "a cycle cannot be over within its period", PAGE, check)
