"""A list whose order costs write requests."""

from __future__ import annotations

from collections.abc import Iterator

from wherry.checks.rule import Judged, Rule
from wherry.findings import Finding, Level
from wherry.packing.units import write_units
from wherry.packing.writes import pack_writes

PAGE = """\
### What it finds

A transfer whose values are listed so that neighbouring `put` places do not stand next to each other in the list.

### Why it matters

Values are put in the order of the list, so that a trigger word can be last. One write carries values that follow
one another in the list and in the register map; a list that jumps to and fro needs more writes.

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
  values = [
# ^^^^^^
    { name = "tank 1 level", take = "holding 0", put = "holding 100" },
    { name = "tank 1 oxygen", take = "holding 1", put = "holding 200" },
    { name = "tank 2 level", take = "holding 2", put = "holding 101" },
    { name = "tank 2 oxygen", take = "holding 3", put = "holding 201" },
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
  { name = "tank 1 level", take = "holding 0", put = "holding 100" },
  { name = "tank 2 level", take = "holding 2", put = "holding 101" },
  { name = "tank 1 oxygen", take = "holding 1", put = "holding 200" },
  { name = "tank 2 oxygen", take = "holding 3", put = "holding 201" },
]
```

### How to mend it

If the order in which the values arrive does not matter, sort the list by `put`. If it does, leave it: this is only
a note.
"""


def check(judged: Judged) -> Iterator[Finding]:
    for transfer in judged.plan.transfers:
        limits = judged.destination(transfer).limits
        units, _ = write_units(transfer, limits)
        as_listed = len(pack_writes(units, limits))
        if as_listed < 2:
            continue
        by_place = len(pack_writes(sorted(units, key=lambda unit: (unit.is_mask, unit.span)), limits))
        if by_place < as_listed:
            yield RULE.finding(
                f"`{transfer.name}` needs {as_listed} writes each time; sorted by `put` it would need {by_place}",
                (*transfer.path, "values"),
                expected=f"{by_place} writes",
                found=f"{as_listed} writes",
                fix="sort the list by `put`, if the order in which the values arrive does not matter",
                on_key=True,
            )


RULE = Rule(
    "order-costs-requests",
    Level.NOTE,
    "listing the values in the order of their put places would need fewer writes",
    PAGE,
    check,
)
