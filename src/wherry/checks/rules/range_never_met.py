"""A range that the source can never deliver."""

from __future__ import annotations

from collections.abc import Iterator

from wherry.checks.intervals import image, is_flat, possible, type_range
from wherry.checks.notation import number
from wherry.checks.rule import Judged, Rule
from wherry.findings import Finding, Level
from wherry.values.scaling import line_of

PAGE = """\
### What it finds

A declared `range` that has no number in common with what the source's type can hold, followed through `take_scale`.

### Why it matters

Every reading would be out of range, so the value would always be Bad and never be put. Most often the type has the
wrong sign, or the range is given in another unit than the value.

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
  { name = "chiller outlet", take = "holding 2 uint16", put = "holding 100 int16", range = [-30, -5] },
#                                                                                          ^^^^^^^^^
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
  { name = "chiller outlet", take = "holding 2 int16", put = "holding 100 int16", range = [-30, -5] },
]
```

### How to mend it

Correct the type, the `take_scale` or the range. The range is in `unit`, behind `take_scale`.
"""


def check(judged: Judged) -> Iterator[Finding]:
    known: dict[tuple[object, ...], bool] = {}
    for transfer in judged.plan.putting:
        for value in transfer.values:
            if value.range is None or not value.take.type.is_number or is_flat(value.take_scale):
                continue
            key = (value.take.type, value.take_scale, value.range)
            if key not in known:
                known[key] = possible(value) is not None
            if not known[key]:
                low, high = image(line_of(value.take_scale), type_range(value.take.type))
                yield RULE.finding(
                    f"`{value.name}` can never be in its range",
                    (*value.path, "range"),
                    expected=f"a range that has numbers from {number(low)} to {number(high)} in it",
                    found=f"{number(value.range[0])} to {number(value.range[1])}",
                    fix="correct the type, the `take_scale` or the range",
                    related=[(f"it is taken as {value.take.type}", value.take.path)],
                )


RULE = Rule(
    "range-never-met", Level.ERROR, "no number that the source can deliver lies in the declared range", PAGE, check
)
