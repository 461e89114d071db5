"""Two values with one name."""

from __future__ import annotations

from wherry.checks.rule import Rule
from wherry.findings import Level

PAGE = """\
### What it finds

Two values of one transfer with the same `name`.

### Why it matters

Findings, the live view and the records name values. With one name for two, nobody can tell which one is Bad.

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
  { name = "tank 1 level", take = "holding 2", put = "holding 100" },
  { name = "tank 1 level", take = "holding 3", put = "holding 101" },
#          ^^^^^^^^^^^^^^
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
  { name = "tank 2 level", take = "holding 3", put = "holding 101" },
]
```

### How to mend it

Give each value a name of its own.
"""


RULE = Rule("duplicate-name", Level.ERROR, "two values of a transfer have the same name", PAGE)
