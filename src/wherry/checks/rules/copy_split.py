"""A block that is carried in pieces."""

from __future__ import annotations

from collections.abc import Iterator

from wherry.checks.notation import both
from wherry.checks.rule import Judged, Rule
from wherry.findings import Finding, Level

PAGE = """\
### What it finds

A `copy` that is longer than one of the two controllers hands over in one request. It is carried in several pieces.

### Why it matters

Each piece is from one instant, the whole block is not. A value of several registers that lies across the seam
between two pieces can arrive torn.

### Bad

```toml
[controller.skid]
connect = "tcp://10.20.0.11"

[controller.hall]
connect = "tcp://10.20.0.12"
limits = { write = 60 }

[transfer.water]
from = "skid"
to = "hall"
every = "200 ms"
on_loss = "hold"
copy = { take = "holding 0..99", put = "holding 0..99" }
#      ^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^
```

### Good

```toml
[controller.skid]
connect = "tcp://10.20.0.11"

[controller.hall]
connect = "tcp://10.20.0.12"
limits = { write = 60 }

[transfer.water]
from = "skid"
to = "hall"
every = "200 ms"
on_loss = "hold"
copy = [
  { take = "holding 0..49", put = "holding 0..49" },
  { take = "holding 50..99", put = "holding 50..99" },
]
```

### How to mend it

Cut the block yourself at places where no value lies across, and write the pieces as a list of copies.
"""


def check(judged: Judged) -> Iterator[Finding]:
    for transfer in judged.plan.transfers:
        pieces: dict[tuple[str | int, ...], list[str]] = {}
        for value in transfer.values:
            if value.is_copy:
                pieces.setdefault(value.path, []).append(both(value.take))
        for path, places in pieces.items():
            if len(places) > 1:
                yield RULE.finding(
                    f"the block of `{transfer.name}` is carried in {len(places)} pieces",
                    path,
                    expected="a block that one read and one write can hold",
                    found=", ".join(places[:4]) + (" ..." if len(places) > 4 else ""),
                    fix="cut the block yourself, where no value lies across",
                )


RULE = Rule(
    "copy-split", Level.NOTE, "a copied block is too long for one request and is carried in pieces", PAGE, check
)
