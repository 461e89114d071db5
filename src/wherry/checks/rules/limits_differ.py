"""Limits of one address that contradict each other."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from wherry.checks.rule import Judged, Rule
from wherry.findings import Finding, Level
from wherry.plan.addresses import by_address
from wherry.plan.durations import duration_text
from wherry.plan.model import Controller, Limits

PAGE = """\
### What it finds

Units behind one host and port that declare different limits for what they share: `in_flight`, `connections`, `gap`,
`rate`, `reconnect`, `connects`, `idle`, `connection` or `gateway_timeout`. A unit that leaves one out declares its
default.

### Why it matters

The units share the connection, so only one of the limits can hold: Wherry takes the gentlest. Whoever declared another
one expected something else.

### Bad

```toml
[controller.skid]
connect = "tcp://10.20.0.11"
unit = 1
limits = { gap = "20 ms" }

[controller.hall]
connect = "tcp://10.20.0.11"
#         ^^^^^^^^^^^^^^^^^^
unit = 2

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
unit = 1
limits = { gap = "20 ms" }

[controller.hall]
connect = "tcp://10.20.0.11"
unit = 2
limits = { gap = "20 ms" }

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

Write the gateway's limits at each of its units.
"""


def _duration(value_ns: int | None) -> str:
    return "none" if value_ns is None else duration_text(value_ns)


SHARED: dict[str, Callable[[Limits], str]] = {
    "in_flight": lambda limits: str(limits.in_flight),
    "connections": lambda limits: str(limits.connections),
    "gap": lambda limits: _duration(limits.gap_ns),
    "rate": lambda limits: "none" if limits.requests_per_s is None else f"{limits.requests_per_s:g}",
    "reconnect": lambda limits: _duration(limits.reconnect_ns),
    "connects": lambda limits: "none" if limits.connects_per_hour is None else str(limits.connects_per_hour),
    "idle": lambda limits: _duration(limits.idle_ns),
    "connection": lambda limits: str(limits.connection),
    "gateway_timeout": lambda limits: _duration(limits.gateway_timeout_ns),
}
"""What the units of an address share, as it is written in a plan."""


def check(judged: Judged) -> Iterator[Finding]:
    for group in by_address(judged.plan.controllers):
        first = group[0]
        for other in group[1:]:
            for key, text in SHARED.items():
                if text(first.limits) != text(other.limits):
                    yield _finding(judged, key, first, other)


def _finding(judged: Judged, key: str, first: Controller, other: Controller) -> Finding:
    one, two = SHARED[key](first.limits), SHARED[key](other.limits)
    path = (*other.path, "limits", key)
    first_path = (*first.path, "limits", key)
    return RULE.finding(
        f"{other.name} and {first.name} share a connection, but not the limit `{key}`",
        path if judged.is_written(path) else (*other.path, "connect"),
        expected=f"`{key}` of {first.name}, {one}",
        found=two,
        fix="write the same limit at each unit of the address; the gentlest of them holds",
        related=[(f"{first.name} declares it", first_path)] if judged.is_written(first_path) else (),
    )


RULE = Rule("limits-differ", Level.WARNING, "units that share a connection declare different limits", PAGE, check)
