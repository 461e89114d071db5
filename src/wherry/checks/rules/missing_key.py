"""A key that must be there."""

from __future__ import annotations

from wherry.checks.rule import Rule
from wherry.findings import Level

PAGE = """\
### What it finds

A controller, transfer or value without a key that has no default, such as `connect`, `from`, `to`, `every`, `take`
or `put`.

### Why it matters

There is no safe guess for it.

### Bad

```toml
[controller.skid]
connect = "tcp://10.20.0.11"

[controller.hall]
connect = "tcp://10.20.0.12"

[transfer.water]
#         ^^^^^
from = "skid"
to = "hall"
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

Add the key.
"""


RULE = Rule("missing-key", Level.ERROR, "a key that is needed is missing", PAGE)
