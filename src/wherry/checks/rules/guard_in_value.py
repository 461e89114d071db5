"""A guard that is a part of what it guards."""

from __future__ import annotations

from collections.abc import Iterator

from wherry.checks.notation import both
from wherry.checks.rule import Judged, Rule
from wherry.findings import Finding, Level
from wherry.plan.model import Point, Transfer, Value
from wherry.values.types import Kind

PAGE = """\
### What it finds

A `guard` that lies inside the place of a value of its transfer: it is one of the registers of a number or a text, a bit
is taken out of it, or a value with a unit, a scale or a range is taken from it. That the counter is carried as well, as
it is or in a copy of whole registers, is no fault.

### Why it matters

The guard is a counter of the source's own, even while its values are at rest. A register that holds a part of a value
is none: while it stands still, or happens to be even, a reading that was caught in the middle of an update counts as
whole, and while it happens to be odd nothing is carried at all.

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
guard = "holding 1"
#       ^^^^^^^^^^^
values = [
  { name = "feed counter", take = "holding 0 uint32", put = "holding 100 uint32" },
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
guard = "holding 8"
values = [
  { name = "feed counter", take = "holding 0 uint32", put = "holding 100 uint32" },
]
```

### How to mend it

Look at the addresses: often one of the two is off by one. Name the register in which the source's program counts when
it begins and when it ends an update. If there is none, use `double_read`.
"""


def check(judged: Judged) -> Iterator[Finding]:
    for transfer in judged.plan.transfers:
        guard = None if transfer.careful is None else transfer.careful.guard
        if guard is None:
            continue
        value = next((each for each in transfer.values if _is_part(guard, each)), None)
        if value is not None:
            yield _finding(transfer, guard, value)


def _is_part(guard: Point, value: Value) -> bool:
    """Whether the guard is (a part of) a value that is no counter carried as it is."""
    take = value.take
    if take.table is not guard.table or not (take.span.start < guard.span.stop and guard.span.start < take.span.stop):
        return False
    if take.type.kind is Kind.RAW:
        return False
    is_itself = take.span == guard.span and take.type == guard.type and take.order is guard.order
    is_measured = bool(value.unit or value.range or value.scale or value.take_scale)
    return not is_itself or is_measured


def _finding(transfer: Transfer, guard: Point, value: Value) -> Finding:
    return RULE.finding(
        f"the `guard` of `{transfer.name}` is a part of what it guards: `{value.name}`",
        (*transfer.path, "guard"),
        expected="a counter of its own, in a register that holds nothing else",
        found=f"{both(guard)}, and `{value.name}` is taken from {both(value.take)}",
        fix="name the register in which the source counts its updates, or use `double_read`",
        related=[(f"`{value.name}` is taken here", value.take.path)],
    )


RULE = Rule("guard-in-value", Level.ERROR, "a guard lies inside a value that it guards", PAGE, check)
