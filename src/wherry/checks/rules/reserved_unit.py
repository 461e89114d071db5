"""A unit id that the serial line standard reserves."""

from __future__ import annotations

from collections.abc import Iterator

from wherry.checks.rule import Judged, Rule
from wherry.findings import Finding, Level
from wherry.limits import UNIT_SERIAL_MAX
from wherry.plan.model import Framing

PAGE = """\
### What it finds

A controller behind RTU framing with a unit id from 248 to 255.

### Why it matters

On a serial line these ids are reserved (Modbus over Serial Line V1.02, 2.2); few devices can be set to one. Id 255
is right only for a device that is on the network by itself.

### Bad

```toml
[controller.skid]
connect = "rtu+tcp://10.20.0.11:4001"
unit = 255
#      ^^^

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

### Good

```toml
[controller.skid]
connect = "rtu+tcp://10.20.0.11:4001"
unit = 7

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

Give the unit id that is set in the device.
"""


def check(judged: Judged) -> Iterator[Finding]:
    for controller in judged.plan.controllers:
        if controller.framing is Framing.RTU and controller.unit > UNIT_SERIAL_MAX:
            yield RULE.finding(
                f"{controller.name} is unit {controller.unit} on a serial line, and ids above 247 are reserved there",
                (*controller.path, "unit"),
                expected="a unit id from 1 to 247",
                found=str(controller.unit),
                fix="give the unit id that is set in the device",
            )


RULE = Rule("reserved-unit", Level.WARNING, "a unit id above 247 on a serial line", PAGE, check)
