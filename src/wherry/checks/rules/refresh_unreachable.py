"""A value that is to be written again sooner than it can be."""

from __future__ import annotations

from collections.abc import Iterator

from wherry.checks.rule import Judged, Rule
from wherry.findings import Finding, Level
from wherry.plan.durations import duration_text

PAGE = """\
### What it finds

A `refresh` that is shorter than the transfer's period (`every`), or not longer than the value's own `shortest`.

### Why it matters

`refresh` promises that the value is written at least that often. It can be written once in a period, and not before
`shortest` has passed, so the promise could not be kept.

### Bad

```toml
[controller.skid]
connect = "tcp://10.20.0.11"

[controller.hall]
connect = "tcp://10.20.0.12"

[transfer.water]
from = "skid"
to = "hall"
every = "200 ms"
on_loss = "hold"
max_age = "2 min"
values = [
  { name = "feed rate", take = "holding 2", put = "holding 100", shortest = "1 min", refresh = "30 s" },
#                                                                                              ^^^^^^
]
```

### Good

```toml
[controller.skid]
connect = "tcp://10.20.0.11"

[controller.hall]
connect = "tcp://10.20.0.12"

[transfer.water]
from = "skid"
to = "hall"
every = "200 ms"
on_loss = "hold"
max_age = "2 min"
values = [
  { name = "feed rate", take = "holding 2", put = "holding 100", shortest = "10 s", refresh = "30 s" },
]
```

### How to mend it

Write a longer `refresh`, or a shorter `shortest` or period. If the device forgets sooner than its registers may be
written, it must not be given this value in this way.
"""


def check(judged: Judged) -> Iterator[Finding]:
    for transfer in judged.plan.transfers:
        for value in transfer.values:
            if value.refresh_ns is None:
                continue
            # After the write before was answered, the next one leaves with the first cycle that `shortest` permits.
            soonest_ns = transfer.period_ns
            what, path = "the period", (*transfer.path, "every")
            if value.shortest_ns and value.shortest_ns + transfer.period_ns > soonest_ns:
                soonest_ns = value.shortest_ns + transfer.period_ns
                what, path = "`shortest`, and then the next cycle", (*value.path, "shortest")
            if value.refresh_ns < soonest_ns:
                yield RULE.finding(
                    f"`{value.name}` cannot be written again every {duration_text(value.refresh_ns)}",
                    (*value.path, "refresh"),
                    expected=f"at least {duration_text(soonest_ns)}",
                    found=duration_text(value.refresh_ns),
                    fix=f"write `refresh` as {duration_text(soonest_ns)} or more",
                    related=[(what, path)],
                )


RULE = Rule("refresh-unreachable", Level.ERROR, "`refresh` is shorter than a value can be written", PAGE, check)
