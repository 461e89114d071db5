"""A deadband that no change of the value can leave."""

from __future__ import annotations

from collections.abc import Iterator

from wherry.checks.intervals import possible
from wherry.checks.notation import number
from wherry.checks.rule import Judged, Rule
from wherry.findings import Finding, Level
from wherry.plan.model import Transfer, Value
from wherry.values.scaling import exact

PAGE = """\
### What it finds

A `deadband` as wide as everything the value can be, or wider: its `range`, or what its source's type holds.

### Why it matters

A value is written again when it differs by more than the deadband from what was written last. Here it never does: the
receiver keeps the first value for ever, as Good, or gets another one only with each `refresh`.

### Bad

```toml
[controller.skid]
connect = "tcp://10.20.0.11"

[controller.hall]
connect = "tcp://10.20.0.12"

[transfer.water]
from = "skid"
to = "hall"
every = "1 s"
on_loss = "hold"
values = [
  { name = "pH", take = "holding 2 float32", put = "holding 100 float32", range = [6, 9], deadband = 5 },
#                                                                                                    ^
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
every = "1 s"
on_loss = "hold"
values = [
  { name = "pH", take = "holding 2 float32", put = "holding 100 float32", range = [6, 9], deadband = 0.05 },
]
```

### How to mend it

Write the deadband in `unit`, as the `range` is, and as small as the receiver needs it: often a count of the register
was meant, or per cent. To write a value only every now and then, use `shortest`.
"""


def check(judged: Judged) -> Iterator[Finding]:
    for transfer in judged.plan.transfers:
        for value in transfer.values:
            finding = _judge(transfer, value)
            if finding is not None:
                yield finding


def _judge(transfer: Transfer, value: Value) -> Finding | None:
    if not value.deadband or not value.put.type.is_number or not value.take.type.is_number:
        return None
    can_be = possible(value)
    if can_be is None or exact(value.deadband) < can_be[1] - can_be[0]:
        return None
    found = f"{number(exact(value.deadband))}, and it can be {number(can_be[0])} to {number(can_be[1])}"
    key = "take" if value.range is None else "range"
    return RULE.finding(
        f"`{value.name}` of `{transfer.name}` never differs by more than its `deadband`",
        (*value.path, "deadband"),
        expected=f"less than {number(can_be[1] - can_be[0])}, all that the value can change by",
        found=f"{found} {value.unit}".rstrip(),
        fix="write a smaller `deadband`, in `unit`, or take it away",
        related=[("what it can be", (*value.path, key))],
    )


RULE = Rule("deadband-too-wide", Level.WARNING, "a deadband is wider than what the value can be", PAGE, check)
