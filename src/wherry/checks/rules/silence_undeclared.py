"""Nobody has said what a controller does when nothing is written to it any more."""

from __future__ import annotations

from collections.abc import Iterator

from wherry.checks.rule import Judged, Rule
from wherry.findings import Finding, Level
from wherry.plan.model import WhenSilent

PAGE = """\
### What it finds

A controller that is written to without `when_silent`; and, as a warning, one that runs on when the writes stop.

### Why it matters

Stopping the exchange is an action too. A drive may keep its last speed, some speed up to a limit, and a time-out that
should stop them is often switched off, or counts only after a restart. Whoever stops Wherry must know.

### Bad

```toml
[controller.skid]
connect = "tcp://10.20.0.11"

[controller.feeder]
#           ^^^^^^
connect = "tcp://10.20.0.14"

[transfer.feed]
from = "skid"
to = "feeder"
every = "200 ms"
on_loss = "hold"
values = [
  { name = "feed rate", take = "holding 2", put = "holding 100" },
]
```

### Good

```toml
[controller.skid]
connect = "tcp://10.20.0.11"

[controller.feeder]
connect = "tcp://10.20.0.14"
when_silent = "stops"

[transfer.feed]
from = "skid"
to = "feeder"
every = "200 ms"
on_loss = "hold"
values = [
  { name = "feed rate", take = "holding 2", put = "holding 100" },
]
```

### How to mend it

Find out, by the manual and by trying it in a safe state: write to it, then pull the plug of the exchange. Then declare
what it does: `when_silent = "holds"`, `"falls back"`, `"stops"` or `"runs on"`, and after how long (`lease`). One that
runs on needs a stop that does not depend on the exchange.
"""


def check(judged: Judged) -> Iterator[Finding]:
    for name in dict.fromkeys(each.destination for each in judged.plan.transfers):
        controller = judged.controllers[name]
        if controller.when_silent is None:
            yield RULE.finding(
                f"nobody has said what {name} does when nothing is written to it any more",
                controller.path,
                expected="`when_silent`",
                found="nothing",
                fix='try it out in a safe state, and write for example `when_silent = "holds"`',
            )
        elif controller.when_silent is WhenSilent.RUNS_ON:
            yield RULE.finding(
                f"{name} runs on to a limit when nothing is written to it any more",
                (*controller.path, "when_silent"),
                level=Level.WARNING,
                expected="a stop that does not depend on the exchange",
                found="runs on",
                fix="set the time-out in the controller itself and try it, or stop it by wire",
            )


RULE = Rule(
    "silence-undeclared", Level.NOTE, "what a controller does when the writes stop is not declared", PAGE, check
)
