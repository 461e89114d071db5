"""A span that is not as wide as its type."""

from __future__ import annotations

from wherry.checks.rule import Rule
from wherry.findings import Level

PAGE = """\
### What it finds

A place with a first and a last register and a type that needs another number of registers.

### Why it matters

One of the two is wrong, and only the register list of the device tells which.

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
  { name = "tank 1 oxygen", take = "holding 0..2 float32", put = "holding 100 float32" },
#                                                ^^^^^^^
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
  { name = "tank 1 oxygen", take = "holding 0..1 float32", put = "holding 100 float32" },
]
```

### How to mend it

Give the right last register, or leave it out: the type says how many there are.
"""


RULE = Rule("width-mismatch", Level.ERROR, "a span of registers is not as wide as its type", PAGE)
