"""A value that cannot be moved in steps."""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction

from wherry.checks.intervals import float_reach, float_spacing, image, line_to_put, possible
from wherry.checks.rule import Judged, Rule
from wherry.findings import Finding, Level
from wherry.plan.model import Value
from wherry.values.scaling import Line, exact
from wherry.values.types import Kind

PAGE = """\
### What it finds

A `step` on a value that is not put as a number, or one that is smaller than the destination can tell apart: than one
count of it, or than the distance of two floats somewhere in the value's `range`. Without a `range` that is a warning,
and counts for the numbers that the source can deliver.

### Why it matters

`step` promises that the receiver's place never changes by more than that. What is no number has no steps, and a place
that counts in ones cannot be moved by half a one: it would stay where it is for ever. Floats lie further apart the
greater they are: neighbouring float32 differ by up to 0.001 below 16,384, and by 1 just below 16,777,216.

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

Write a step of at least one count of the destination, or put the value with a finer `scale` or as a float. For a float
declare the `range` that the value really has, write a larger step, or put it as float64. Take `step` away from what is
no number.
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
    to_put = line_to_put(value)
    if to_put is None:
        return  # told by a rule of its own
    counts = abs(to_put.factor) * exact(step)
    if value.put.type.kind is Kind.FLOAT:
        yield from _judge_float(value, step, counts, to_put)
        return
    if counts < 1:
        yield RULE.finding(
            f"a step of `{value.name}` is smaller than one count of its place",
            path,
            expected="at least one count",
            found=f"{step:g} is {float(counts):g} counts",
            fix="write a larger `step`, or put the value with a finer `scale`",
            related=[("counted in ones here", value.put.path)],
        )


def _judge_float(value: Value, step: float, moved: Fraction, to_put: Line) -> Iterator[Finding]:
    """``moved`` is the step in the numbers that travel."""
    numbers = possible(value)
    bits = value.put.type.bits
    greatest = max((abs(each) for each in image(to_put, numbers)), default=Fraction(0)) if numbers else Fraction(0)
    if not greatest or not moved or moved >= float_spacing(bits, greatest):
        return
    spacing = float_spacing(bits, greatest)
    reach = f"{float(float_reach(bits, moved)):,.9g}"
    if value.range is None:
        yield RULE.finding(
            f"`{value.name}` cannot be moved by its step where its place holds more than {reach}",
            (*value.path, "step"),
            level=Level.WARNING,
            expected="a `range` in which two neighbouring floats are no further apart than `step`",
            found=f"no `range`; {step:g} is less than two neighbouring {value.put.type} differ beyond {reach}",
            fix="declare the `range` of the value",
            related=[("put here", value.put.path)],
        )
        return
    yield RULE.finding(
        f"a step of `{value.name}` is smaller than two neighbouring numbers of its place differ",
        (*value.path, "step"),
        expected=f"at least {float(spacing / abs(to_put.factor)):.3g}, by which {value.put.type} differ at "
        f"{float(greatest):,.9g}",
        found=f"{step:g}, which is enough up to {reach}",
        fix="write a larger `step`" + ("" if bits == 64 else ", or put the value as float64"),
        related=[("put here", value.put.path)],
    )


RULE = Rule("step-unfit", Level.ERROR, "a value cannot be moved in steps of this size", PAGE, check)
