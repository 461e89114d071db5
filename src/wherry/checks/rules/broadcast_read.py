"""Reading from unit 0 on a serial line."""

from __future__ import annotations

from collections.abc import Iterator

from wherry.checks.rule import Judged, Rule
from wherry.findings import Finding, Level
from wherry.limits import UNIT_BROADCAST
from wherry.plan.model import Framing

PAGE = """\
### What it finds

A transfer whose `from` is a controller with `unit = 0` behind RTU framing.

### Why it matters

On a serial line unit 0 is the broadcast address: it is for writing only, and no device answers it (Modbus over
Serial Line V1.02, 2.1). Every read would time out.

### Bad

```toml
[controller.skid]
connect = "rtu+tcp://10.20.0.11:4001"
unit = 0
#      ^

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
    sources = {each.source for each in judged.plan.putting}
    for controller in judged.plan.controllers:
        is_serial = controller.framing is Framing.RTU
        if is_serial and controller.unit == UNIT_BROADCAST and controller.name in sources:
            yield RULE.finding(
                f"{controller.name} is unit 0 on a serial line, and nothing answers there",
                (*controller.path, "unit"),
                expected="a unit id from 1 to 247",
                found="0",
                fix="give the unit id that is set in the device",
            )


RULE = Rule(
    "broadcast-read", Level.ERROR, "values are taken from unit 0 of a serial line, which never answers", PAGE, check
)
