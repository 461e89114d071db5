"""Single bits of registers, which need a rare function."""

from __future__ import annotations

from collections.abc import Iterator

from wherry.checks.notation import both
from wherry.checks.rule import Judged, Rule
from wherry.findings import Finding, Level
from wherry.plan.model import BitWrites, Value

PAGE = """\
### What it finds

Values that are put into single bits of holding registers, such as `holding 12.3`. One note for each receiving
controller.

### Why it matters

They are put with a mask write (function 16 hex, Modbus Application Protocol V1.1b3, 6.16), which leaves the other
bits of the register alone. Many devices do not have this function and answer with exception 1 (common practice, no
source).

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
  { name = "pump 1 running", take = "coil 3", put = "holding 100.0" },
#                                                   ^^^^^^^^^^^^^^^
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
  { name = "pump 1 running", take = "coil 3", put = "coil 100" },
]
```

### How to mend it

Put bits into coils where the receiver offers them, or give the receiver a whole register for each. If the device
has function 16 (hex), leave it: this is only a note. If it has not, and nobody else writes into the register, declare
the controller with `bit_writes = "read-change-write"` and the register in `owned`.
"""


def check(judged: Judged) -> Iterator[Finding]:
    bits: dict[str, list[Value]] = {}
    for transfer in judged.plan.putting:
        for value in transfer.values:
            is_masked = judged.destination(transfer).bit_writes is BitWrites.MASK
            if value.put.bit is not None and is_masked:
                bits.setdefault(transfer.destination, []).append(value)
    for name, values in bits.items():
        more = f" and {len(values) - 1} more" if len(values) > 1 else ""
        yield RULE.finding(
            f"{name} must know function 16 (hex): `{values[0].name}`{more} is put into a bit of a register",
            values[0].put.path,
            expected="a coil, or a device that has mask writes",
            found=both(values[0].put) + more,
            fix='make sure that the device has function 16 (hex), use coils, or set `bit_writes = "read-change-write"`',
        )


RULE = Rule(
    "needs-mask-write",
    Level.NOTE,
    "single bits of holding registers are put with function 16 (hex), which not every device has",
    PAGE,
    check,
)
