"""Status registers on top of something else."""

from __future__ import annotations

from collections.abc import Container, Iterator

from wherry.checks.notation import both, device
from wherry.checks.rule import Judged, Rule
from wherry.findings import Finding, Level, Path
from wherry.limits import ITEMS_PER_TABLE
from wherry.plan.model import Span, Table

PAGE = """\
### What it finds

Status registers (`status` means four holding registers) that share a register with a value put into the same
device, or with the status registers of another transfer.

### Why it matters

The receiver would take a number for the heartbeat or the quality, and could not tell any more when the exchange has
stopped.

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
status = "holding 98"
#        ^^^^^^^^^^^^
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

Choose four holding registers in a row that nothing else is put into.
"""

Place = tuple[tuple[str, int, int], int]


def check(judged: Judged) -> Iterator[Finding]:
    wanted = {device(judged.destination(each)) for each in judged.plan.putting if each.status is not None}
    taken: dict[Place, tuple[str, Span, Path]] = {}
    for transfer in judged.plan.putting:
        place = device(judged.destination(transfer))
        if place not in wanted:
            continue
        for value in transfer.values:
            if value.put.table is Table.HOLDING:
                owner = (f"`{value.name}`", value.put.span, value.put.path)
                for address in range(value.put.address, value.put.address + value.put.count):
                    taken.setdefault((place, address), owner)
    for transfer in judged.plan.putting:
        status = transfer.status
        if status is None:
            continue
        place = device(judged.destination(transfer))
        addresses = range(status.start, status.stop)
        other = next((taken[place, at] for at in addresses if (place, at) in taken), None)
        path = (*transfer.path, "status")
        for at in addresses:
            taken.setdefault((place, at), (f"the status of `{transfer.name}`", status, path))
        if other is not None:
            name, span, other_path = other
            yield RULE.finding(
                f"the status registers of `{transfer.name}` lie on {name}",
                path,
                expected="four holding registers that nothing else is put into",
                found=f"{both(status)}, and {both(span)} is taken by {name}",
                fix=f"choose other registers{_free_after(taken, place, span.stop, status.count)}",
                related=[(f"{name} is put here", other_path)],
            )


def _free_after(taken: Container[Place], place: tuple[str, int, int], start: int, count: int) -> str:
    """The next run of registers that this plan puts nothing into."""
    while start + count <= ITEMS_PER_TABLE:
        last_taken = max((at for at in range(start, start + count) if (place, at) in taken), default=None)
        if last_taken is None:
            return f"; the plan puts nothing into holding {start}..{start + count - 1}"
        start = last_taken + 1
    return ""


RULE = Rule(
    "status-overlaps", Level.ERROR, "the status registers lie on a value or on other status registers", PAGE, check
)
