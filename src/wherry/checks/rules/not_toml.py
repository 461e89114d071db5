"""A file that is not TOML."""

from __future__ import annotations

from wherry.checks.rule import Rule
from wherry.findings import Level

PAGE = """\
### What it finds

A plan file that breaks the rules of TOML (toml.io, version 1.0): a quote or bracket that is not closed, a key given
twice, a value without quotes.

### Why it matters

Nothing behind the place can be trusted to mean what was meant, so nothing else is judged.

### Bad

```toml
[controller.skid]
connect = "tcp://10.20.0.11"

[controller.hall]
connect = "tcp://10.20.0.12"

[transfer.water]
from = "skid"
to = hall
#    ^
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

Mend the place that is shown. An editor that knows TOML marks such places while you type.
"""


RULE = Rule("not-toml", Level.ERROR, "the plan file cannot be read as TOML", PAGE)
