"""A value put into a table that cannot be written."""

from __future__ import annotations

from collections.abc import Iterator

from wherry.checks.notation import both
from wherry.checks.rule import Judged, Rule
from wherry.findings import Finding, Level
from wherry.plan.model import Table

PAGE = """\
### What it finds

A value that is put into a discrete input or an input register.

### Why it matters

These two tables are read-only by the standard (Modbus Application Protocol V1.1b3, 4.3): there is no request that
writes them. Lists of registers often mix up `3xxxx` (input) and `4xxxx` (holding).

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
  { name = "tank 1 level", take = "input 2", put = "input 100" },
#                                                  ^^^^^^^^^^^
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
  { name = "tank 1 level", take = "input 2", put = "holding 100" },
]
```

### How to mend it

Put it into a holding register or a coil that the receiving program reads.
"""

INSTEAD = {Table.DISCRETE: Table.COIL, Table.INPUT: Table.HOLDING}


def check(judged: Judged) -> Iterator[Finding]:
    for transfer in judged.plan.putting:
        for value in transfer.values:
            table = value.put.table
            if not table.is_writable:
                yield RULE.finding(
                    f"`{value.name}` is put into {_called(table)}, and those can only be read",
                    value.put.path,
                    expected="a coil or a holding register",
                    found=both(value.put),
                    fix=f"put it into a {INSTEAD[table]} place that the program of {transfer.destination} reads",
                )


def _called(table: Table) -> str:
    return "a discrete input" if table is Table.DISCRETE else "an input register"


RULE = Rule("read-only-destination", Level.ERROR, "a value is put into a table that can only be read", PAGE, check)
