"""More connects than a device stands."""

from __future__ import annotations

from collections.abc import Iterator

from wherry.checks.rule import Judged, Rule
from wherry.findings import Finding, Level
from wherry.plan.addresses import by_address
from wherry.plan.durations import duration_text
from wherry.plan.model import Connection, Transfer

PAGE = """\
### What it finds

A controller to which a connection is made for each exchange (`connection = "per exchange"`), and a transfer that
needs more exchanges in an hour than the controller stands connects (`connects`).

### Why it matters

Wherry never connects more often than declared. When the connects of the hour are used up, nothing is carried until
the first of them is an hour old.

### Bad

```toml
[controller.skid]
connect = "tcp://10.20.0.11"
limits = { connects = 20, connection = "per exchange" }

[controller.hall]
connect = "tcp://10.20.0.12"

[transfer.water]
from = "skid"
to = "hall"
every = "1 min"
#       ^^^^^^^
on_loss = "hold"
values = [
  { name = "tank 1 level", take = "holding 2", put = "holding 100" },
]
```

### Good

```toml
[controller.skid]
connect = "tcp://10.20.0.11"
limits = { connects = 20 }

[controller.hall]
connect = "tcp://10.20.0.12"

[transfer.water]
from = "skid"
to = "hall"
every = "1 min"
on_loss = "hold"
values = [
  { name = "tank 1 level", take = "holding 2", put = "holding 100" },
]
```

### How to mend it

Keep the connection (`connection = "hold"`), if the device can spare it, or lengthen the period.
"""

HOUR_NS = 3600 * 1_000_000_000


def check(judged: Judged) -> Iterator[Finding]:
    for group in by_address(judged.plan.controllers):
        names = {each.name for each in group}
        limits = [each.limits for each in group]
        most = min((each.connects_per_hour for each in limits if each.connects_per_hour), default=None)
        opens_each = any(each.connection is Connection.PER_EXCHANGE for each in limits)
        used = [each for each in judged.plan.transfers if names & {each.source, each.destination}]
        if most is None or not opens_each or not used:
            continue
        quickest: Transfer = min(used, key=lambda each: each.period_ns)
        needed = HOUR_NS / quickest.period_ns
        if needed > most:
            yield RULE.finding(
                f"`{quickest.name}` needs more connects to {group[0].name} than it stands",
                (*quickest.path, "every"),
                expected=f"a period of at least {duration_text(-(-HOUR_NS // most))}, or a connection that is kept",
                found=f"{needed:,.0f} connects an hour, and it stands {most}",
                fix='write `connection = "hold"` in its limits, or a longer period',
                related=[("what it stands", (*group[0].path, "limits"))] if group[0].path else (),
            )


RULE = Rule(
    "connects-unreachable", Level.ERROR, "a transfer needs more connects in an hour than a device stands", PAGE, check
)
