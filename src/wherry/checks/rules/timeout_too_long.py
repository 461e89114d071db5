"""One lost reply that costs the freshness of a transfer."""

from __future__ import annotations

from collections.abc import Iterator

from wherry.checks.rule import Judged, Rule
from wherry.findings import Finding, Level
from wherry.plan.durations import duration_text

PAGE = """\
### What it finds

A controller whose time-out (`limits.timeout`) is longer than the `max_age` of a transfer from it, where at least
one of the two was written into the plan (a note where both are defaults).

### Why it matters

While a reply is waited for, nothing else is asked. After a single lost reply the values are too old before the next
request leaves, and the receiver goes to Bad for no good reason.

### Bad

```toml
[controller.skid]
connect = "tcp://10.20.0.11"
limits = { timeout = "3 s" }

[controller.hall]
connect = "tcp://10.20.0.12"

[transfer.water]
from = "skid"
to = "hall"
every = "200 ms"
on_loss = "hold"
max_age = "1 s"
#         ^^^^^
values = [
  { name = "tank 1 level", take = "holding 2", put = "holding 100" },
]
```

### Good

```toml
[controller.skid]
connect = "tcp://10.20.0.11"
limits = { timeout = "300 ms" }

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

Set the time-out to several times the slowest answer seen, and `max_age` to more than the time-out plus one period.
"""


def check(judged: Judged) -> Iterator[Finding]:
    for transfer in judged.plan.transfers:
        source = judged.source(transfer)
        if source.limits.timeout_ns <= transfer.max_age_ns or transfer.max_age_ns < transfer.period_ns:
            continue  # the latter is a finding of its own
        timeout, max_age = (*source.path, "limits", "timeout"), (*transfer.path, "max_age")
        is_written = judged.is_written(timeout) or judged.is_written(max_age)
        yield RULE.finding(
            f"one lost reply from {source.name} makes the values of `{transfer.name}` too old",
            max_age if judged.is_written(max_age) else (*transfer.path, "every"),
            level=Level.WARNING if is_written else Level.NOTE,
            expected=f"`max_age` longer than the time-out of {source.name}, {duration_text(source.limits.timeout_ns)}",
            found=f"{duration_text(transfer.max_age_ns)}{'' if judged.is_written(max_age) else ' (five periods)'}",
            fix=f"give {source.name} a shorter `timeout` in its limits, or the transfer a longer `max_age`",
            related=[("the time-out", timeout)] if judged.is_written(timeout) else (),
        )


RULE = Rule("timeout-too-long", Level.WARNING, "a time-out is longer than `max_age`", PAGE, check)
