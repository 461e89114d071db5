"""A connection text that cannot be read."""

from __future__ import annotations

from wherry.checks.rule import Rule
from wherry.findings import Level

PAGE = """\
### What it finds

A `connect` that is not `tcp://host`, `tcp://host:port` or `rtu+tcp://host:port`.

### Why it matters

The two ways of framing differ, and a device that expects one does not answer to the other; so the text has to say
which.

### Bad

```toml
[controller.skid]
connect = "tcp://10.20.0.11"

[controller.hall]
connect = "10.20.0.12:502"
#         ^^^^^^^^^^^^^^^^

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
connect = "tcp://10.20.0.12:502"

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

Write `tcp://` before the address for Modbus TCP. Port 502 holds unless another is given.
"""


RULE = Rule("bad-connect", Level.ERROR, "`connect` cannot be read", PAGE)
