"""A transfer that names a controller that is not there."""

from __future__ import annotations

from wherry.checks.rule import Rule
from wherry.findings import Level

PAGE = """\
### What it finds

A `from` or `to` that no `[controller.NAME]` of the plan bears.

### Why it matters

Nothing is known about the device: no address, no unit, no limits.

### Bad

```toml
[controller.skid]
connect = "tcp://10.20.0.11"

[controller.hall]
connect = "tcp://10.20.0.12"

[transfer.water]
from = "skid"
to = "hal"
#    ^^^^^
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

Correct the name, or add the controller.
"""


RULE = Rule("unknown-controller", Level.ERROR, "a transfer names a controller that the plan does not have", PAGE)
