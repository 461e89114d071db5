"""A key that a plan does not have."""

from __future__ import annotations

from wherry.checks.rule import Rule
from wherry.findings import Level

PAGE = """\
### What it finds

A key that does not exist at this place of a plan. The nearest known word is shown.

### Why it matters

A misspelt key would otherwise do nothing, and its default would hold instead of what was meant.

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
  max_agee = "1 s"
# ^^^^^^^^
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
max_age = "1 s"
values = [
  { name = "tank 1 level", take = "holding 2", put = "holding 100" },
]
```

### How to mend it

Correct the word, or remove the key. `wherry schema` prints every key, for editors.
"""


RULE = Rule("unknown-key", Level.ERROR, "a key is not known", PAGE)
