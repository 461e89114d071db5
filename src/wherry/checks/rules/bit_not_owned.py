"""A bit that is set by reading and writing its whole register, which somebody else may write too."""

from __future__ import annotations

from collections.abc import Iterator

from wherry.checks.notation import both, device
from wherry.checks.rule import Judged, Rule
from wherry.findings import Finding, Level
from wherry.plan.model import BitWrites

PAGE = """\
### What it finds

In a controller with `bit_writes = "read-change-write"`, a value that is put into a bit of a register that is not in
`owned`; and one that two controller names of the plan put bits into.

### Why it matters

The register is read, the bit is changed, and the whole register is written. If somebody else (the device itself, an
operator panel, another client) changes another bit in between, that change is lost, and nobody is told. So it is done
only in registers that this plan alone writes, over one connection.

### Bad

```toml
[controller.skid]
connect = "tcp://10.20.0.11"

[controller.hall]
connect = "tcp://10.20.0.12"
bit_writes = "read-change-write"

[transfer.water]
from = "skid"
to = "hall"
every = "200 ms"
on_loss = "hold"
values = [
  { name = "pump 1 running", take = "coil 3", put = "holding 5.0" },
#                                                   ^^^^^^^^^^^^^
]
```

### Good

```toml
[controller.skid]
connect = "tcp://10.20.0.11"

[controller.hall]
connect = "tcp://10.20.0.12"
bit_writes = "read-change-write"
owned = ["holding 5"]

[transfer.water]
from = "skid"
to = "hall"
every = "200 ms"
on_loss = "hold"
values = [
  { name = "pump 1 running", take = "coil 3", put = "holding 5.0" },
]
```

### How to mend it

Make sure that nobody else writes into the register, and name it in `owned`. If somebody does, put the value into a coil
or a register of its own, or use a device that has function 16 (hex).
"""


def check(judged: Judged) -> Iterator[Finding]:
    names: dict[tuple[tuple[str, int, int], int], str] = {}
    for transfer in judged.plan.putting:
        controller = judged.destination(transfer)
        for value in transfer.values:
            if value.put.bit is None:
                continue
            first = names.setdefault((device(controller), value.put.address), controller.name)
            if controller.bit_writes is not BitWrites.READ_CHANGE_WRITE:
                continue
            if not controller.owns_word(value.put):
                yield RULE.finding(
                    f"`{value.name}` is put into a bit of a register that is not declared as this plan's own",
                    value.put.path,
                    expected="a register of `owned`",
                    found=both(value.put),
                    fix=f'if nobody else writes into it, add `owned = ["{value.put.table} {value.put.address}"]` to '
                    f"`[controller.{controller.name}]`",
                    related=[("the register is read and written whole", (*controller.path, "bit_writes"))],
                )
            elif first != controller.name:
                yield RULE.finding(
                    f"bits of one register are put over two connections, those of `{first}` and `{controller.name}`",
                    value.put.path,
                    expected="one controller name for one device",
                    found=both(value.put),
                    fix=f"put it into `{first}` too",
                )


RULE = Rule(
    "bit-not-owned",
    Level.ERROR,
    "a bit is set by writing its whole register, which is not declared as this plan's own",
    PAGE,
    check,
)
