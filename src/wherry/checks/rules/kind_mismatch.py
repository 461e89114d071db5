"""A value that changes its kind on the way."""

from __future__ import annotations

from collections.abc import Iterator

from wherry.checks.notation import both
from wherry.checks.rule import Judged, Rule
from wherry.findings import Finding, Level
from wherry.plan.model import Point
from wherry.values.types import Kind

PAGE = """\
### What it finds

A value that is a number on one side and a bool, a text or raw registers on the other; or raw items that are bits on
one side and registers on the other.

### Why it matters

There is no right way to turn one into the other, so none is made up. Raw registers in particular mean nothing by
themselves: to carry them as a number, say on both sides which one.

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
  { name = "pump 1 running", take = "holding 12.3", put = "holding 100 int16" },
#                                                         ^^^^^^^^^^^^^^^^^^^
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
  { name = "pump 1 running", take = "holding 12.3", put = "holding 100.0" },
]
```

### How to mend it

Give both places types of one kind: bool and bool (a coil, a discrete input, or a bit such as `holding 12.3`),
number and number, string and string, raw and raw.
"""


def check(judged: Judged) -> Iterator[Finding]:
    for transfer in judged.plan.putting:
        for value in transfer.values:
            taken, put = _kind(value.take), _kind(value.put)
            if taken != put:
                yield RULE.finding(
                    f"`{value.name}` is taken as {taken} and put as {put}",
                    value.put.path,
                    expected=f"{taken}, as at {both(value.take)}",
                    found=f"{put} at {both(value.put)}",
                    fix="give both places types of one kind",
                    related=[(f"taken as {taken}", value.take.path)],
                )


def _kind(point: Point) -> str:
    if point.type.kind is Kind.RAW:
        return "raw bits" if point.table.is_bits else "raw registers"
    if point.type.is_number:
        return "a number"
    return "text" if point.type.kind is Kind.STRING else "a bool"


RULE = Rule(
    "kind-mismatch", Level.ERROR, "a value is of one kind where it is taken and of another where it is put", PAGE, check
)
