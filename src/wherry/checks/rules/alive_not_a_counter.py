"""A sign of life that can look still while it moves."""

from __future__ import annotations

from collections.abc import Iterator

from wherry.checks.notation import both
from wherry.checks.rule import Judged, Rule
from wherry.findings import Finding, Level

PAGE = """\
### What it finds

An `alive` point that is a bit, a text or raw registers.

### Why it matters

The source counts as alive while this point changes from one reading to the next. A bit that toggles can be read in
the same state again and again; then a running program looks dead.

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
alive = "holding 9.0"
#       ^^^^^^^^^^^^^
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
alive = "holding 9"
values = [
  { name = "tank 1 level", take = "holding 2", put = "holding 100" },
]
```

### How to mend it

Let the source's program add one to a register in each of its cycles, and give that register.
"""


def check(judged: Judged) -> Iterator[Finding]:
    for transfer in judged.plan.transfers:
        alive = transfer.alive
        if alive is not None and not alive.type.is_number:
            yield RULE.finding(
                f"the sign of life of {transfer.source} is not a number that counts",
                (*transfer.path, "alive"),
                expected="a register that the source's program counts up",
                found=f"{both(alive)}: {alive.type}",
                fix="let the source's program count a register up, and give that one",
            )


RULE = Rule("alive-not-a-counter", Level.WARNING, "the `alive` point is not a number that counts", PAGE, check)
