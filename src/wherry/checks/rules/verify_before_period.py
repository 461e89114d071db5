"""A time to settle that is over before anybody looks."""

from __future__ import annotations

from collections.abc import Iterator

from wherry.checks.rule import Judged, Rule
from wherry.findings import Finding, Level
from wherry.plan.durations import duration_text

PAGE = """\
### What it finds

A time in `verify` that is shorter than the period of the transfer.

### Why it matters

The place is read back once in a period, before it is written again. So nobody sees whether it held what was put in a
shorter time: what `verify` seems to promise is only found out a whole period later.

### Bad

```toml
[controller.skid]
connect = "tcp://10.20.0.11"

[controller.feeder]
connect = "tcp://10.20.0.14"

[transfer.feed]
from = "skid"
to = "feeder"
every = "10 s"
on_loss = "hold"
values = [
  { name = "feed rate", take = "holding 2", put = "holding 100", verify = "2 s" },
#                                                                         ^^^^^
]
```

### Good

```toml
[controller.skid]
connect = "tcp://10.20.0.11"

[controller.feeder]
connect = "tcp://10.20.0.14"

[transfer.feed]
from = "skid"
to = "feeder"
every = "1 s"
on_loss = "hold"
values = [
  { name = "feed rate", take = "holding 2", put = "holding 100", verify = "2 s" },
]
```

### How to mend it

Write a `verify` of at least one period, or carry the value more often if it must be known sooner.
"""


def check(judged: Judged) -> Iterator[Finding]:
    for transfer in judged.plan.transfers:
        for value in transfer.values:
            if value.verify_ns is not None and value.verify_ns < transfer.period_ns:
                yield RULE.finding(
                    f"`{value.name}` is not looked at so soon after it is written",
                    (*value.path, "verify"),
                    expected=f"at least the period, {duration_text(transfer.period_ns)}",
                    found=duration_text(value.verify_ns),
                    fix=f'write `verify = "{duration_text(transfer.period_ns)}"` or more, or a shorter `every`',
                    related=[("the period is declared here", (*transfer.path, "every"))],
                )


RULE = Rule("verify-before-period", Level.WARNING, "a place must show a value before anybody looks", PAGE, check)
