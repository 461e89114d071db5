"""Nothing declared for the time when the source is lost."""

from __future__ import annotations

from collections.abc import Iterator

from wherry.checks.rule import Judged, Rule
from wherry.findings import Finding, Level

PAGE = """\
### What it finds

A transfer without `on_loss`. It then holds: the receiver keeps the last values.

### Why it matters

What the receiver shall see while the source is lost is a decision about the process, and only somebody who knows
the process can take it. Holding the last value is right for a set point and may be wrong for a level.

### Bad

```toml
[controller.skid]
connect = "tcp://10.20.0.11"

[controller.hall]
connect = "tcp://10.20.0.12"

[transfer.water]
#         ^^^^^
from = "skid"
to = "hall"
every = "200 ms"
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

[transfer.water]
from = "skid"
to = "hall"
every = "200 ms"
on_loss = "hold"
values = [
  { name = "tank 1 level", take = "holding 2", put = "holding 100" },
]
```

### How to mend it

Write `on_loss = "hold"` to keep the last values, or `on_loss = "substitute"` and a `substitute` for each value.
"""


def check(judged: Judged) -> Iterator[Finding]:
    for transfer in judged.plan.transfers:
        if not transfer.on_loss_is_declared:
            yield RULE.finding(
                f"`{transfer.name}` does not say what {transfer.destination} gets while {transfer.source} is lost",
                transfer.path,
                expected='`on_loss = "hold"` or `on_loss = "substitute"`',
                found="nothing: it holds the last values",
                fix="decide with whoever owns the process, and write `on_loss`",
            )


RULE = Rule("no-behaviour-on-loss", Level.WARNING, "`on_loss` is not declared", PAGE, check)
