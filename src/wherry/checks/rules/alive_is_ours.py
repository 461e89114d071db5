"""A sign of life that the plan itself writes."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from wherry.checks.notation import both, device
from wherry.checks.rule import Judged, Rule
from wherry.findings import Finding, Level, Path
from wherry.plan.model import Point, Table, Transfer

PAGE = """\
### What it finds

An `alive` point, or a `guard` counter, that this plan puts a value or its status registers into.

### Why it matters

The point then shows that the exchange runs, or that some third controller runs. Whether the source's own program
runs, it does not show: it would move while that program has stopped. A `guard` that somebody else moves says nothing
about the updates of the source, so torn values may pass.

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
Watch = tuple[int, str]
"""Position of a transfer, and which of its counters."""

WORDS: Final = {"alive": "sign of life", "guard": "guard counter"}


def counters(transfer: Transfer) -> Iterator[tuple[str, Point]]:
    """What only the source's own program may move."""
    if transfer.alive is not None:
        yield "alive", transfer.alive
    if transfer.careful is not None and transfer.careful.guard is not None:
        yield "guard", transfer.careful.guard


def check(judged: Judged) -> Iterator[Finding]:
    watched: dict[Place, list[tuple[Watch, Point]]] = {}
    for index, transfer in enumerate(judged.plan.transfers):
        place = device(judged.source(transfer))
        for key, point in counters(transfer):
            for address in range(point.address, point.address + point.count):
                watched.setdefault((place, point.table, address), []).append(((index, key), point))
    if not watched:
        return
    told: set[Watch] = set()
    for transfer in judged.plan.putting:
        place = device(judged.destination(transfer))
        written = [(value.put.span, f"`{value.name}`", value.put.path, value.put.bit) for value in transfer.values]
        if transfer.status is not None:
            written.append((transfer.status, f"the status of `{transfer.name}`", (*transfer.path, "status"), None))
        for span, name, path, bit in written:
            for address in range(span.start, span.stop):
                for watch, point in watched.get((place, span.table, address), ()):
                    if watch not in told and (bit is None or point.bit is None or bit == point.bit):
                        told.add(watch)
                        yield _finding(judged.plan.transfers[watch[0]], watch[1], point, name, path)


def _finding(transfer: Transfer, key: str, point: Point, name: str, path: Path) -> Finding:
    return RULE.finding(
        f"the {WORDS[key]} of {transfer.source} is written by this plan: {name} is put there",
        (*transfer.path, key),
        expected=f"a register that only the program of {transfer.source} writes",
        found=both(point),
        fix=f"give a register that the program of {transfer.source} counts up by itself",
        related=[(f"{name} is put here", path)],
    )


RULE = Rule(
    "alive-is-ours", Level.WARNING, "the `alive` point or the `guard` of a source is written by this plan", PAGE, check
)
