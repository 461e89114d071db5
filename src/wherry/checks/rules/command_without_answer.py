"""A command whose source is not told what became of it."""

from __future__ import annotations

from collections.abc import Iterator

from wherry.checks.rule import Judged, Rule
from wherry.findings import Finding, Level

PAGE = """\
### What it finds

A command without `answer`.

### Why it matters

The source's program cannot tell whether the request was carried out, refused, or forgotten, and may ask again for
what was done already. What stood in the source before a start cannot be told from what was carried out, either.

### Bad

```toml
[controller.hall]
connect = "tcp://10.20.0.11"

[controller.feeder]
connect = "tcp://10.20.0.12"

[command.feed]
#        ^^^^
from = "hall"
to = "feeder"
every = "200 ms"
expiry = "3 s"
request = "holding 20"
put = "holding 40"
acknowledge = "holding 50"
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

Give the command three free holding registers in the source, and let the source's program wait for its number to
appear in the first one before it asks again.
"""


def check(judged: Judged) -> Iterator[Finding]:
    for command in judged.plan.commands:
        if command.answer is None:
            yield RULE.finding(
                f"{command.source} cannot tell what became of its requests `{command.name}`",
                command.path,
                expected="`answer`: three holding registers in the source",
                found="none",
                fix='add for example `answer = "holding 30"` (request number, outcome, result)',
            )


RULE = Rule("command-without-answer", Level.NOTE, "the source of a command is not told what became of it", PAGE, check)
