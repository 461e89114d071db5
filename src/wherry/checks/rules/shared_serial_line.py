"""Two controllers behind one serial port."""

from __future__ import annotations

from collections.abc import Iterator

from wherry.checks.rule import Judged, Rule
from wherry.findings import Finding, Level
from wherry.plan.model import Controller, Framing

PAGE = """\
### What it finds

Two controllers with RTU framing and the same host and port: two units on one serial line, behind a server that only
passes bytes on.

### Why it matters

Wherry makes a connection for each controller and sends to both at the same time. A server that only passes bytes on
may mix the two on the line, or give one the answer that was meant for the other (RTU framing has no transaction
ids).

### Bad

```toml
[controller.skid]
connect = "rtu+tcp://10.20.0.11:4001"
unit = 1

[controller.hall]
connect = "rtu+tcp://10.20.0.11:4001"
#         ^^^^^^^^^^^^^^^^^^^^^^^^^^^
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

### Good

```toml
[controller.skid]
connect = "tcp://10.20.0.11:502"
unit = 1

[controller.hall]
connect = "tcp://10.20.0.11:502"
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

Set the serial port server to translate Modbus TCP, if it can, and connect with `tcp://`. Otherwise make sure that
it serves one connection after the other.
"""


def check(judged: Judged) -> Iterator[Finding]:
    first: dict[tuple[str, int], Controller] = {}
    for controller in judged.plan.controllers:
        if controller.framing is not Framing.RTU:
            continue
        other = first.setdefault((controller.host.lower(), controller.port), controller)
        if other is not controller and other.unit != controller.unit:
            yield RULE.finding(
                f"{controller.name} and {other.name} are behind one serial port, and each gets a connection of its own",
                (*controller.path, "connect"),
                expected="one connection to one serial port",
                found=f"{controller.host} port {controller.port} twice, units {other.unit} and {controller.unit}",
                fix="let the serial port server translate Modbus TCP, and connect with `tcp://`",
                related=[(f"{other.name} connects here", (*other.path, "connect"))],
            )


RULE = Rule(
    "shared-serial-line",
    Level.WARNING,
    "two controllers are reached through one serial port server with RTU framing",
    PAGE,
    check,
)
