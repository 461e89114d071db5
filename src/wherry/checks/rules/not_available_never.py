"""A not-available code that can never be read."""

from __future__ import annotations

from collections.abc import Iterator

from wherry.checks.notation import both
from wherry.checks.rule import Judged, Rule
from wherry.findings import Finding, Level
from wherry.limits import REGISTER_BITS

PAGE = """\
### What it finds

A code in `not_available` that needs more bits than the value's registers have.

### Why it matters

The codes are compared with the content of the registers, as an unsigned number over all of them. This one can never
be met, so the reading that means "no value" would be carried as a number.

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
  { name = "tank 1 level", take = "holding 2", put = "holding 100", not_available = ["0x80000000"] },
#                                                                                    ^^^^^^^^^^^^
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
  { name = "tank 1 level", take = "holding 2", put = "holding 100", not_available = ["0x8000"] },
]
```

### How to mend it

Write the content of the registers as the maker's list gives it: four hexadecimal digits for each register.
"""


def check(judged: Judged) -> Iterator[Finding]:
    for transfer in judged.plan.putting:
        for value in transfer.values:
            if value.take.table.is_bits:
                continue
            bits = REGISTER_BITS * value.take.count
            for index, code in enumerate(value.not_available):
                if not 0 <= code < 1 << bits:
                    yield RULE.finding(
                        f"`{value.name}` can never be {code:#x}: it has {bits} bits",
                        (*value.path, "not_available", index),
                        expected=f"0x0 to {(1 << bits) - 1:#x}",
                        found=f"{code:#x}",
                        fix="write the register content, four hexadecimal digits for each register",
                        related=[(f"{both(value.take)}", value.take.path)],
                    )


RULE = Rule(
    "not-available-never", Level.ERROR, "a not-available code is larger than the registers can hold", PAGE, check
)
