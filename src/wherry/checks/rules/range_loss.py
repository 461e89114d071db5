"""A number that the destination cannot hold."""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction

from wherry.checks.intervals import Interval, is_flat, line_to_put, possible, put_numbers, type_range
from wherry.checks.notation import number
from wherry.checks.rule import Judged, Rule
from wherry.findings import Finding, Level
from wherry.plan.model import Value
from wherry.values.types import Kind

PAGE = """\
### What it finds

A value whose numbers do not all fit into the register it is put into. The declared `range` (or, without one, everything
that the source's type can hold) is followed through unit and scale to the destination, and both ends are compared with
what the destination's type holds. With a declared range it is an error, without one a warning; so is a text that can be
longer than its destination.

### Why it matters

Wherry never lets a number wrap: what does not fit is Bad and is not put. The receiver would lose the value just when it
is far from normal.

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
  { name = "heater power", take = "holding 0 uint32", put = "holding 100 uint16", unit = "W", range = [0, 70000] },
#                                                           ^^^^^^^^^^^^^^^^^^^^
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
  { name = "heater power", take = "holding 0 uint32", put = "holding 100 uint32", unit = "W", range = [0, 70000] },
]
```

### How to mend it

Put it in a wider type, or scale it so that the whole range fits (say so in the receiver's program too). If no range is
declared, declare the one that the process really has. `clamp = true` puts the nearest number that fits instead and
marks it Uncertain; then this finding is not made.
"""

Key = tuple[object, ...]
Judgement = tuple[Interval, Interval, Interval] | None
"""What the value can be, what arrives, and what the destination holds; None when nothing is lost."""


def check(judged: Judged) -> Iterator[Finding]:
    known: dict[Key, Judgement] = {}
    for transfer in judged.plan.putting:
        for value in transfer.values:
            if value.take.type.kind is value.put.type.kind is Kind.STRING:
                yield from _judge_text(value)
            if value.is_copy or value.clamp or not (value.take.type.is_number and value.put.type.is_number):
                continue
            # A list of ten thousand values has few kinds of value in it.
            key = (value.take.type, value.put.type, value.take_scale, value.scale, value.unit, value.put_unit,
                   value.range, value.rounding)  # fmt: skip
            if key not in known:
                known[key] = _judge(value)
            judgement = known[key]
            if judgement is not None:
                yield _finding(value, *judgement)


def _judge(value: Value) -> Judgement:
    line = line_to_put(value)
    can_be = None if is_flat(value.take_scale) else possible(value)
    if line is None or can_be is None:
        return None  # other findings tell
    arrives = put_numbers(can_be, line, value.put.type, value.rounding)
    holds = type_range(value.put.type)
    return None if holds[0] <= arrives[0] and arrives[1] <= holds[1] else (can_be, arrives, holds)


def _finding(value: Value, can_be: Interval, arrives: Interval, holds: Interval) -> Finding:
    is_declared = value.range is not None
    unit = f" {value.unit}" if value.unit else ""
    if is_declared:
        message = f"`{value.name}` does not always fit into {value.put.type}"
        fix = "use a wider type at `put`, a scale that fits the whole range, or `clamp = true`"
        related = [("its declared range", (*value.path, "range"))]
    else:
        message = f"`{value.name}` may not fit into {value.put.type}, and no range is declared"
        fix = "declare `range` (what the process really has), or use a wider type at `put`"
        related = [("its source holds more", value.take.path)]
    return RULE.finding(
        message,
        value.put.path,
        level=Level.ERROR if is_declared else Level.WARNING,
        expected=f"{value.put.type} holds {_text(holds)}",
        found=f"{_text(can_be)}{unit} puts {_text(arrives)}",
        fix=fix,
        related=related,
    )


def _judge_text(value: Value) -> Iterator[Finding]:
    taken, put = value.take.type, value.put.type
    if taken.length > put.length:
        yield RULE.finding(
            f"`{value.name}` may be longer than {put} holds",
            value.put.path,
            level=Level.WARNING,
            expected=f"at least {taken.length} characters",
            found=f"{put.length} characters",
            fix=f"put it as {taken}, if the receiver has the room",
            related=[(f"taken as {taken}", value.take.path)],
        )


def _text(interval: tuple[Fraction, Fraction]) -> str:
    return f"{number(interval[0])} to {number(interval[1])}"


RULE = Rule("range-loss", Level.ERROR, "a number can be too large or too small for its destination", PAGE, check)
