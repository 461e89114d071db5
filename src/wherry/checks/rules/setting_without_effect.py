"""A key that does nothing where it stands."""

from __future__ import annotations

from collections.abc import Iterator

from wherry.checks.rule import Judged, Rule
from wherry.findings import Finding, Level, Path
from wherry.plan.model import BitWrites, Connection, Controller, Framing, OnLoss, OnStep, Rounding, Transfer, Value
from wherry.values.types import Kind

PAGE = """\
### What it finds

A key that is understood, but changes nothing here:

* `scale`, `take_scale`, `put_unit`, `range`, `jump`, `counter`, `clamp`, `rounding` or a `deadband` above 0 on a bool,
  a text or raw registers;
* `rounding` on a value that is put as a float;
* `modulus` on a value that is no `counter`, and a `jump` as wide as the whole `range`;
* a `shortest` that is not longer than the period;
* `deadband` or `refresh` on a value of whose group another is written in every cycle: a group is written
  whole;
* `substitute` in a transfer that holds;
* a `group` with a single value in it;
* `idle` where the connection is closed after each exchange anyway;
* `in_flight` above 1 for a controller behind RTU framing, which has no transaction ids, so that requests go one at
  a time.

### Why it matters

Whoever wrote it expected something to happen.

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
  { name = "pump 1 running", take = "holding 12.3", put = "coil 5", range = [0, 1] },
#                                                                           ^^^^^^
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
on_loss = "hold"
values = [
  { name = "pump 1 running", take = "holding 12.3", put = "coil 5" },
]
```

### How to mend it

Remove the key, or change what keeps it from having an effect.
"""

NUMBERS_ONLY = ("scale", "take_scale", "put_unit", "range", "jump", "counter", "clamp", "rounding", "deadband")

ONCE_NEVER = (
    "jump",
    "counter",
    "modulus",
    "deadband",
    "shortest",
    "refresh",
    "substitute",
    "step",
    "on_step",
    "verify",
    "verify_at",
    "tolerance",
)
"""What only counts from one cycle to the next."""


def check(judged: Judged) -> Iterator[Finding]:
    for controller in judged.plan.controllers:
        if controller.framing is Framing.RTU and controller.limits.in_flight > 1:
            path = (*controller.path, "limits", "in_flight")
            yield _finding("in_flight", path, "requests to a serial line go one at a time")
        if controller.limits.connection is Connection.PER_EXCHANGE and controller.limits.idle_ns is not None:
            path = (*controller.path, "limits", "idle")
            yield _finding("idle", path, "the connection is closed after each exchange")
        if controller.owned and controller.bit_writes is BitWrites.MASK:
            why = "function 16 (hex) leaves the other bits alone, whoever sets them"
            yield _finding("owned", (*controller.path, "owned"), why)
        yield from _judge_ages(judged, controller)
    for command in judged.plan.commands:
        for value in command.values:
            for key in ONCE_NEVER:
                if judged.is_written((*value.path, key)):
                    yield _finding(key, (*value.path, key), "the parameters of a command are put once")
    for transfer in judged.plan.transfers:
        if transfer.careful is None and judged.is_written((*transfer.path, "tries")):
            why = f"`{transfer.name}` has neither `guard` nor `double_read`"
            yield _finding("tries", (*transfer.path, "tries"), why)
        members: dict[str, list[Value]] = {}
        for value in transfer.values:
            if value.group:
                members.setdefault(value.group, []).append(value)
            yield from _judge(transfer, value)
        for group, values in members.items():
            if len(values) == 1:
                yield _finding("group", (*values[0].path, "group"), f"no other value is in group `{group}`")
            yield from _judge_group(values)


def _judge_ages(judged: Judged, controller: Controller) -> Iterator[Finding]:
    """Keys that only count in the ages of what is taken, or of what is put."""
    if controller.update_ns is not None and not any(each.source == controller.name for each in judged.plan.transfers):
        yield _finding("update", (*controller.path, "update"), f"no transfer takes from `{controller.name}`")
    if controller.scan_ns is not None and not any(
        each.destination == controller.name for each in judged.plan.transfers
    ):
        yield _finding("scan", (*controller.path, "scan"), f"no transfer puts into `{controller.name}`")


def _judge_group(values: list[Value]) -> Iterator[Finding]:
    every_cycle = next((value for value in values if not value.is_on_change), None)
    if every_cycle is None:
        return
    for value in values:
        written = {"deadband": value.deadband is not None, "shortest": value.shortest_ns, "refresh": value.refresh_ns}
        # What holds the value back has an effect on the whole group.
        for key in [key for key, is_written in written.items() if is_written and key != "shortest"]:
            yield _finding(key, (*value.path, key), f"`{every_cycle.name}` of its group is written in every cycle")


def _judge(transfer: Transfer, value: Value) -> Iterator[Finding]:
    if value.substitute is not None and transfer.on_loss is OnLoss.HOLD:
        yield _finding("substitute", (*value.path, "substitute"), f"transfer `{transfer.name}` holds the last values")
    if 0 < value.shortest_ns <= transfer.period_ns:
        yield _finding("shortest", (*value.path, "shortest"), "the period is not shorter")
    if value.on_step is not OnStep.RAMP and value.step is None:
        yield _finding("on_step", (*value.path, "on_step"), f"`{value.name}` has no `step`")
    if value.verify_at is not None and value.verify_ns is None:
        yield _finding("verify_at", (*value.path, "verify_at"), f"`{value.name}` has no `verify`")
    if value.tolerance and (value.verify_ns is None or not value.put.type.is_number):
        why = f"`{value.name}` " + ("has no `verify`" if value.verify_ns is None else "is not put as a number")
        yield _finding("tolerance", (*value.path, "tolerance"), why)
    if value.modulus is not None and value.counter is None:
        yield _finding("modulus", (*value.path, "modulus"), f"`{value.name}` is not declared as a `counter`")
    if value.jump is not None and value.range is not None and value.jump >= value.range[1] - value.range[0]:
        yield _finding("jump", (*value.path, "jump"), "no step within the `range` is larger")
    if not value.put.type.is_number:
        written = (
            value.scale is not None,
            value.take_scale is not None,
            bool(value.put_unit),
            value.range is not None,
            value.jump is not None,
            value.counter is not None,
            value.clamp,
            value.rounding is not Rounding.EVEN,
            bool(value.deadband),
        )
        for key, is_written in zip(NUMBERS_ONLY, written, strict=True):
            if is_written:
                yield _finding(key, (*value.path, key), f"`{value.name}` is not put as a number")
    elif value.put.type.kind is Kind.FLOAT and value.rounding is not Rounding.EVEN:
        yield _finding("rounding", (*value.path, "rounding"), f"`{value.name}` is put as a float")


def _finding(key: str, path: Path, why: str) -> Finding:
    return RULE.finding(
        f"`{key}` has no effect here: {why}",
        path,
        expected=f"`{key}` only where it changes something",
        fix="remove it, or change what keeps it from having an effect",
    )


RULE = Rule("setting-without-effect", Level.WARNING, "a key has no effect where it stands", PAGE, check)
