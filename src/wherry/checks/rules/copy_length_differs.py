"""A copy from a span to one of another length."""

from __future__ import annotations

from wherry.checks.rule import Rule
from wherry.findings import Level

PAGE = """\
### What it finds

A `copy` whose `take` and `put` have different numbers of registers or bits.

### Why it matters

Either something would be left out, or something would be written that was not read.

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
copy = { take = "holding 0..9", put = "holding 100..110" }
#                                     ^^^^^^^^^^^^^^^^^^
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
copy = { take = "holding 0..9", put = "holding 100..109" }
```

### How to mend it

Make both spans the same length. The last register counts too: 0..9 are ten registers.
"""


RULE = Rule("copy-length-differs", Level.ERROR, "the two sides of a copy are not of one length", PAGE)
