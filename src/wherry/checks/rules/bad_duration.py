"""A duration that cannot be read."""

from __future__ import annotations

from wherry.checks.rule import Rule
from wherry.findings import Level

PAGE = """\
### What it finds

A duration that is not a number with a unit, such as `200 ms`, `1.5 s` or `1 min`, or one that is too short or too
long for its key.

### Why it matters

A period without a unit can be off by a thousand.

### Bad

```toml
[controller.skid]
connect = "tcp://10.20.0.11"

[controller.hall]
connect = "tcp://10.20.0.12"

[transfer.water]
from = "skid"
to = "hall"
every = "200 msec"
#            ^^^^
on_loss = "hold"
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
values = [
  { name = "tank 1 level", take = "holding 2", put = "holding 100" },
]
```

### How to mend it

Write a number and one of the units that are shown.
"""


RULE = Rule("bad-duration", Level.ERROR, "a duration cannot be read or is out of bounds", PAGE)
