"""A read that begins or ends where the device, as its profile says, takes no read to begin or end."""

from __future__ import annotations

from collections.abc import Iterator

from wherry.checks.notation import both
from wherry.checks.rule import Judged, Rule
from wherry.findings import Finding, Level, Path
from wherry.packing.layout import ALIVE, ReadRequest, Sweep
from wherry.plan.model import Controller, Span

PAGE = """\
### What it finds

A request of the plan that would begin or end inside a value of several registers which the source, as its device
`profile` says, does not give in parts (`wholes`); or that would begin elsewhere than where it takes reads (`starts`).

### Why it matters

The source refuses the request, with every value that is in it.

### Bad

```toml
[controller.skid]
connect = "tcp://10.20.0.11"
profile = "skid.profile.toml"

[controller.hall]
connect = "tcp://10.20.0.12"

[transfer.water]
from = "skid"
to = "hall"
every = "200 ms"
on_loss = "hold"
values = [
  { name = "tank 1 level", take = "holding 5", put = "holding 100" },
#                                 ^^^^^^^^^^^
]
```

```toml skid.profile.toml
profile = 1
[table.holding]
wholes = ["holding 4..5"]
```

### Good

```toml
[controller.skid]
connect = "tcp://10.20.0.11"
profile = "skid.profile.toml"

[controller.hall]
connect = "tcp://10.20.0.12"

[transfer.water]
from = "skid"
to = "hall"
every = "200 ms"
on_loss = "hold"
values = [
  { name = "tank 1 level", take = "holding 4 int32", put = "holding 100 int32" },
]
```

```toml skid.profile.toml
profile = 1
[table.holding]
wholes = ["holding 4..5"]
```

### How to mend it

Take the whole value, with the type that it has; or correct the place, which is often off by one.
"""


def check(judged: Judged) -> Iterator[Finding]:
    if not any(each.starts or each.wholes for each in judged.plan.controllers):
        return
    for sweep in judged.sweeps:
        source = judged.controllers[sweep.source]
        for read in (*sweep.reads, *([sweep.guard] if sweep.guard is not None else [])):
            if problem := _problem(source, read.span):
                words, place = problem
                path, name = _place(sweep, read, at_end=words == "ends")
                yield RULE.finding(
                    f"the request for {name} {words} where {sweep.source} takes none to {words[:-1]}, as its profile "
                    "says",
                    path,
                    expected=place,
                    found=both(read.span),
                    fix="take the whole value with its own type, or correct the place",
                    related=[(f"the profile {source.profile}", (*source.path, "profile"))],
                )


def _problem(source: Controller, span: Span) -> tuple[str, str] | None:
    """Whether the request begins or ends wrongly, and where it might."""
    for whole in source.wholes:
        for words, edge in (("begins", span.start), ("ends", span.stop)):
            if whole.table is span.table and whole.start < edge < whole.stop:
                return words, f"all of {both(whole)}"
    starts = [each for each in source.starts if each.table is span.table]
    # Beyond the first and the last of them nobody may have looked.
    is_known = bool(starts) and min(starts).start <= span.start < max(starts).stop
    if is_known and not any(each.start <= span.start < each.stop for each in starts):
        near = min(starts, key=lambda each: abs(each.start - span.start))
        return "begins", f"a begin at one of its {len(starts)} places, such as {both(near)}"
    return None


def _place(sweep: Sweep, read: ReadRequest, *, at_end: bool) -> tuple[Path, str]:
    """The value at the edge of a request: where it is written, and its name."""
    first = min(read.cuts, key=lambda each: each.offset)
    cut = max(read.cuts, key=lambda each: each.offset + each.count) if at_end else first
    transfer = sweep.transfers[cut.transfer].transfer
    if cut.value >= 0:
        value = transfer.values[cut.value]
        return value.take.path or value.path, f"`{value.name}`"
    key = "alive" if cut.value == ALIVE else "guard"
    return (*transfer.path, key), f"the {key} of `{transfer.name}`"


RULE = Rule(
    "read-would-be-refused", Level.ERROR, "a request begins or ends where the source takes none to", PAGE, check
)
