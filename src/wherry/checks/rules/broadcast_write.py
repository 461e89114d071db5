"""Writing to unit 0."""

from __future__ import annotations

from collections.abc import Iterator

from wherry.checks.rule import Judged, Rule
from wherry.findings import Finding, Level
from wherry.limits import UNIT_BROADCAST

PAGE = """\
### What it finds

A transfer whose `to` is a controller with `unit = 0`.

### Why it matters

Unit 0 is the broadcast address (Modbus over Serial Line V1.02, 2.2): behind a gateway every device on the line
carries out the write, and none answers. Nothing tells whether it arrived.

### Bad

```toml
[controller.skid]
connect = "tcp://10.20.0.11"

[controller.hall]
connect = "tcp://10.20.0.12"
unit = 0
#      ^

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
unit = 255

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

Give the unit id of the device. A controller that is connected to the network by itself, not behind a gateway, takes
255 or 1 (Modbus Messaging on TCP/IP V1.0b, 4.4.1.2, recommends 255).
"""


def check(judged: Judged) -> Iterator[Finding]:
    for controller in judged.plan.controllers:
        if controller.unit != UNIT_BROADCAST:
            continue
        written = [each for each in judged.plan.putting if each.destination == controller.name]
        if written:
            yield RULE.finding(
                f"{controller.name} is unit 0, and a write to unit 0 goes to every device on the line",
                (*controller.path, "unit"),
                expected="a unit id from 1 to 255",
                found="0",
                fix="give the device's own unit id; 255 or 1 if it is not behind a gateway",
                related=[(f"transfer `{each.name}` writes to it", (*each.path, "to")) for each in written[:3]],
            )


RULE = Rule(
    "broadcast-write", Level.ERROR, "values are put to unit 0, which stands for every device on the line", PAGE, check
)
