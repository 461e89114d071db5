"""One device under two names."""

from __future__ import annotations

from collections.abc import Iterator

from wherry.checks.notation import device
from wherry.checks.rule import Judged, Rule
from wherry.findings import Finding, Level
from wherry.plan.model import Controller

PAGE = """\
### What it finds

Two controllers with the same host, port and unit.

### Why it matters

What is known of a device is kept for each name: under two names its figures are split, and each half looks well
while the whole is not. And a unit that was forgotten reads the wrong device.

### Bad

```toml
[controller.skid]
connect = "tcp://10.20.0.11"

[controller.hall]
connect = "tcp://10.20.0.12"

[controller.feeders]
connect = "tcp://10.20.0.12"
#         ^^^^^^^^^^^^^^^^^^

[transfer.water]
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

[controller.feeders]
connect = "tcp://10.20.0.12"
unit = 2

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

Use one name for one device. For two devices behind one gateway, give each its own `unit`.
"""


def check(judged: Judged) -> Iterator[Finding]:
    first: dict[tuple[str, int, int], Controller] = {}
    for controller in judged.plan.controllers:
        other = first.setdefault(device(controller), controller)
        if other is not controller:
            yield RULE.finding(
                f"{controller.name} is the same device as {other.name}",
                (*controller.path, "connect"),
                expected="another host, port or unit",
                found=f"{controller.host} port {controller.port} unit {controller.unit}, as {other.name}",
                fix="use one name for one device, or give the right `unit`",
                related=[(f"{other.name} connects here", (*other.path, "connect"))],
            )


RULE = Rule(
    "two-controllers-one-device", Level.WARNING, "two controllers have the same host, port and unit", PAGE, check
)
