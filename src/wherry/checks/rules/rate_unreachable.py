"""More than a controller can answer."""

from __future__ import annotations

from collections.abc import Iterator

from wherry.checks.load import Load, loads, together
from wherry.checks.notation import number, percent
from wherry.checks.rule import Judged, Rule
from wherry.findings import Finding, Level

PAGE = """\
### What it finds

A controller whose utilisation is over 1 (an error) or over 0.7 (a warning). The utilisation is the part of the time
that the controller needs for the requests of the plan, by its declared response time and gap, or the requests per
second as a part of its declared rate; the larger of the two counts. A response time that is not declared is assumed
(5 ms and 20 us for each register); an assumption alone gives a warning, never an error. The units behind one address
share a connection, so that their utilisations are also judged together.

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

UTILISATION_HIGH = 0.7
"""Above this there is too little in reserve (common practice, no source)."""


def check(judged: Judged) -> Iterator[Finding]:
    found = loads(judged.sweeps, judged.controllers, judged.plan.commands)
    for load in [*found, *together(found)]:
        if load.utilisation_declared > 1:
            yield _finding(load, Level.ERROR, f"{load.controller.name} cannot keep up with this plan")
        elif load.utilisation_declared > UTILISATION_HIGH:
            yield _finding(load, Level.WARNING, f"{load.controller.name} has little in reserve")
        elif load.utilisation > UTILISATION_HIGH:
            word = "may not keep up" if load.utilisation > 1 else "may have little in reserve"
            yield _finding(load, Level.WARNING, f"{load.controller.name} {word}, if it answers as fast as assumed")


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
    key = "limits" if by_rate or not response.is_declared else "response"
    return RULE.finding(
        message,
        (*load.heaviest.path, "every"),
        level=level,
        expected=f"utilisation at most {percent(UTILISATION_HIGH)}",
        found=f"{percent(load.utilisation)}: {found}",
        fix=f"make the periods {factor:.1f} times as long, or carry it in fewer requests (see --requests)",
        related=[(f"what {load.controller.name} stands", (*load.controller.path, key))],
    )


RULE = Rule("rate-unreachable", Level.ERROR, "a controller cannot answer as much as the plan asks of it", PAGE, check)
