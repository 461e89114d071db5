"""Writes so far apart that the value in the receiver is older than it may be."""

from __future__ import annotations

from collections.abc import Iterator

from wherry.checks.rule import Judged, Rule
from wherry.findings import Finding, Level
from wherry.plan.durations import duration_text

PAGE = """\
### What it finds

A `shortest` that is longer than the transfer's `max_age`.

### Why it matters

When the value changes right after it was written, its place keeps the one before until `shortest` has passed. Once that
is older than `max_age` the transfer is Uncertain, with all its values, until the new one is written.

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
max_age = "1 s"
values = [
  { name = "feed rate", take = "holding 2", put = "holding 100", deadband = 5, shortest = "10 min" },
#                                                                                         ^^^^^^^^
]
```

### Good

```toml
[controller.skid]
connect = "tcp://10.20.0.11"

[controller.hall]
connect = "tcp://10.20.0.12"

[transfer.settings]
from = "skid"
to = "hall"
every = "10 s"
on_loss = "hold"
max_age = "15 min"
values = [
  { name = "feed rate", take = "holding 2", put = "holding 100", deadband = 5, shortest = "10 min" },
]
```

### How to mend it

Carry what may be written seldom in a transfer of its own, with a `max_age` that suits it, or write a shorter
`shortest`.
"""


def check(judged: Judged) -> Iterator[Finding]:
    for transfer in judged.plan.transfers:
        for value in transfer.values:
            if value.shortest_ns > transfer.max_age_ns:
                yield RULE.finding(
                    f"the place of `{value.name}` can hold a value that is too old",
                    (*value.path, "shortest"),
                    expected=f"at most {duration_text(transfer.max_age_ns)}, the transfer's `max_age`",
                    found=duration_text(value.shortest_ns),
                    fix="carry it in a transfer with a longer `max_age`, or write a shorter `shortest`",
                    related=[("its transfer", transfer.path)],
                )


RULE = Rule("shortest-beyond-max-age", Level.WARNING, "`shortest` is longer than `max_age`", PAGE, check)
