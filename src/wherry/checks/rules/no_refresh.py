"""A value that is written once and never again while it does not change."""

from __future__ import annotations

from collections.abc import Iterator

from wherry.checks.rule import Judged, Rule
from wherry.findings import Finding, Level

PAGE = """\
### What it finds

A value that is written on change, without `refresh`.

### Why it matters

It is written again when the connection to the receiver was lost, but a device can forget what it was given without
that: its program is loaded anew, somebody else writes over it, it restarts behind a gateway. Then it keeps the wrong
value until the next change, and the transfer is Good all the while.

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
values = [
  { name = "feed rate", take = "holding 2", put = "holding 100", deadband = 0.5 },
#                                                                ^^^^^^^^
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
  { name = "feed rate", take = "holding 2", put = "holding 100", deadband = 0.5, refresh = "1 min" },
]
```

### How to mend it

Add `refresh`, unless the register wears out by being written and the device is known to remember.
"""


def check(judged: Judged) -> Iterator[Finding]:
    for transfer in judged.plan.transfers:
        for value in transfer.values:
            if value.is_on_change and value.refresh_ns is None:
                key = "deadband" if value.deadband is not None else "shortest"
                yield RULE.finding(
                    f"`{value.name}` is not written again while it does not change",
                    (*value.path, key),
                    expected="`refresh`, for a receiver that can forget",
                    fix='add `refresh`, for example `refresh = "1 min"`',
                    on_key=True,
                )


RULE = Rule("no-refresh", Level.NOTE, "a value that is written on change is never written again", PAGE, check)
