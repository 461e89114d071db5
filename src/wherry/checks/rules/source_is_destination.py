"""A transfer from a device to itself."""

from __future__ import annotations

from collections.abc import Iterator

from wherry.checks.notation import device
from wherry.checks.rule import Judged, Rule
from wherry.findings import Finding, Level

PAGE = """\
### What it finds

A transfer whose `from` and `to` are the same controller, or two names of one device (same host, port and unit).

### Why it matters

A controller can copy its own registers without a network. Most often one of the two names is a slip of the pen.

### Bad

```toml
[controller.skid]
connect = "tcp://10.20.0.11"

[controller.hall]
connect = "tcp://10.20.0.12"

[transfer.water]
from = "skid"
to = "skid"
#    ^^^^^^
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
values = [
  { name = "tank 1 level", take = "holding 2", put = "holding 100" },
]
```

### How to mend it

Name the controller that shall receive. If the device really cannot copy its own registers, ignore this warning.
"""


def check(judged: Judged) -> Iterator[Finding]:
    for transfer in (*judged.plan.transfers, *(each.as_transfer for each in judged.plan.commands)):
        if device(judged.source(transfer)) == device(judged.destination(transfer)):
            yield RULE.finding(
                f"`{transfer.name}` carries values from {transfer.source} back to the same device",
                (*transfer.path, "to"),
                expected="another controller than in `from`",
                found=transfer.destination,
                fix="name the controller that shall receive",
                related=[("it comes from here", (*transfer.path, "from"))],
            )


RULE = Rule("source-is-destination", Level.WARNING, "a transfer goes from a device to the same device", PAGE, check)
