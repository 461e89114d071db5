"""Steps of the source that the destination cannot show."""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction

from wherry.checks.intervals import WHOLE_MAX, image, is_flat, line_to_put, possible
from wherry.checks.notation import number
from wherry.checks.rule import Judged, Rule
from wherry.findings import Finding, Level
from wherry.plan.model import Value
from wherry.values.scaling import Line, exact, line_of
from wherry.values.types import Kind

STEPS_MIN = 100
"""Fewer steps than this over the whole range is coarse: one in a hundred (common practice, no source)."""

PAGE = """\
### What it finds

A value that loses its finer steps on the way:

* a number with decimals (or in fine steps) put as a whole number that has fewer than 100 steps over the range;
* a whole number put as a float that has no place for each of them (beyond 16,777,216 for float32, 9,007,199,254,740,992
  for float64);
* a float64 put as a float32, which keeps about seven digits (a note).

### Why it matters

The value arrives and looks right, but a control loop on it moves in jumps, and a totaliser stands still once it is
large.

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
  { name = "oxygen", take = "holding 0 float32", put = "holding 100 int16", range = [0, 20] },
#                                                      ^^^^^^^^^^^^^^^^^^^
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
  { name = "oxygen", take = "holding 0 float32", put = "holding 100 int16", range = [0, 20], scale = [0, 20, 0, 2000] },
]
```

### How to mend it

Scale the value so that the receiver's whole numbers are fine enough (and let the receiver's program divide), or put it
in a type that holds the steps.
"""

Judgement = tuple[Level, str, str, str] | None
"""Level, message behind the name, expected, found."""


def check(judged: Judged) -> Iterator[Finding]:
    known: dict[tuple[object, ...], Judgement] = {}
    for transfer in judged.plan.putting:
        for value in transfer.values:
            if value.is_copy or not (value.take.type.is_number and value.put.type.is_number):
                continue
            key = (
                value.take.type,
                value.put.type,
                value.take_scale,
                value.scale,
                value.unit,
                value.put_unit,
                value.range,
            )
            if key not in known:
                known[key] = _judge(value)
            judgement = known[key]
            if judgement is not None:
                level, message, expected, found = judgement
                yield RULE.finding(
                    f"`{value.name}` {message}",
                    value.put.path,
                    level=level,
                    expected=expected,
                    found=found,
                    fix="scale the value so that its steps are kept, or use a type at `put` that holds them",
                    related=[("it is taken from here", value.take.path)],
                )


def _judge(value: Value) -> Judgement:
    line = line_to_put(value)
    can_be = None if is_flat(value.take_scale) else possible(value)
    if line is None or can_be is None:
        return None  # other findings tell
    take, put = value.take.type, value.put.type
    if put.kind is Kind.FLOAT:
        return _judge_float(value, line, max(abs(end) for end in image(line, can_be)))
    if take.kind is Kind.FLOAT and value.range is None and value.scale is None:
        return (
            Level.WARNING,
            f"loses its decimals: {take} is put as {put} without a scale",
            "a scale",
            "whole numbers",
        )
    if value.range is None and value.scale is not None:
        width = abs(line_of(value.scale).factor * _width(value))
    else:
        width = abs(line.factor) * (can_be[1] - can_be[0])
    step = line_of(value.take_scale).factor
    source_steps = None if take.kind is Kind.FLOAT else abs((can_be[1] - can_be[0]) / step) if step else Fraction(0)
    if width >= STEPS_MIN or (source_steps is not None and width >= source_steps):
        return None
    had = "decimals" if source_steps is None else f"{number(source_steps)} steps"
    return (
        Level.WARNING,
        f"is put in {number(width)} steps over its whole range",
        f"at least {STEPS_MIN} steps, or as many as the source has",
        f"{number(width)} steps of {put}; the source has {had}",
    )


def _width(value: Value) -> Fraction:
    """The width of the scale's input side."""
    assert value.scale is not None
    return exact(value.scale.from_high) - exact(value.scale.from_low)


def _judge_float(value: Value, line: Line, greatest: Fraction) -> Judgement:
    take, put = value.take.type, value.put.type
    if take.kind is Kind.FLOAT:
        if take.bits <= put.bits:
            return None
        return (Level.NOTE, f"keeps about seven digits: {take} is put as {put}", str(take), str(put))
    step = abs(line.factor * line_of(value.take_scale).factor)
    whole_max = WHOLE_MAX[put.bits]
    if step == 0 or greatest / step <= whole_max:
        return None
    return (
        Level.WARNING,
        f"has more steps than {put} can tell apart",
        f"at most {whole_max:,} steps from zero",
        f"up to {number(greatest / step)} steps from {take}",
    )


RULE = Rule("precision-loss", Level.WARNING, "the destination cannot show the steps of the source", PAGE, check)
