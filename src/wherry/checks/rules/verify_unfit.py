"""A value whose read-back would say nothing."""

from __future__ import annotations

from collections.abc import Iterator

from wherry.checks.rule import Judged, Rule
from wherry.findings import Finding, Level
from wherry.limits import VERIFY_PERIODS_MAX
from wherry.plan.durations import duration_text
from wherry.plan.model import Point, Transfer, Value

PAGE = """\
### What it finds

A `verify_at` that holds something else than what is put: a bit for a number, a text for registers as they are. Or a
time in `verify` of more than 1,000 periods.

### Why it matters

What is read back is compared with what was put. A number and a bit are never equal, and every write would be told as
accepted and not carried out. And a place that may show what was put only 1,000 writes later is compared with all of
them: somebody else's number would hardly be told from one of ours.

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
  { name = "feed rate", take = "holding 2", put = "holding 100", verify = "2 s", verify_at = "discrete 7" },
#                                                                                            ^^^^^^^^^^^^
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
]
```

### How to mend it

Name the place that shows the number itself, in the same count, or take `verify_at` away: then the place that was
written is read. Write the time in which the place shows what was put, or carry the value at a longer period.
"""


def check(judged: Judged) -> Iterator[Finding]:
    for transfer in judged.plan.transfers:
        for value in transfer.values:
            if value.verify_ns is None:
                continue
            yield from _judge_time(transfer, value, value.verify_ns)
            if value.verify_at is not None and not _is_alike(value.verify_at, value.put):
                yield RULE.finding(
                    f"what is read back of `{value.name}` cannot be compared with what is put",
                    (*value.path, "verify_at"),
                    expected=_kind_text(value.put),
                    found=_kind_text(value.verify_at),
                    fix="name the place that shows the same, or take `verify_at` away",
                    related=[("put here", value.put.path)],
                )


def _judge_time(transfer: Transfer, value: Value, verify_ns: int) -> Iterator[Finding]:
    longest_ns = VERIFY_PERIODS_MAX * transfer.period_ns
    if verify_ns > longest_ns:
        yield RULE.finding(
            f"`{value.name}` is written more than {VERIFY_PERIODS_MAX:,} times before it must show",
            (*value.path, "verify"),
            expected=f"at most {duration_text(longest_ns)}: {VERIFY_PERIODS_MAX:,} periods",
            found=duration_text(verify_ns),
            fix="write the time in which the place shows what was put, or a longer `every`",
            related=[("the period is declared here", (*transfer.path, "every"))],
        )


def _is_alike(at: Point, put: Point) -> bool:
    if at.type.is_number and put.type.is_number:
        return True
    return at.type.kind is put.type.kind and at.type.length == put.type.length


def _kind_text(point: Point) -> str:
    return f"a number, as {point.type} is" if point.type.is_number else f"{point.type}"


RULE = Rule("verify-unfit", Level.ERROR, "what is read back of a value says nothing", PAGE, check)
