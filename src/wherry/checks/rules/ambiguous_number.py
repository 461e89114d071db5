"""A number that can be read in two ways."""

from __future__ import annotations

from wherry.checks.rule import Rule
from wherry.findings import Level

PAGE = """\
### What it finds

A place such as `holding 40001`, which can mean the reference number 40001 (the first holding register) or the
address 40001 (the 40002nd).

### Why it matters

Lists of registers use both notations. A wrong guess reads some other register, which often looks almost right. Both
readings are shown.

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
  { name = "tank 1 level", take = "holding 40003", put = "holding 100" },
#                                          ^^^^^
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
  { name = "tank 1 level", take = "40003", put = "holding 100" },
]
```

### How to mend it

For the reference number from one, write the number by itself: `40003`. For the address from zero, write `holding
address 40003`.
"""


RULE = Rule("ambiguous-number", Level.ERROR, "an address can be read in two ways", PAGE)
