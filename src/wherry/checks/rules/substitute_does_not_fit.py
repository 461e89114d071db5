"""A substitute that the destination cannot hold."""

from __future__ import annotations

from collections.abc import Iterator

from wherry.checks.intervals import line_to_put, put_numbers, type_range
from wherry.checks.notation import number
from wherry.checks.rule import Judged, Rule
from wherry.findings import Finding, Level
from wherry.plan.model import Value
from wherry.plan.wording import shown
from wherry.values.codec import DoesNotFitError, encode
from wherry.values.scaling import exact
from wherry.values.types import Kind

PAGE = """\
### What it finds

A `substitute` of another kind than the value, or one that does not fit into the destination's type. It is given in
`unit` and goes through unit and scale like any value.

### Why it matters

It would be missing just when it is needed: while the source is lost.

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
on_loss = "substitute"
values = [
  { name = "tank 1 level", take = "holding 2", put = "holding 100", range = [0, 4000], substitute = -1 },
#                                                                                                   ^^
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
on_loss = "substitute"
values = [
  { name = "tank 1 level", take = "holding 2", put = "holding 100", range = [0, 4000], substitute = 0 },
]
```

### How to mend it

Choose a substitute that the destination's type holds. It does not have to lie in the declared range.
"""


def check(judged: Judged) -> Iterator[Finding]:
    for transfer in judged.plan.transfers:
        for value in transfer.values:
            if value.substitute is None or value.put.type.kind is Kind.RAW:
                continue
            expected, found = _judge(value)
            if expected:
                yield RULE.finding(
                    f"the substitute of `{value.name}` cannot be put",
                    (*value.path, "substitute"),
                    expected=expected,
                    found=found,
                    fix="choose a substitute that the destination holds",
                    related=[("it is put here", value.put.path)],
                )


def _judge(value: Value) -> tuple[str, str]:
    """What was expected and what was found; two empty texts when it fits."""
    substitute, kind = value.substitute, value.put.type
    found = shown(substitute) if isinstance(substitute, bool | str) else number(substitute or 0.0)
    if kind.kind is Kind.BOOL:
        return ("", "") if isinstance(substitute, bool) else ("true or false", found)
    if kind.kind is Kind.STRING:
        if not isinstance(substitute, str):
            return "a text", found
        try:
            encode(value.put, substitute)
        except DoesNotFitError:
            return f"at most {kind.length} characters of one byte each (Latin-1), none of them NUL", found
        return "", ""
    if isinstance(substitute, bool | str) or substitute is None:
        return "a number", found
    line = line_to_put(value)
    if line is None:
        return "", ""
    in_unit = exact(substitute)
    arrives, _ = put_numbers((in_unit, in_unit), line, kind, value.rounding)
    low, high = type_range(kind)
    if low <= arrives <= high:
        return "", ""
    return f"what {kind} holds: {number(low)} to {number(high)}", f"{found}, which puts {number(arrives)}"


RULE = Rule("substitute-does-not-fit", Level.ERROR, "a substitute cannot be put into its destination", PAGE, check)
