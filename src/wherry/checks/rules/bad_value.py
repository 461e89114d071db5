"""A value that is not permitted here."""

from __future__ import annotations

from wherry.checks.rule import Rule
from wherry.findings import Level

PAGE = """\
### What it finds

A word that is not one of the permitted ones, or a number outside its bounds.

### Why it matters

It cannot be carried out as written.

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
on_loss = "keep"
#          ^^^^
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

Write one of the values that are shown as expected.
"""


RULE = Rule("bad-value", Level.ERROR, "a key has a value that is not permitted", PAGE)
