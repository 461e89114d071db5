"""Values that come back to where they were taken from."""

from __future__ import annotations

from collections.abc import Iterator

from wherry.checks.loops import Node, find_loops
from wherry.checks.notation import both
from wherry.checks.rule import Judged, Rule
from wherry.findings import Finding, Level

PAGE = """\
### What it finds

A chain of values in which each is taken from the place that the one before is put into, and the last is put where
the first is taken from.

### Why it matters

The number goes round for ever and overwrites what the source's own program says. With a scale on the way it grows
or shrinks with every round.

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
values = [
  { name = "tank 1 level", take = "holding 2", put = "holding 100" },
]

[transfer.back]
from = "hall"
to = "skid"
every = "200 ms"
on_loss = "hold"
values = [
  { name = "set point", take = "holding 100", put = "holding 2" },
#                                                   ^^^^^^^^^^^
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

[transfer.back]
from = "hall"
to = "skid"
every = "200 ms"
on_loss = "hold"
values = [
  { name = "set point", take = "holding 100", put = "holding 3" },
]
```

### How to mend it

Give the value that comes back a place of its own, and let the controller's program decide which of the two counts.
"""


def check(judged: Judged) -> Iterator[Finding]:
    for loop in find_loops(judged):
        last = loop[-1]
        round_trip = [f"{node.transfer.source} {both(node.value.take)}" for node in loop]
        ends = f"{last.transfer.destination} {both(last.value.put)}"
        names = " and ".join(f"`{node.value.name}`" for node in loop[:3]) + (" and others" if len(loop) > 3 else "")
        yield RULE.finding(
            f"{names} {'goes' if len(loop) == 1 else 'go'} round in a loop",
            last.value.put.path,
            expected="a place that this value does not come from",
            found=" -> ".join([*round_trip[:5], *(["..."] if len(loop) > 5 else []), ends]),
            fix="give the value that comes back a place of its own",
            related=[_related(node) for node in loop[:-1][:3]] or [_related(last)],
        )


def _related(node: Node) -> tuple[str, tuple[str | int, ...]]:
    return (f"`{node.value.name}` is taken here", node.value.take.path)


RULE = Rule("feedback-loop", Level.ERROR, "a place is fed, over one or more transfers, from itself", PAGE, check)
