"""A time-out that comes before the gateway's own."""

from __future__ import annotations

from collections.abc import Iterator

from wherry.checks.rule import Judged, Rule
from wherry.findings import Finding, Level
from wherry.plan.durations import duration_text

PAGE = """\
### What it finds

A controller behind a gateway (`limits.gateway_timeout`) whose time-out (`limits.timeout`) is not longer than the
gateway's own.

### Why it matters

When a unit does not answer, the gateway still waits for it when Wherry has given up and sends the next request. The
requests then queue up in the gateway, which answers old ones: every answer comes late and is dropped.

### Bad

```toml
[controller.skid]
connect = "tcp://10.20.0.11"
limits = { timeout = "1 s", gateway_timeout = "3 s" }
#                    ^^^^^

[controller.hall]
connect = "tcp://10.20.0.12"

[transfer.water]
from = "skid"
to = "hall"
every = "5 s"
on_loss = "hold"
values = [
  { name = "tank 1 level", take = "holding 2", put = "holding 100" },
]
```

### Good

```toml
[controller.skid]
connect = "tcp://10.20.0.11"
limits = { timeout = "3500 ms", gateway_timeout = "3 s" }

[controller.hall]
connect = "tcp://10.20.0.12"

[transfer.water]
from = "skid"
to = "hall"
every = "5 s"
on_loss = "hold"
values = [
  { name = "tank 1 level", take = "holding 2", put = "holding 100" },
]
```

### How to mend it

Set `timeout` to the gateway's own time-out, times its attempts, plus what the answer takes on its way. Or shorten the
gateway's, if it can be set.
"""


def check(judged: Judged) -> Iterator[Finding]:
    for controller in judged.plan.controllers:
        limits = controller.limits
        if limits.gateway_timeout_ns is None or limits.timeout_ns > limits.gateway_timeout_ns:
            continue
        timeout, gateway = ((*controller.path, "limits", key) for key in ("timeout", "gateway_timeout"))
        is_written = judged.is_written(timeout)
        yield RULE.finding(
            f"{controller.name} is given up before its gateway gives it up",
            timeout if is_written else gateway,
            expected=f"a `timeout` longer than the gateway's own, {duration_text(limits.gateway_timeout_ns)}",
            found=f"{duration_text(limits.timeout_ns)}{'' if is_written else ' (as nothing is written)'}",
            fix="give it a longer `timeout` in its limits, or set the gateway to a shorter one",
            related=[("the gateway's time-out", gateway)] if is_written else (),
        )


RULE = Rule("timeout-before-gateway", Level.ERROR, "a time-out is not longer than the gateway's own", PAGE, check)
