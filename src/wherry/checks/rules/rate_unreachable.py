"""More than a controller can answer."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from wherry.checks.load import NS_PER_S, Load, address_of, loads, together
from wherry.checks.notation import number, percent
from wherry.checks.rule import Judged, Rule
from wherry.findings import Finding, Level
from wherry.timing.budget import UTILISATION_HIGH, utilisations_of
from wherry.timing.system import Lane

PAGE = """\
### What it finds

A controller whose utilisation is over 1 (an error) or over 0.7 (a warning). The utilisation is the part of the time
that the controller needs for the requests of the plan, by its declared response time and gap, or the requests per
second as a part of its declared rate; the larger of the two counts. A response time that is not declared is assumed
(5 ms and 20 us for each register); an assumption alone gives a warning, never an error. The units behind one address
share a connection, so that their utilisations are also judged together.

For the warning all counts that `wherry budget` counts: the network and this computer, too, and that an address serves
one request at a time, however many are under way. So it is given where the budget says that little is left, or that
what is asked cannot be served.

### Why it matters

Beyond 1 the periods cannot be kept, whatever the tool does: cycles are skipped. Beyond 0.7 there is little room for
a repeated connection, a slow answer or another client (common practice, no source).

### Bad

```toml
[controller.skid]
connect = "tcp://10.20.0.11"

[controller.hall]
connect = "tcp://10.20.0.12"
limits = { rate = 4 }

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

[controller.hall]
connect = "tcp://10.20.0.12"
limits = { rate = 4 }

[transfer.water]
from = "skid"
to = "hall"
every = "1 s"
on_loss = "hold"
values = [
  { name = "tank 1 level", take = "holding 2", put = "holding 100" },
]
```

### How to mend it

Lengthen the periods, put the values closer together so that fewer requests carry them, declare gaps as `readable`,
or raise what is declared if the controller stands more. `wherry check --requests` shows every request.
"""


def check(judged: Judged) -> Iterator[Finding]:
    found = loads(judged.sweeps, judged.controllers, judged.plan.commands)
    over = set()
    for load in [*found, *together(found)]:
        if load.utilisation_declared > 1:
            yield _finding(load, Level.ERROR, f"{load.controller.name} cannot keep up with this plan")
        elif load.utilisation > 1:
            message = f"{load.controller.name} may not keep up, if it answers as fast as assumed"
            yield _finding(load, Level.WARNING, message)
        if load.utilisation > 1:
            over.add(address_of(load.controller))
    system = judged.system
    for index, (lane, used) in enumerate(zip(system.lanes, utilisations_of(system), strict=True)):
        names = [each.name for each in lane.controllers]
        asked = [each for each in found if each.controller.name in names]
        if address_of(lane.controllers[0]) not in over and asked and used[0] > UTILISATION_HIGH:
            per_s = sum(
                NS_PER_S / system.tasks[each.task].period_ns
                for each in system.requests
                if each.lane == index and not each.is_rare
            )
            yield _finding_of_lane(lane, asked, used, per_s)


def _finding_of_lane(lane: Lane, asked: Sequence[Load], used: tuple[float, float], per_s: float) -> Finding:
    """An address of which little is left when all counts that the budget counts."""
    utilisation, declared = used
    first = max(asked, key=lambda each: each.utilisation)
    name = first.controller.name
    if len(lane.controllers) > 1:
        name = f"the address of {lane.controllers[0].name} and {len(lane.controllers) - 1} more"
    if utilisation > 1:
        message = f"{name} may not keep up"
    elif declared > UTILISATION_HIGH:
        message = f"{name} has little in reserve"
    else:
        message = f"{name} may have little in reserve, if it answers as fast as assumed"
    each_ms = utilisation / per_s * 1000
    return RULE.finding(
        message,
        (*first.heaviest.path, "every"),
        level=Level.WARNING,
        expected=f"utilisation at most {percent(UTILISATION_HIGH)}",
        found=f"{percent(utilisation)}: {per_s:.1f} requests a second, {each_ms:.1f} ms each with the network",
        fix=f"make the periods {utilisation / UTILISATION_HIGH:.1f} times as long, or carry it in fewer requests "
        "(see --requests)",
        related=[(f"what {first.controller.name} stands", (*first.controller.path, _key(first)))],
    )


def _finding(load: Load, level: Level, message: str) -> Finding:
    limits, response = load.controller.limits, load.controller.response
    by_rate = load.utilisation_by_rate >= load.utilisation_by_time
    if by_rate:
        assert limits.requests_per_s is not None
        found = f"{load.requests_per_s:.1f} requests a second, and it stands {number(limits.requests_per_s)}"
    else:
        word = "" if response.is_declared else " assumed"
        found = f"{load.requests_per_s:.1f} requests a second, {load.busy_ms_per_request:.1f} ms each{word}" + (
            f", {limits.in_flight} at a time" if limits.in_flight > 1 else ""
        )
    factor = load.utilisation / UTILISATION_HIGH
    return RULE.finding(
        message,
        (*load.heaviest.path, "every"),
        level=level,
        expected=f"utilisation at most {percent(UTILISATION_HIGH)}",
        found=f"{percent(load.utilisation)}: {found}",
        fix=f"make the periods {factor:.1f} times as long, or carry it in fewer requests (see --requests)",
        related=[(f"what {load.controller.name} stands", (*load.controller.path, _key(load)))],
    )


def _key(load: Load) -> str:
    """What of the controller decides."""
    by_rate = load.utilisation_by_rate >= load.utilisation_by_time
    return "limits" if by_rate or not load.controller.response.is_declared else "response"


RULE = Rule("rate-unreachable", Level.ERROR, "a controller cannot answer as much as the plan asks of it", PAGE, check)
