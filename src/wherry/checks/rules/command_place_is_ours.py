"""A place of a command that the plan itself writes."""

from __future__ import annotations

from collections.abc import Iterator

from wherry.checks.notation import both, device
from wherry.checks.rule import Judged, Rule
from wherry.findings import Finding, Level, Path
from wherry.plan.model import Table

PAGE = """\
### What it finds

A command whose `request`, `acknowledge` or `result` is a place that this plan puts something into.

### Why it matters

The request number must be the source's own, and the acknowledge and the result the receiver's own. An acknowledge
that we have written ourselves says that a command was carried out when nobody has done so; a request number that we
write asks for commands that nobody wants.

### Bad

```toml
[controller.hall]
connect = "tcp://10.20.0.11"

[controller.feeder]
connect = "tcp://10.20.0.12"

[command.feed]
from = "hall"
to = "feeder"
every = "200 ms"
expiry = "3 s"
request = "holding 20"
put = "holding 40"
acknowledge = "holding 40"
#             ^^^^^^^^^^^^
answer = "holding 30"
```

### Good

```toml
[controller.hall]
connect = "tcp://10.20.0.11"

[controller.feeder]
connect = "tcp://10.20.0.12"

[command.feed]
from = "hall"
to = "feeder"
every = "200 ms"
expiry = "3 s"
request = "holding 20"
put = "holding 40"
acknowledge = "holding 50"
answer = "holding 30"
```

### How to mend it

Let the receiver's program copy the request number into a register of its own when it has carried the request out, and
name that one.
"""


def check(judged: Judged) -> Iterator[Finding]:
    ours: dict[tuple[tuple[str, int, int], Table, int], tuple[str, Path]] = {}
    for transfer in judged.plan.putting:
        place = device(judged.destination(transfer))
        written = [(value.put.span, f"`{value.name}`", value.put.path) for value in transfer.values]
        if transfer.status is not None:
            written.append((transfer.status, f"the status of `{transfer.name}`", (*transfer.path, "status")))
        for span, name, path in written:
            for address in range(span.start, span.stop):
                ours.setdefault((place, span.table, address), (name, path))
    for command in judged.plan.commands:
        for key, controller_name, point in (
            ("request", command.source, command.request),
            ("acknowledge", command.destination, command.acknowledge),
            ("result", command.destination, command.result),
        ):
            if point is None:
                continue
            place = device(judged.controllers[controller_name])
            found = ours.get((place, point.table, point.address))
            if found is not None:
                name, path = found
                yield RULE.finding(
                    f"the `{key}` of `{command.name}` is written by this plan: {name} is put there",
                    (*command.path, key),
                    expected=f"a register that only the program of {controller_name} writes",
                    found=both(point),
                    fix=f"name a register that the program of {controller_name} writes by itself",
                    related=[(f"{name} is put here", path)],
                )


RULE = Rule("command-place-is-ours", Level.ERROR, "a command reads what the plan itself writes", PAGE, check)
