"""A value that does not fit in one request of the device."""

from __future__ import annotations

from collections.abc import Iterator

from wherry.checks.notation import both, items
from wherry.checks.rule import Judged, Rule
from wherry.findings import Finding, Level
from wherry.plan.model import Controller, Point, Transfer

PAGE = """\
### What it finds

A value, or a set of status registers, that takes more registers (or bits) than the controller hands over in one
request.

### Why it matters

A value that is read or written in two requests can be torn: the first half from before a change, the second half from
after it. Wherry never splits a value, so this one could not be carried at all.

### Bad

```toml
[controller.skid]
connect = "tcp://10.20.0.11"
limits = { read = 2 }

[controller.hall]
connect = "tcp://10.20.0.12"

[transfer.water]
from = "skid"
to = "hall"
every = "200 ms"
on_loss = "hold"
values = [
  { name = "water made good", take = "holding 0 float64", put = "holding 100 float64" },
#                                    ^^^^^^^^^^^^^^^^^^^
]
```

### Good

```toml
[controller.skid]
connect = "tcp://10.20.0.11"
limits = { read = 4 }

[controller.hall]
connect = "tcp://10.20.0.12"

[transfer.water]
from = "skid"
to = "hall"
every = "200 ms"
on_loss = "hold"
values = [
  { name = "water made good", take = "holding 0 float64", put = "holding 100 float64" },
]
```

### How to mend it

Raise the limit if the device stands more than is declared. Otherwise take or put the value in a narrower type.
"""


def check(judged: Judged) -> Iterator[Finding]:
    for transfer in judged.plan.putting:
        source, destination = judged.source(transfer), judged.destination(transfer)
        if transfer.alive is not None:
            yield from _judge(source, transfer.alive, "alive", is_read=True)
        for value in transfer.values:
            yield from _judge(source, value.take, value.name, is_read=True)
            yield from _judge(destination, value.put, value.name, is_read=False)
        yield from _judge_status(transfer, destination)


def _judge(controller: Controller, point: Point, name: str, *, is_read: bool) -> Iterator[Finding]:
    limits = controller.limits
    count_max = limits.read_count_max(point.table) if is_read else limits.write_count_max(point.table)
    if point.count <= count_max:
        return
    act = "read" if is_read else "written"
    yield RULE.finding(
        f"`{name}` takes {items(point.count, point.table)}, and {controller.name} lets only "
        f"{items(count_max, point.table)} be {act} at once",
        point.path,
        expected=f"at most {items(count_max, point.table)}",
        found=f"{both(point)}: {items(point.count, point.table)}",
        fix=f"raise the limits of {controller.name} if it stands more, or use a narrower type",
        related=[(f"the limits of {controller.name}", (*controller.path, "limits"))],
    )


def _judge_status(transfer: Transfer, destination: Controller) -> Iterator[Finding]:
    status = transfer.status
    if status is None or status.count <= destination.limits.write_registers:
        return
    yield RULE.finding(
        f"the status registers of `{transfer.name}` are {items(status.count, status.table)}, and {destination.name} "
        f"lets only {items(destination.limits.write_registers, status.table)} be written at once",
        (*transfer.path, "status"),
        expected=f"at most {items(destination.limits.write_registers, status.table)}",
        found=both(status),
        fix=f"raise the limits of {destination.name} if it stands more, or leave `status` out",
        related=[(f"the limits of {destination.name}", (*destination.path, "limits"))],
    )


RULE = Rule(
    "split-by-limit",
    Level.ERROR,
    "a value needs more registers than the device hands over in one request",
    PAGE,
    check,
)
