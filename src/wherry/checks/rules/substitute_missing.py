"""Substitute values that are not there."""

from __future__ import annotations

from collections.abc import Iterator

from wherry.checks.rule import Judged, Rule
from wherry.findings import Finding, Level
from wherry.plan.model import OnLoss

PAGE = """\
### What it finds

A value without a `substitute` in a transfer with `on_loss = "substitute"`. A block that is carried with `copy`
cannot have one.

### Why it matters

When the source is lost, some registers would get their substitute and the others keep an old value: a picture that
never was.

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
on_loss = "substitute"
values = [
  { name = "tank 1 level", take = "holding 2", put = "holding 100" },
# ^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^
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
on_loss = "substitute"
values = [
  { name = "tank 1 level", take = "holding 2", put = "holding 100", substitute = 0 },
]
```

### How to mend it

Give every value of the transfer a `substitute`, in its `unit`. Move values that shall hold, and blocks, to a
transfer with `on_loss = "hold"`.
"""


def check(judged: Judged) -> Iterator[Finding]:
    for transfer in judged.plan.transfers:
        if transfer.on_loss is not OnLoss.SUBSTITUTE:
            continue
        for value in transfer.values:
            # The source's own counter that is passed on must stand still when the source does.
            if value.substitute is None and not value.is_alive:
                yield RULE.finding(
                    f"`{value.name}` has no substitute, and `{transfer.name}` puts substitutes when it is lost",
                    value.path,
                    expected="a value of the same kind, in its unit" if not value.is_copy else "values, not a block",
                    found="no `substitute`",
                    fix="give it a `substitute`" if not value.is_copy else "carry the block in a transfer that holds",
                    related=[("substitutes are asked for here", (*transfer.path, "on_loss"))],
                )


RULE = Rule("substitute-missing", Level.ERROR, '`on_loss = "substitute"` and a value has no substitute', PAGE, check)
