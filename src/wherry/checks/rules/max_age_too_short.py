"""Values that are too old before the next ones come."""

from __future__ import annotations

from collections.abc import Iterator

from wherry.checks.rule import Judged, Rule
from wherry.findings import Finding, Level
from wherry.plan.durations import duration_text

PAGE = """\
### What it finds

A transfer whose `max_age` is not longer than its period (`every`).

### Why it matters

The values would be too old to be Good before the next ones arrive, so the quality would fall to Bad in every period.

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
max_age = "100 ms"
#         ^^^^^^^^
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

Let `max_age` be a few periods, so that one lost reply does no harm; without `max_age` it is five periods.
"""


def check(judged: Judged) -> Iterator[Finding]:
    for transfer in judged.plan.transfers:
        if transfer.max_age_ns <= transfer.period_ns:
            yield RULE.finding(
                f"the values of `{transfer.name}` are too old before the next ones arrive",
                (*transfer.path, "max_age"),
                expected=f"longer than the period, {duration_text(transfer.period_ns)}",
                found=duration_text(transfer.max_age_ns),
                fix=f"set `max_age` to a few periods, for example {duration_text(3 * transfer.period_ns)}",
                related=[("its period", (*transfer.path, "every"))],
            )


RULE = Rule("max-age-too-short", Level.ERROR, "`max_age` is not longer than the period", PAGE, check)
