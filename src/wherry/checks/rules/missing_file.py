"""A value list that cannot be opened."""

from __future__ import annotations

from wherry.checks.rule import Rule
from wherry.findings import Level

PAGE = """\
### What it finds

A `values` file (CSV or XLSX), or the device `profile` of a controller, that does not exist beside the plan, cannot be
opened, or is of another kind.

### Why it matters

The values in it are unknown, so the transfer cannot be judged or run; without its profile a controller is taken for one
with the standard's limits and no holes.

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
values = "tanks.csv"
#        ^^^^^^^^^^^
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
values = "tanks.csv"
```

```csv tanks.csv
name,take,put
tank 1 level,holding 2,holding 100
```

### How to mend it

Put the file beside the plan, or correct its name. Names are relative to the plan file.
"""


RULE = Rule("missing-file", Level.ERROR, "a file that the plan names cannot be read", PAGE)
