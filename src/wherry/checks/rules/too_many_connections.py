"""More connections to one address than it is declared to stand."""

from __future__ import annotations

from collections.abc import Iterator

from wherry.checks.rule import Judged, Rule
from wherry.findings import Finding, Level
from wherry.plan.model import Controller

PAGE = """\
### What it finds

Controllers with the same host and port (units behind one gateway) of which one declares `connections` in its
limits, and that number is smaller than the number of these controllers. Each controller has one connection.

### Why it matters

A gateway that serves too many connections refuses one, or throws another out, and the lines go down in turns.

### Bad

```toml
[controller.skid]
connect = "tcp://10.20.0.11"
unit = 1
limits = { connections = 1 }
#                        ^

[controller.hall]
connect = "tcp://10.20.0.11"
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
connect = "tcp://10.20.0.11"
unit = 1
limits = { connections = 2 }

[controller.hall]
connect = "tcp://10.20.0.11"
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

Raise `connections` if the gateway stands more. Otherwise reach some of the units another way.
"""


def check(judged: Judged) -> Iterator[Finding]:
    used = {name for each in judged.plan.transfers for name in (each.source, each.destination)}
    together: dict[tuple[str, int], list[Controller]] = {}
    for controller in judged.plan.controllers:
        if controller.name in used:
            together.setdefault((controller.host.lower(), controller.port), []).append(controller)
    for controllers in together.values():
        for controller in controllers:
            path = (*controller.path, "limits", "connections")
            most = controller.limits.connections
            if judged.is_written(path) and most < len(controllers):
                others = [each for each in controllers if each is not controller]
                yield RULE.finding(
                    f"{controller.host} port {controller.port} gets {len(controllers)} connections, and stands {most}",
                    path,
                    expected=f"at least {len(controllers)}",
                    found=str(most),
                    fix="raise `connections` if the device stands more, or reach some of the units another way",
                    related=[(f"{each.name} connects here too", (*each.path, "connect")) for each in others[:3]],
                )


RULE = Rule(
    "too-many-connections", Level.ERROR, "the plan needs more connections to one address than are declared", PAGE, check
)
