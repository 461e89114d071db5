"""A command that expires before it can be acknowledged."""

from __future__ import annotations

from collections.abc import Iterator

from wherry.checks.rule import Judged, Rule
from wherry.findings import Finding, Level
from wherry.plan.durations import duration_text

PAGE = """\
### What it finds

A command whose `expiry` is shorter than three periods.

### Why it matters

A request is up to one period old when it is seen, and the acknowledge is looked at once in a period. With less than
three periods a request expires although nobody failed, or its outcome is unknown although it was carried out.

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
expiry = "400 ms"
#        ^^^^^^^^
request = "holding 20"
put = "holding 40"
acknowledge = "holding 50"
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

Write a longer `expiry`: as long as it makes sense to carry the request out, plus the time that the receiver takes for
it. Or look more often.
"""


PERIODS_MIN = 3


def check(judged: Judged) -> Iterator[Finding]:
    for command in judged.plan.commands:
        least_ns = PERIODS_MIN * command.period_ns
        if command.expiry_ns < least_ns:
            yield RULE.finding(
                f"requests of `{command.name}` expire before they can be acknowledged",
                (*command.path, "expiry"),
                expected=f"at least {duration_text(least_ns)}: three periods",
                found=duration_text(command.expiry_ns),
                fix=f"write {duration_text(least_ns)} or more, or a shorter period",
                related=[("its period", (*command.path, "every"))],
            )


RULE = Rule("command-expires-too-soon", Level.ERROR, "a command expires before it can be acknowledged", PAGE, check)
