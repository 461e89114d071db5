"""A value that cannot be moved in steps."""

from __future__ import annotations

from collections.abc import Iterator

from wherry.checks.rule import Judged, Rule
from wherry.findings import Finding, Level
from wherry.plan.model import Value
from wherry.values.scaling import exact, line_of
from wherry.values.types import Kind
from wherry.values.units import UnitError, unit_line

PAGE = """\
### What it finds

A `step` on a value that is not put as a number, or one that is smaller than one count of the destination.

### Why it matters

`step` promises that the receiver's place never changes by more than that. What is no number has no steps, and a place
that counts in ones cannot be moved by half a one: it would stay where it is for ever.

### Bad

```toml
[controller.skid]
connect = "tcp://10.20.0.11"

[controller.feeder]
connect = "tcp://10.20.0.14"

[transfer.feed]
from = "skid"
to = "feeder"
every = "1 s"
on_loss = "hold"
values = [
  { name = "feed rate", take = "holding 2 float32", put = "holding 100", range = [0, 100], step = 0.5 },
#                                                                                                 ^^^
]
```

### Good

```toml
[controller.skid]
connect = "tcp://10.20.0.11"

[controller.feeder]
connect = "tcp://10.20.0.14"

[transfer.feed]
from = "skid"
to = "feeder"
every = "1 s"
on_loss = "hold"
values = [
  { name = "feed rate", take = "holding 2 float32", put = "holding 100", range = [0, 100], step = 2 },
]
```

### How to mend it

Write a step of at least one count of the destination, or put the value with a finer `scale` or as a float. Take `step`
away from what is no number.
"""


def check(judged: Judged) -> Iterator[Finding]:
    for transfer in judged.plan.transfers:
        for value in transfer.values:
            if value.step is not None:
                yield from _judge(value, value.step)


def _judge(value: Value, step: float) -> Iterator[Finding]:
    path = (*value.path, "step")
    if not value.put.type.is_number:
        yield RULE.finding(
            f"`{value.name}` is not put as a number and cannot be moved in steps",
            path,
            expected="`step` for numbers only",
            found=f"{value.put.type}",
            fix="take `step` away",
            related=[("put here", value.put.path)],
        )
        return
    if value.put.type.kind is Kind.FLOAT:
        return
    try:
        to_put = unit_line(value.unit, value.put_unit).then(line_of(value.scale))
    except UnitError:
        return  # told by a rule of its own
    counts = abs(to_put.factor) * exact(step)
    if counts < 1:
        yield RULE.finding(
            f"a step of `{value.name}` is smaller than one count of its place",
            path,
            expected="at least one count",
            found=f"{step:g} is {float(counts):g} counts",
            fix="write a larger `step`, or put the value with a finer `scale`",
            related=[("counted in ones here", value.put.path)],
        )


RULE = Rule("step-unfit", Level.ERROR, "a value cannot be moved in steps of this size", PAGE, check)
