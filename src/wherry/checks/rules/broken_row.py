"""A row of a value list that cannot be read."""

from __future__ import annotations

from wherry.checks.rule import Rule
from wherry.findings import Level

PAGE = """\
### What it finds

A row of a CSV or XLSX list with too many cells, an unknown column, a missing cell, or a cell that cannot be read.

### Why it matters

The value in this row would be missing, while the others are carried.

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
```

```csv tanks.csv
name,take,put
tank 1 level,holding 2,holding 100
tank 2 level,holding 3,holding 101,7
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
tank 2 level,holding 3,holding 101
```

### How to mend it

Mend the row. The first row of the list names the columns; they are the keys of a value.
"""


RULE = Rule("broken-row", Level.ERROR, "a row of a value list cannot be read", PAGE)
