"""A place that is worn out by being written before its time."""

from __future__ import annotations

from collections.abc import Iterator

from wherry.checks.rule import Judged, Rule
from wherry.checks.wear import Wear, long_time_text, wear_of
from wherry.findings import Finding, Level, Path
from wherry.plan.durations import UNITS_NS, duration_text
from wherry.plan.model import Storage, Value

PAGE = """\
### What it finds

A place declared as `storage = "non-volatile"` that the plan writes more often than it stands: after the controller's
`endurance` of writes it is worn out, and that comes before its `life` is over. An error where the writes come for
sure (every cycle, or every `refresh`), a warning where they come only if the value changes all the time, or if a
command is asked for all the time: its parameters, its request number and its answer count like values.

### Why it matters

Settings that outlast a power cut lie in memory that stands a limited number of writes; 10,000 to 1,000,000 are named in
manuals. One write a second uses up 100,000 in 28 hours. After that the device keeps old or wrong settings, or fails.

A receiver that must be given a value every 15 s, or it takes the exchange for lost, and a register that stands 100,000
writes cannot both be had: it is worn out after 17 days.

### Bad

```toml
[controller.skid]
connect = "tcp://10.20.0.11"

[controller.hall]
connect = "tcp://10.20.0.12"
endurance = 100000

[transfer.water]
from = "skid"
to = "hall"
every = "1 s"
on_loss = "hold"
values = [
  { name = "feed rate", take = "holding 2", put = "holding 100", storage = "non-volatile", refresh = "15 s" },
#                                                                                                    ^^^^^^
]
```

### Good

```toml
[controller.skid]
connect = "tcp://10.20.0.11"

[controller.hall]
connect = "tcp://10.20.0.12"
endurance = 100000

[transfer.settings]
from = "skid"
to = "hall"
every = "1 min"
on_loss = "hold"
max_age = "2 h"
values = [
  { name = "feed rate", take = "holding 2", put = "holding 100", storage = "non-volatile", shortest = "1 h" },
]
```

### How to mend it

Look in the manual for a place that holds the same in volatile memory (often a copy of the setting, or a mode in which
settings are not stored). Else write on change, with a `deadband` and a `shortest` that let it last. Where a refresh
is needed more often than the place stands, the device must not be given this value in this way. What a command puts is
written once for each request: let it be asked for at most as often as the place stands (a longer `every` sees to
that), or put it where memory is volatile. `endurance` and `life` are declared for the controller.
"""


def check(judged: Judged) -> Iterator[Finding]:
    for wear in wear_of(judged):
        if wear.storage is not Storage.NON_VOLATILE:
            continue
        life_ns = wear.controller.life_ns
        sure_ns = wear.life_sure_ns
        if sure_ns is not None and sure_ns < life_ns:
            yield _finding(judged, wear, Level.ERROR, sure_ns, f"{wear.name} is worn out too early")
        elif wear.life_least_ns < life_ns:
            yield _finding(judged, wear, Level.WARNING, wear.life_least_ns, f"{wear.name} can be worn out too early")


def _finding(judged: Judged, wear: Wear, level: Level, worn_ns: float, message: str) -> Finding:
    controller = wear.controller
    needed_ns = wear.needed_interval_ns
    keys: list[Path] = [(*wear.path, key) for key in (wear.key, "storage", "put")]
    path = next((each for each in keys if judged.is_written(each)), wear.path)
    pace = f"written every {duration_text(wear.interval_ns)}"
    if level is Level.WARNING:
        condition = "the command is asked for" if _is_commanded(wear) else "it changes"
        pace = f"up to one write every {duration_text(int(1e9 / wear.per_s_most))}, if {condition} all the time"
    related = [(f"what {controller.name} stands", (*controller.path, "endurance"))]
    value = _value(wear)
    if value is not None and needed_ns > wear.transfer.max_age_ns and not value.is_on_change:
        related.append(("values become too old here", (*wear.transfer.path, "max_age")))
    return RULE.finding(
        message,
        path,
        level=level,
        expected=f"at most one write every {_shown(needed_ns)}: {controller.endurance:,} writes in "
        f"{long_time_text(controller.life_ns)}",
        found=f"{pace}: worn out after {long_time_text(worn_ns)}",
        fix=_fix(wear, level, needed_ns),
        related=related,
    )


def _fix(wear: Wear, level: Level, needed_ns: int) -> str:
    shortest = f"`shortest` of {_shown(needed_ns)} or more"
    if wear.path[-1] == "status":
        return "put the status registers where memory is volatile; they are written every cycle"
    if _is_commanded(wear):
        return f"put it where memory is volatile, or let it be asked for no more than once every {_shown(needed_ns)}"
    if level is Level.WARNING:
        return f"write a {shortest}"
    if wear.key == "refresh":
        return (
            f"put it where memory is volatile, or refresh every {_shown(needed_ns)} if the receiver remembers that "
            "long; if it forgets sooner, it must not be given this value in this way"
        )
    return f"put it where memory is volatile, or write it on change, with a `deadband` and a {shortest}"


def _is_commanded(wear: Wear) -> bool:
    """Whether a command writes it most often."""
    return wear.path[0] == "command"


def _value(wear: Wear) -> Value | None:
    return next((each for each in wear.transfer.values if each.path == wear.path), None)


def _shown(interval_ns: int) -> str:
    """Rounded up to what is written in a plan without fractions."""
    for unit in ("h", "min", "s", "ms"):
        if interval_ns >= 2 * UNITS_NS[unit]:
            return duration_text(-(-interval_ns // UNITS_NS[unit]) * UNITS_NS[unit])
    return duration_text(interval_ns)


RULE = Rule("worn-out-early", Level.ERROR, "a place is worn out by being written", PAGE, check)
