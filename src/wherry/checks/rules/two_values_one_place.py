"""Two values that are put into the same register or bit."""

from __future__ import annotations

from collections.abc import Iterator

from wherry.checks.notation import both, device
from wherry.checks.rule import Judged, Rule
from wherry.findings import Finding, Level
from wherry.plan.model import Table, Value

PAGE = """\
### What it finds

Two values that are put into the same register, coil or bit of one device, in one transfer or in two. A register that is
put whole also holds its sixteen bits. Two controller names for one device (same host, port and unit) count as one.

### Why it matters

The two overwrite each other every period. The receiver sees a number that jumps between two meanings, and each of the
two transfers counts its writes as delivered.

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
  { name = "tank 1 oxygen", take = "holding 0 float32", put = "holding 100 float32" },
  { name = "tank 1 level", take = "holding 2", put = "holding 101" },
#                                                    ^^^^^^^^^^^^^
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
  { name = "tank 1 oxygen", take = "holding 0 float32", put = "holding 100 float32" },
  { name = "tank 1 level", take = "holding 2", put = "holding 102" },
]
```

### How to mend it

Give each value a place of its own. A value of 32 bits takes two registers, one of 64 bits four.
"""

Owner = tuple[str, Value]


class _Taken:
    """Who puts what where in one table of one device."""

    def __init__(self) -> None:
        self.whole: dict[int, Owner] = {}
        self.bits: dict[int, dict[int, Owner]] = {}

    def claim(self, owner: Owner) -> Owner | None:
        """Note the place of a value; returns who has it already, or a part of it."""
        point = owner[1].put
        first: Owner | None = None
        for address in range(point.address, point.address + point.count):
            held = self._held(address, point.bit)
            first = first or held
            if held is None:
                self._hold(address, point.bit, owner)
        return first

    def _held(self, address: int, bit: int | None) -> Owner | None:
        bits = self.bits.get(address)
        if bit is None and bits:
            return next(iter(bits.values()))
        return self.whole.get(address) or (bits.get(bit) if bits and bit is not None else None)

    def _hold(self, address: int, bit: int | None, owner: Owner) -> None:
        if bit is None:
            self.whole[address] = owner
        else:
            self.bits.setdefault(address, {})[bit] = owner


def check(judged: Judged) -> Iterator[Finding]:
    tables: dict[tuple[tuple[str, int, int], Table], _Taken] = {}
    for transfer in judged.plan.putting:
        place = device(judged.destination(transfer))
        for value in transfer.values:
            taken = tables.setdefault((place, value.put.table), _Taken())
            other = taken.claim((transfer.name, value))
            if other is not None:
                yield _finding(transfer.name, value, *other)


def _finding(transfer: str, value: Value, other_transfer: str, other: Value) -> Finding:
    where = "" if transfer == other_transfer else f" of transfer `{other_transfer}`"
    return RULE.finding(
        f"`{value.name}` is put where `{other.name}`{where} is put already",
        value.put.path,
        expected="a place that no other value is put into",
        found=f"{both(value.put)}, and {both(other.put)} is taken by `{other.name}`",
        fix="put one of the two elsewhere, or remove it",
        related=[(f"`{other.name}` is put here", other.put.path)],
    )


RULE = Rule("two-values-one-place", Level.ERROR, "two values are put into the same register or bit", PAGE, check)
