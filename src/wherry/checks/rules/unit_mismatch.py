"""Two units that do not convert into each other."""

from __future__ import annotations

from collections.abc import Iterator

from wherry.checks.intervals import unit_fault
from wherry.checks.rule import Judged, Rule
from wherry.findings import Finding, Level

PAGE = """\
### What it finds

A `put_unit` that `unit` cannot be converted to: a pressure into a flow, a unit that is not known, or a `put_unit`
with no `unit` beside it.

### Why it matters

Wherry converts between units, and a conversion that does not exist cannot be carried out. Most often one of the two
is a slip of the pen.

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
  { name = "feed flow", take = "holding 2", put = "holding 100", unit = "L/min", put_unit = "bar" },
#                                                                                           ^^^^^
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
  { name = "feed flow", take = "holding 2", put = "holding 100", unit = "L/min", put_unit = "m^3/h" },
]
```

### How to mend it

Write two units of the same quantity. If the receiver wants the number as it is, leave `put_unit` out.
"""


def check(judged: Judged) -> Iterator[Finding]:
    known: dict[tuple[str, str], str] = {}
    for transfer in judged.plan.putting:
        for value in transfer.values:
            if not value.put_unit or value.put_unit == value.unit:
                continue
            pair = (value.unit, value.put_unit)
            if pair not in known:
                known[pair] = unit_fault(*pair)
            if known[pair]:
                yield RULE.finding(
                    f"`{value.name}`: {known[pair]}",
                    (*value.path, "put_unit"),
                    expected=f"a unit that `{value.unit}` converts to" if value.unit else "a `unit` to convert from",
                    found=value.put_unit,
                    fix="write two units of the same quantity, or leave `put_unit` out",
                    related=[("it is converted from this unit", (*value.path, "unit"))] if value.unit else (),
                )


RULE = Rule("unit-mismatch", Level.ERROR, "`unit` and `put_unit` do not convert into each other", PAGE, check)
