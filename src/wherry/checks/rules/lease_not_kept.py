"""A controller that gives up what it was given before it is written again."""

from __future__ import annotations

from collections.abc import Iterator

from wherry.checks.rule import Judged, Rule
from wherry.findings import Finding, Level
from wherry.plan.durations import duration_text
from wherry.plan.model import Transfer

PAGE = """\
### What it finds

A value in a controller with a `lease` that is not written again within half of it.

### Why it matters

The controller lets go of what it was given when it is not written in time, while the exchange runs and says Good. Half
of the lease leaves room for one write that is lost.

### Bad

```toml
[controller.skid]
connect = "tcp://10.20.0.11"

[controller.feeder]
connect = "tcp://10.20.0.14"
lease = "30 s"

[transfer.feed]
from = "skid"
to = "feeder"
every = "200 ms"
on_loss = "hold"
values = [
  { name = "feed rate", take = "holding 2", put = "holding 100", deadband = 1, refresh = "20 s" },
#                                                                                        ^^^^^^
]
```

### Good

```toml
[controller.skid]
connect = "tcp://10.20.0.11"

[controller.feeder]
connect = "tcp://10.20.0.14"
lease = "30 s"

[transfer.feed]
from = "skid"
to = "feeder"
every = "200 ms"
on_loss = "hold"
values = [
  { name = "feed rate", take = "holding 2", put = "holding 100", deadband = 1, refresh = "15 s" },
]
```

### How to mend it

Write on change with a `refresh` of half the lease or less, or in every cycle of a shorter period. If the register wears
out by being written, look for one that does not: both cannot be had.
"""


def check(judged: Judged) -> Iterator[Finding]:
    for transfer in judged.plan.transfers:
        lease_ns = judged.destination(transfer).lease_ns
        if lease_ns is None:
            continue
        if 2 * transfer.period_ns > lease_ns:
            yield _finding(
                f"`{transfer.name}` writes to {transfer.destination} too seldom for its lease",
                transfer,
                (*transfer.path, "every"),
                lease_ns,
                duration_text(transfer.period_ns),
            )
            continue
        for value in transfer.values:
            if not value.is_on_change:
                continue
            if value.refresh_ns is None:
                yield _finding(
                    f"`{value.name}` is written on change alone, but {transfer.destination} keeps it for a lease",
                    transfer,
                    (*value.path, "deadband" if value.deadband is not None else "shortest"),
                    lease_ns,
                    "no `refresh`",
                    on_key=True,
                )
            elif 2 * value.refresh_ns > lease_ns:
                yield _finding(
                    f"`{value.name}` is written again too late for the lease of {transfer.destination}",
                    transfer,
                    (*value.path, "refresh"),
                    lease_ns,
                    duration_text(value.refresh_ns),
                )


def _finding(
    message: str, transfer: Transfer, path: tuple[str | int, ...], lease_ns: int, found: str, *, on_key: bool = False
) -> Finding:
    half = duration_text(lease_ns // 2)
    return RULE.finding(
        message,
        path,
        expected=f"at least every {half}, half of the lease",
        found=found,
        fix=f"let it be written at least every {half}",
        related=[("the lease", ("controller", transfer.destination, "lease"))],
        on_key=on_key,
    )


RULE = Rule("lease-not-kept", Level.ERROR, "a controller lets go of a value before it is written again", PAGE, check)
