"""A read-back of a place into which the plan itself puts something else."""

from __future__ import annotations

from collections.abc import Iterator

from wherry.checks.notation import both, device
from wherry.checks.rule import Judged, Rule
from wherry.findings import Finding, Level, Path
from wherry.plan.model import Plan, Point, Span

PAGE = """\
### What it finds

A `verify_at` in a place into which this plan puts another value, a status or a part of a command.

### Why it matters

What is read back there is our own writing. It tells nothing of what became of the value, and as soon as the two differ,
the value counts as overwritten by somebody else and is not put any more.

### Bad

```toml
[controller.skid]
connect = "tcp://10.20.0.11"

[controller.feeder]
connect = "tcp://10.20.0.14"

[transfer.feed]
from = "skid"
to = "feeder"
every = "1 s"
on_loss = "hold"
values = [
  { name = "feed rate", take = "holding 2", put = "holding 100", verify = "2 s", verify_at = "holding 101" },
#                                                                                            ^^^^^^^^^^^^^
  { name = "feed rate at night", take = "holding 3", put = "holding 101" },
]
```

### Good

```toml
[controller.skid]
connect = "tcp://10.20.0.11"

[controller.feeder]
connect = "tcp://10.20.0.14"

[transfer.feed]
from = "skid"
to = "feeder"
every = "1 s"
on_loss = "hold"
values = [
  { name = "feed rate", take = "holding 2", put = "holding 100", verify = "2 s", verify_at = "input 50" },
  { name = "feed rate at night", take = "holding 3", put = "holding 101" },
]
```

### How to mend it

Name the place in which the receiver's own program shows the value, or take `verify_at` away: then the place that was
written is read.
"""

Owner = tuple[Span, int | None, str, Path, Path]
"""Where something is put, which bit of it, what it is, where the plan says so, and whose it is."""


def check(judged: Judged) -> Iterator[Finding]:
    owners: dict[tuple[str, int, int], list[Owner]] = {}
    for transfer in judged.plan.transfers:
        for value in transfer.values:
            at = value.verify_at
            if at is None or value.verify_ns is None:
                continue
            if not owners:
                owners = _owners(judged.plan, judged)
            for span, bit, name, path, whose in owners.get(device(judged.destination(transfer)), []):
                if whose != value.path and _is_touched(at, span, bit):
                    yield RULE.finding(
                        f"`{value.name}` is read back from where the plan puts {name}",
                        (*value.path, "verify_at"),
                        expected="a place that the receiver's own program writes",
                        found=both(at),
                        fix="name the place that shows the value itself, or take `verify_at` away",
                        related=[(f"{name} is put here", path)],
                    )
                    break


def _owners(plan: Plan, judged: Judged) -> dict[tuple[str, int, int], list[Owner]]:
    """Everything that is put, by device."""
    found: dict[tuple[str, int, int], list[Owner]] = {}
    for transfer in plan.putting:
        here = found.setdefault(device(judged.destination(transfer)), [])
        here += [(each.put.span, each.put.bit, f"`{each.name}`", each.put.path, each.path) for each in transfer.values]
        if transfer.status is not None:
            path = (*transfer.path, "status")
            here.append((transfer.status, None, f"the status of `{transfer.name}`", path, path))
    return found


def _is_touched(at: Point, span: Span, bit: int | None) -> bool:
    """Whether the point holds anything that is put there; two different bits of one register do not."""
    place = at.span
    if place.table is not span.table or not (place.start < span.stop and span.start < place.stop):
        return False
    return at.bit is None or bit is None or at.bit == bit


RULE = Rule("verify-at-is-ours", Level.ERROR, "a value is read back from where the plan puts another", PAGE, check)
