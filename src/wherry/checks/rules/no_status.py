"""A receiver that cannot tell when the exchange has stopped."""

from __future__ import annotations

from collections.abc import Iterator

from wherry.checks.rule import Judged, Rule
from wherry.findings import Finding, Level

PAGE = """\
### What it finds

A transfer without `status`.

### Why it matters

A register keeps its last number for ever. Without the heartbeat, quality, age and sequence in the status registers,
the receiving program cannot tell fresh values from values that stopped coming an hour ago.

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

[transfer.water]
from = "skid"
to = "hall"
every = "200 ms"
on_loss = "hold"
status = "holding 96"
values = [
  { name = "tank 1 level", take = "holding 2", put = "holding 100" },
]
```

### How to mend it

Give the transfer four free holding registers in the receiver, and let the receiver's program act when the heartbeat
stops or the quality is not 2 (Good).
"""


def check(judged: Judged) -> Iterator[Finding]:
    for transfer in judged.plan.transfers:
        if transfer.status is None:
            yield RULE.finding(
                f"{transfer.destination} cannot tell when `{transfer.name}` has stopped",
                transfer.path,
                expected="`status`: four holding registers in the receiver",
                found="none",
                fix='add for example `status = "holding 90"` (heartbeat, quality, age in ms, sequence)',
            )


RULE = Rule("no-status", Level.NOTE, "a transfer has no status registers", PAGE, check)
