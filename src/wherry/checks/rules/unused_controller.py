"""A controller that nothing is taken from or put to."""

from __future__ import annotations

from collections.abc import Iterator

from wherry.checks.rule import Judged, Rule
from wherry.findings import Finding, Level

PAGE = """\
### What it finds

A controller that no transfer names in `from` or `to`.

### Why it matters

It is not connected to and not watched. Perhaps a transfer is missing.

### Bad

```toml
[controller.skid]
connect = "tcp://10.20.0.11"

[controller.hall]
connect = "tcp://10.20.0.12"

[controller.intake]
#           ^^^^^^
connect = "tcp://10.20.0.13"

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

Add the transfer, or remove the controller.
"""


def check(judged: Judged) -> Iterator[Finding]:
    # As written: a transfer that is left out because something else in it is wrong uses its controllers all the same.
    written = [judged.data.get(kind, {}) for kind in ("transfer", "command")]
    tables = [each for all_of in written if isinstance(all_of, dict) for each in all_of.values()]
    tables = [each for each in tables if isinstance(each, dict)]
    used = {each.get(key) for each in tables for key in ("from", "to")}
    for controller in judged.plan.controllers:
        if controller.name not in used:
            yield RULE.finding(
                f"no transfer takes from {controller.name} or puts to it",
                controller.path,
                expected="a transfer that names it in `from` or `to`",
                found="none",
                fix="add the transfer, or remove the controller",
            )


RULE = Rule("unused-controller", Level.NOTE, "no transfer uses a controller", PAGE, check)
