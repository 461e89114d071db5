"""Places that are written often while nobody says how they are kept."""

from __future__ import annotations

from collections.abc import Iterator

from wherry.checks.rule import Judged, Rule
from wherry.checks.wear import Wear, long_time_text, wear_of
from wherry.findings import Finding, Level
from wherry.plan.model import Storage

PAGE = """\
### What it finds

Places that are written so often that non-volatile memory would be worn out before its time, while neither the value nor
the transfer nor the controller says how they are kept (`storage`).

### Why it matters

In many devices, holding registers that take settings lie in non-volatile memory, which stands a limited number of
writes; few manuals say so where the registers are listed. What is not known counts as wearing: its writes are counted
in the ledger beside the plan.

### Bad

```toml
[controller.skid]
connect = "tcp://10.20.0.11"

[controller.hall]
#           ^^^^
connect = "tcp://10.20.0.12"

[transfer.water]
from = "skid"
to = "hall"
every = "200 ms"
on_loss = "hold"
values = [
  { name = "tank 1 level", take = "holding 2", put = "holding 100" },
]
```

### Good

```toml
[controller.skid]
connect = "tcp://10.20.0.11"

[controller.hall]
connect = "tcp://10.20.0.12"
storage = "volatile"

[transfer.water]
from = "skid"
to = "hall"
every = "200 ms"
on_loss = "hold"
values = [
  { name = "tank 1 level", take = "holding 2", put = "holding 100" },
]
```

### How to mend it

Ask the manual or the maker whether the places outlast a power cut, or try it: write, switch the device off and on,
read. Then declare `storage = "volatile"` or `storage = "non-volatile"`: for the controller, and for a transfer or a
value where it is otherwise. Variables of a controller's own program are volatile unless they were declared as
retained.
"""


def check(judged: Judged) -> Iterator[Finding]:
    unknown: dict[str, list[Wear]] = {}
    for wear in wear_of(judged):
        sure_ns = wear.life_sure_ns
        if wear.storage is Storage.UNKNOWN and sure_ns is not None and sure_ns < wear.controller.life_ns:
            unknown.setdefault(wear.controller.name, []).append(wear)
    for name, wears in unknown.items():
        worst = max(wears, key=lambda each: each.per_s_sure)
        assert worst.life_sure_ns is not None
        places = "1 place" if len(wears) == 1 else f"{len(wears)} places"
        yield RULE.finding(
            f"nothing says whether what is written to {name} wears its memory out",
            ("controller", name),
            expected='`storage = "volatile"` or "non-volatile", for the controller, a transfer or a value',
            found=f"{places} written often; {worst.name} would stand it for {long_time_text(worst.life_sure_ns)} "
            f"if its memory stands {worst.controller.endurance:,} writes",
            fix='ask the manual, then declare it, for example `storage = "volatile"`',
            on_key=True,
        )


RULE = Rule(
    "storage-unknown", Level.WARNING, "nothing says whether places that are written often wear out", PAGE, check
)
