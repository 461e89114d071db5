"""A scale that is not a line."""

from __future__ import annotations

from collections.abc import Iterator

from wherry.checks.intervals import is_flat
from wherry.checks.notation import number
from wherry.checks.rule import Judged, Rule
from wherry.findings import Finding, Level

PAGE = """\
### What it finds

A `scale` or `take_scale` whose first two numbers are the same, or whose last two are the same.

### Why it matters

A scale `[a, b, c, d]` is the straight line on which a becomes c and b becomes d. With a equal to b there is no such
line; with c equal to d every number becomes the same one.

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
  { name = "tank 1 level", take = "holding 2", put = "holding 100", scale = [0, 0, 0, 1000] },
#                                                                           ^^^^^^^^^^^^^^^
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
  { name = "tank 1 level", take = "holding 2", put = "holding 100", scale = [0, 4000, 0, 1000] },
]
```

### How to mend it

Write two different numbers on each side.
"""


def check(judged: Judged) -> Iterator[Finding]:
    for transfer in judged.plan.putting:
        for value in transfer.values:
            for key, scale in (("take_scale", value.take_scale), ("scale", value.scale)):
                if scale is not None and (is_flat(scale) or scale.to_low == scale.to_high):
                    ends = (scale.from_low, scale.from_high, scale.to_low, scale.to_high)
                    yield RULE.finding(
                        f"the `{key}` of `{value.name}` is not a line with a slope",
                        (*value.path, key),
                        expected="two different numbers before, and two different numbers after",
                        found=f"[{', '.join(map(number, ends))}]",
                        fix="write two different numbers on each side",
                    )


RULE = Rule("flat-scale", Level.ERROR, "both ends of a scale are the same", PAGE, check)
