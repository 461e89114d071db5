"""An address beyond the end of its table."""

from __future__ import annotations

from wherry.checks.rule import Rule
from wherry.findings import Level

PAGE = """\
### What it finds

A place whose address, or whose last register, is beyond 65535.

### Why it matters

A table has 65,536 items, numbered from 0 to 65535 (Modbus Application Protocol V1.1b3, 4.3 and 4.4). No request can
ask for more.

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
  { name = "tank 1 oxygen", take = "holding 65535 float32", put = "holding 100 float32" },
#                                           ^^^^^
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
  { name = "tank 1 oxygen", take = "holding 65534 float32", put = "holding 100 float32" },
]
```

### How to mend it

Check the address, and whether the list counts from one.
"""


RULE = Rule("address-outside-table", Level.ERROR, "a place reaches beyond the last address of its table", PAGE)
