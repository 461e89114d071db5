"""A second reading that comes no sooner than the next cycle."""

from __future__ import annotations

from collections.abc import Iterator

from wherry.checks.rule import Judged, Rule
from wherry.findings import Finding, Level
from wherry.plan.durations import duration_text

PAGE = """\
### What it finds

A `double_read` whose second reading begins a whole period after the first one, or later.

### Why it matters

Both readings belong to one cycle. When they take longer than the period, cycles are skipped, and the values are older
than the plan says.

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
double_read = "300 ms"
#             ^^^^^^^^
values = [
  { name = "feed counter", take = "holding 0 uint32", put = "holding 100 uint32" },
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
double_read = "60 ms"
values = [
  { name = "feed counter", take = "holding 0 uint32", put = "holding 100 uint32" },
]
```

### How to mend it

Write the time that the source takes for one update, with a little more. If that is not shorter than the period, make
the period longer, or use a `guard` if the source has one.
"""


def check(judged: Judged) -> Iterator[Finding]:
    for transfer in judged.plan.transfers:
        careful = transfer.careful
        if careful is not None and careful.gap_ns is not None and careful.gap_ns >= transfer.period_ns:
            yield RULE.finding(
                f"the values of `{transfer.name}` cannot be read twice in one period",
                (*transfer.path, "double_read"),
                expected=f"shorter than the period, {duration_text(transfer.period_ns)}",
                found=duration_text(careful.gap_ns),
                fix="write a shorter `double_read`, or a longer period",
                related=[("its period", (*transfer.path, "every"))],
            )


RULE = Rule(
    "double-read-too-slow", Level.ERROR, "the second of two readings comes later than the period permits", PAGE, check
)
