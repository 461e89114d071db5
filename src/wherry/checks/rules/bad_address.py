"""A place that cannot be read."""

from __future__ import annotations

from wherry.checks.rule import Rule
from wherry.findings import Level

PAGE = """\
### What it finds

A `take`, `put`, `alive`, `status` or `readable` text that is not a place: an unknown table or type, a missing
address, a bit beyond 15.

### Why it matters

A guess would read or write the wrong register.

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
  { name = "tank 1 level", take = "holdng 2", put = "holding 100" },
#                                  ^^^^^^
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
  { name = "tank 1 level", take = "holding 2", put = "holding 100" },
]
```

### How to mend it

Write a table, an address, and a type where it is not the plain one: `holding 0 float32`, `holding 12.3`, `coil 5`,
`input 7 int16`, `holding 0..9`, or a reference number by itself: `40001`.
"""


RULE = Rule("bad-address", Level.ERROR, "a place cannot be read", PAGE)
