"""A place that the device profile says does not exist, or may not be read over."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from wherry.checks.notation import both
from wherry.checks.rule import Judged, Rule
from wherry.findings import Finding, Level, Path
from wherry.plan.model import Controller, Point, Span

PAGE = """\
### What it finds

A place that a value is taken from or put into, a sign of life, guard or status, of which the controller's device
`profile` says that nothing is there; and a `readable` run of the plan that reaches over such addresses.

### Why it matters

Most devices refuse such a request, with all values that are in it. Some answer with zeros, and some leave out what does
not exist, so that every value behind it comes from another place.

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
  { name = "tank 1 level", take = "holding 21", put = "holding 100" },
#                                 ^^^^^^^^^^^^
]
```

```toml skid.profile.toml
profile = 1
[table.holding]
absent = ["holding 20..24"]
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
  { name = "tank 1 level", take = "holding 19", put = "holding 100" },
]
```

```toml skid.profile.toml
profile = 1
[table.holding]
absent = ["holding 20..24"]
```

### How to mend it

Correct the place (it is often off by one: a manual's numbers may count from one). If the device was changed since it
was surveyed, survey it again: `wherry survey HOST --compare PROFILE`.
"""


def check(judged: Judged) -> Iterator[Finding]:
    absent = {each.name: each for each in judged.plan.controllers if each.absent}
    if not absent:
        return
    for name, controller in absent.items():
        for index, span in enumerate(controller.readable):
            path = (*controller.path, "readable", index)
            if judged.is_written(path) and (hole := _hole(controller, span)):
                yield _finding(name, controller, f"`{span}` may be read over", span, hole, path)
    for controller_name, place, words, path in _places(judged, absent):
        controller = absent[controller_name]
        span = place.span if isinstance(place, Point) else place
        if hole := _hole(controller, span):
            yield _finding(controller_name, controller, words, place, hole, path)


def _places(judged: Judged, absent: Mapping[str, Controller]) -> Iterator[tuple[str, Point | Span, str, Path]]:
    """Every place of the plan in one of these controllers: what it is, in words, and where it is written."""
    for transfer in judged.plan.putting:
        if transfer.source in absent:
            for value in transfer.values:
                yield transfer.source, value.take, f"`{value.name}` is taken from", value.take.path or value.path
        if transfer.destination in absent:
            for value in transfer.values:
                yield transfer.destination, value.put, f"`{value.name}` is put into", value.put.path or value.path
            if transfer.status is not None:
                words = f"the status of `{transfer.name}` is put into"
                yield transfer.destination, transfer.status, words, (*transfer.path, "status")
    for transfer in judged.plan.transfers:
        if transfer.source in absent and transfer.alive is not None:
            yield transfer.source, transfer.alive, f"the sign of life of `{transfer.name}` is", transfer.alive.path
        guard = None if transfer.careful is None else transfer.careful.guard
        if transfer.source in absent and guard is not None:
            yield transfer.source, guard, f"the guard counter of `{transfer.name}` is", guard.path


def _hole(controller: Controller, span: Span) -> Span | None:
    """What of a span is not there: the first such run."""
    for each in controller.absent:
        if each.table is span.table and each.start < span.stop and span.start < each.stop:
            return each
    return None


def _finding(name: str, controller: Controller, words: str, place: Point | Span, hole: Span, path: Path) -> Finding:
    return RULE.finding(
        f"{words} a place that {name} does not have, as its profile says",
        path,
        expected=f"a place outside of {both(hole)}",
        found=both(place),
        fix=f"correct the place, or survey {name} again if it was changed since",
        related=[(f"the profile {controller.profile}", (*controller.path, "profile"))],
    )


RULE = Rule("not-there", Level.ERROR, "a place that the device profile says does not exist", PAGE, check)
