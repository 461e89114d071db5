"""A sign of life that the plan itself writes."""

from __future__ import annotations

from collections.abc import Iterator

from wherry.checks.notation import both, device
from wherry.checks.rule import Judged, Rule
from wherry.findings import Finding, Level, Path
from wherry.plan.model import Table

PAGE = """\
### What it finds

An `alive` point that a transfer of this plan puts a value or its status registers into.

### Why it matters

The point then shows that the exchange runs, or that some third controller runs. Whether the source's own program
runs, it does not show: it would move while that program has stopped.

### Bad

```toml
[controller.skid]
connect = "tcp://10.20.0.11"

[controller.hall]
connect = "tcp://10.20.0.12"

[controller.intake]
connect = "tcp://10.20.0.13"

[transfer.water]
from = "skid"
to = "hall"
every = "200 ms"
on_loss = "hold"
values = [
  { name = "skid counter", take = "holding 9", put = "holding 9" },
]

[transfer.level]
from = "hall"
to = "intake"
every = "200 ms"
on_loss = "hold"
alive = "holding 9"
#       ^^^^^^^^^^^
values = [
  { name = "hall level", take = "holding 2", put = "holding 100" },
]
```

### Good

```toml
[controller.skid]
connect = "tcp://10.20.0.11"

[controller.hall]
connect = "tcp://10.20.0.12"

[controller.intake]
connect = "tcp://10.20.0.13"

[transfer.water]
from = "skid"
to = "hall"
every = "200 ms"
on_loss = "hold"
values = [
  { name = "skid counter", take = "holding 9", put = "holding 9" },
]

[transfer.level]
from = "hall"
to = "intake"
every = "200 ms"
on_loss = "hold"
alive = "holding 10"
values = [
  { name = "hall level", take = "holding 2", put = "holding 100" },
]
```

### How to mend it

Give a register that the source's own program counts up, and that nobody else writes.
"""

Place = tuple[tuple[str, int, int], Table, int]


def check(judged: Judged) -> Iterator[Finding]:
    watched: dict[Place, list[int]] = {}
    for index, transfer in enumerate(judged.plan.transfers):
        if transfer.alive is not None:
            place, alive = device(judged.source(transfer)), transfer.alive
            for address in range(alive.address, alive.address + alive.count):
                watched.setdefault((place, alive.table, address), []).append(index)
    if not watched:
        return
    told: set[int] = set()
    for transfer in judged.plan.putting:
        place = device(judged.destination(transfer))
        written = [(value.put.span, f"`{value.name}`", value.put.path, value.put.bit) for value in transfer.values]
        if transfer.status is not None:
            written.append((transfer.status, f"the status of `{transfer.name}`", (*transfer.path, "status"), None))
        for span, name, path, bit in written:
            for address in range(span.start, span.stop):
                for index in watched.get((place, span.table, address), ()):
                    watch = judged.plan.transfers[index].alive
                    assert watch is not None
                    if index not in told and (bit is None or watch.bit is None or bit == watch.bit):
                        told.add(index)
                        yield _finding(judged, index, name, path)


def _finding(judged: Judged, index: int, name: str, path: Path) -> Finding:
    transfer = judged.plan.transfers[index]
    assert transfer.alive is not None
    return RULE.finding(
        f"the sign of life of {transfer.source} is written by this plan: {name} is put there",
        (*transfer.path, "alive"),
        expected=f"a register that only the program of {transfer.source} writes",
        found=both(transfer.alive),
        fix=f"give a register that the program of {transfer.source} counts up by itself",
        related=[(f"{name} is put here", path)],
    )


RULE = Rule("alive-is-ours", Level.WARNING, "the `alive` point of a source is written by this plan", PAGE, check)
