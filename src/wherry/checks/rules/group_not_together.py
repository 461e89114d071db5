"""A group that does not fit in one request."""

from __future__ import annotations

from collections.abc import Iterator

from wherry.checks.notation import both
from wherry.checks.rule import Judged, Rule
from wherry.findings import Finding, Level
from wherry.packing.units import GroupProblem, read_units, write_units
from wherry.plan.model import Transfer

PAGE = """\
### What it finds

Values of one `group` that cannot be read in one request, or not be written in one: they stand in two tables, are
too far apart, have undeclared addresses between them, or are together more than the device hands over at once.

### Why it matters

A group is declared because its values belong to one instant, such as a number and its exponent. Read or written in
two requests they can come from two instants.

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
  { name = "power", take = "holding 0", put = "holding 100", group = "power" },
  { name = "power exponent", take = "holding 9", put = "holding 101", group = "power" },
#                                   ^^^^^^^^^^^
]
```

### Good

```toml
[controller.skid]
connect = "tcp://10.20.0.11"
readable = ["holding 0..9"]

[controller.hall]
connect = "tcp://10.20.0.12"

[transfer.water]
from = "skid"
to = "hall"
every = "200 ms"
on_loss = "hold"
values = [
  { name = "power", take = "holding 0", put = "holding 100", group = "power" },
  { name = "power exponent", take = "holding 9", put = "holding 101", group = "power" },
]
```

### How to mend it

Put the values of the group in neighbouring places. If the addresses between them may be read, say so with
`readable` at the controller. If the device stands more at once than is declared, raise its limits.
"""


def check(judged: Judged) -> Iterator[Finding]:
    for transfer in judged.plan.putting:
        if not any(value.group for value in transfer.values):
            continue
        _, taken = read_units(transfer, judged.source(transfer).limits, judged.readable(transfer.source))
        _, put = write_units(transfer, judged.destination(transfer).limits)
        for problem in (*taken, *put):
            yield _finding(transfer, problem)


def _finding(transfer: Transfer, problem: GroupProblem) -> Finding:
    is_read = problem.side == "take"
    points = [transfer.values[index].take if is_read else transfer.values[index].put for index in problem.values]
    at = transfer.values[problem.value]
    first = points[0] if problem.value != problem.values[0] else points[-1]
    return RULE.finding(
        f"group `{problem.group}` cannot be {'read' if is_read else 'written'} in one request: {problem.reason}",
        (at.take if is_read else at.put).path,
        expected="places that one request covers",
        found=", ".join(both(point) for point in points[:4]) + (" ..." if len(points) > 4 else ""),
        fix="use neighbouring places, or declare what lies between as `readable`"
        if is_read
        else "use neighbouring places",
        related=[("another value of the group", first.path)],
    )


RULE = Rule(
    "group-not-together", Level.ERROR, "the values of a group cannot be read or written in one request", PAGE, check
)
