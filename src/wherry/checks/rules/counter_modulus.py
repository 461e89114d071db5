"""A counter whose modulus contradicts its source, or its largest step."""

from __future__ import annotations

from collections.abc import Iterator

from wherry.checks.intervals import image, is_flat, type_range
from wherry.checks.notation import number
from wherry.checks.rule import Judged, Rule
from wherry.findings import Finding, Level
from wherry.plan.model import Value
from wherry.values.scaling import exact, line_of
from wherry.values.types import Kind

PAGE = """\
### What it finds

A `modulus` that the rest of the value contradicts:

* the source's registers begin again before the counter reaches it;
* the `jump` is as large as it, or larger.

### Why it matters

Where the registers begin again earlier, each new round looks like a step back, and the value is Bad until it is
believed again. Where a whole round is a step that counts, no reading is ever doubted, whichever way it went.

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
  { name = "feed doses", take = "holding 4", put = "holding 104", counter = "up", modulus = 100000 },
#                                                                                           ^^^^^^
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
  { name = "feed doses", take = "holding 4", put = "holding 104", counter = "up", modulus = 65536 },
]
```

### How to mend it

Write the first number that the counter does not reach any more, in the value's unit: 65536 for a register that counts
through, 10000 for a display of four digits. Let `jump` be the most that it counts in one period.
"""


def check(judged: Judged) -> Iterator[Finding]:
    for transfer in judged.plan.transfers:
        for value in transfer.values:
            if value.counter is not None and value.modulus is not None and value.take.type.is_number:
                yield from _judge(value, value.modulus)


def _judge(value: Value, modulus: float) -> Iterator[Finding]:
    if value.jump is not None and value.jump >= modulus:
        yield RULE.finding(
            f"a whole round of `{value.name}` is not more than its `jump`",
            (*value.path, "jump"),
            expected=f"less than {modulus:g}",
            found=f"{value.jump:g}",
            fix="write the most that it counts in one period",
            related=[("it begins again here", (*value.path, "modulus"))],
        )
    if value.take.type.kind is Kind.FLOAT or is_flat(value.take_scale):
        return
    low, high = type_range(value.take.type)
    begins_again = image(line_of(value.take_scale), (low, high + 1))[1]
    if begins_again < exact(modulus):
        yield RULE.finding(
            f"the source of `{value.name}` begins again before it reaches {modulus:g}",
            (*value.path, "modulus"),
            expected=f"at most {number(begins_again)}",
            found=f"{modulus:g}",
            fix="write where the counter begins again, or take it from a wider type",
            related=[(f"taken as {value.take.type}", value.take.path)],
        )


RULE = Rule(
    "counter-modulus", Level.ERROR, "a counter's modulus contradicts its source or its largest step", PAGE, check
)
