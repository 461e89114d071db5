"""A value of the wrong kind."""

from __future__ import annotations

from wherry.checks.rule import Rule
from wherry.findings import Level

PAGE = """\
### What it finds

A number where a text is expected, a text where a list is expected, and the like.

### Why it matters

It cannot be read as anything that was meant.

### Bad

```toml
[controller.skid]
connect = "tcp://10.20.0.11"

[controller.hall]
connect = "tcp://10.20.0.12"
unit = "1"
#      ^^^

[transfer.water]
from = "skid"
to = "hall"
every = "200 ms"
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
unit = 1

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

Write a value of the kind that is shown as expected.
"""


RULE = Rule("wrong-kind", Level.ERROR, "a key has a value of the wrong kind", PAGE)
