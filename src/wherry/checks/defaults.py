"""Every default that a plan relies on, so that nothing about it is implied."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from wherry.checks.rule import Judged
from wherry.findings import Path
from wherry.limits import TCP_PORT_DEFAULT
from wherry.plan.durations import duration_text
from wherry.plan.model import Controller, Transfer, Value
from wherry.values.types import Kind, Order


@dataclass(frozen=True, slots=True)
class Default:
    """One thing that the plan does not say, and what holds instead."""

    where: str
    key: str
    text: str


def defaults(judged: Judged) -> Iterator[Default]:
    """Every default in use, in the order of the file; those of single values counted together for each transfer."""
    for controller in judged.plan.controllers:
        yield from _of_controller(judged, controller)
    for transfer in judged.plan.transfers:
        yield from _of_transfer(judged, transfer)
    for command in judged.plan.commands:
        if command.result is None:
            yield Default(f"command.{command.name}", "result", "none: acknowledged is all that is known")
        if command.answer is None:
            yield Default(f"command.{command.name}", "answer", "none: the source is not told")


def _of_controller(judged: Judged, controller: Controller) -> Iterator[Default]:
    limits, response = controller.limits, controller.response
    where = f"controller.{controller.name}"
    rate = "none" if limits.requests_per_s is None else str(limits.requests_per_s)
    lines: list[tuple[Path, str]] = [
        (("unit",), str(controller.unit)),
        (("limits", "read"), f"{limits.read_registers} registers in one request"),
        (("limits", "write"), f"{limits.write_registers} registers in one request"),
        (("limits", "read_bits"), f"{limits.read_bits} bits in one request"),
        (("limits", "write_bits"), f"{limits.write_bits} bits in one request"),
        (("limits", "in_flight"), f"{limits.in_flight} request at a time"),
        (("limits", "connections"), str(limits.connections)),
        (("limits", "gap"), f"{duration_text(limits.gap_ns)} between requests"),
        (("limits", "rate"), f"{rate}: no limit to the requests per second"),
        (("limits", "timeout"), duration_text(limits.timeout_ns)),
        (("limits", "reconnect"), f"{duration_text(limits.reconnect_ns)} at first, growing"),
        (("limits", "connects"), "no limit to the attempts to connect"),
        (("limits", "idle"), "not known: a connection is kept open while nothing is asked"),
        (("limits", "connection"), "hold: the connection is kept open"),
        (("identity",), "none: whatever answers at the address is taken for it"),
        (("tolerate",), "nothing: a reply that breaks the rules is not taken"),
        (("response", "fixed"), f"{duration_text(response.fixed_ns)} (assumed)"),
        (("response", "per_register"), f"{duration_text(response.per_register_ns)} (assumed)"),
        (("baud",), "none: frames take no time on a serial line"),
        (("update",), "not said: what it shows counts as of the instant at which it is asked"),
        (("scan",), "not said: what is put counts as seen at once"),
        (("readable",), "nothing but the declared places"),
        (("lease",), "none: it keeps what it was given"),
        (("when_silent",), "not said: find out what it does when nothing is written any more"),
        (("bit_writes",), "mask: a bit inside a register is set with function 16 (hex)"),
        (("write_single",), "no: functions 0F and 10 (hex) also for single items"),
        (("storage",), "unknown: what is written counts as wearing, unless a transfer or a value says otherwise"),
        (("endurance",), f"{controller.endurance:,} writes of a non-volatile place (assumed)"),
        (("life",), "10 y for a non-volatile place"),
    ]
    if controller.port == TCP_PORT_DEFAULT:
        connect = judged.data.get("controller", {}).get(controller.name, {}).get("connect", "")
        if not str(connect).endswith(f":{TCP_PORT_DEFAULT}"):
            yield Default(where, "port", str(TCP_PORT_DEFAULT))
    for key, text in lines:
        if not judged.is_written((*controller.path, *key)):
            yield Default(where, ".".join(map(str, key)), _of_profile(controller, key, text))


FROM_PROFILE: Final = frozenset({"read", "read_bits", "in_flight", "gap", "fixed", "per_register"})
"""Last words of the keys that a device profile may answer."""


def _of_profile(controller: Controller, key: Path, text: str) -> str:
    """What holds instead, where it may come from the device profile."""
    if not controller.profile:
        return text
    if key == ("readable",):
        return f"what {controller.profile} found to be readable"
    if key == ("limits", "idle") and controller.limits.idle_ns is not None:
        return f"{duration_text(controller.limits.idle_ns)} (as in {controller.profile})"
    return f"{text.removesuffix(' (assumed)')} (as in {controller.profile})" if key[-1] in FROM_PROFILE else text


def _of_transfer(judged: Judged, transfer: Transfer) -> Iterator[Default]:
    where = f"transfer.{transfer.name}"
    lines = {
        "max_age": f"{duration_text(transfer.max_age_ns)}: five periods",
        "on_loss": "hold: the receiver keeps the last values",
        "alive": "none: an answer counts as a sign of life",
        "status": "none: the receiver is not told",
        "guard": "none: the registers of one reply are taken as of one moment",
        "double_read": "no: a reply is believed as it is",
    }
    if transfer.careful is not None:
        del lines["guard"], lines["double_read"]
        lines["tries"] = f"{transfer.careful.tries} attempts in one period"
    for key, text in lines.items():
        if not judged.is_written((*transfer.path, key)):
            yield Default(where, key, text)
    counts: Counter[tuple[str, str]] = Counter()
    for value in transfer.values:
        counts.update(_of_value(value))
    for (key, text), count in counts.items():
        yield Default(f"{where}, {count} value{'' if count == 1 else 's'}", key, text)


def _of_value(value: Value) -> Iterator[tuple[str, str]]:
    """What one value leaves unsaid."""
    if value.is_copy:
        return
    for key, point in (("take", value.take), ("put", value.put)):
        is_plain = point.bit is None and not point.table.is_bits
        if not is_plain or point.type.kind is Kind.RAW:
            continue
        if point.type.name not in point.text:
            yield f"{key} type", str(point.type)
        if point.count > 1 and point.order is Order.ABCD and "ABCD" not in point.text:
            yield f"{key} order", "ABCD: high word first"
    if not value.take.type.is_number:
        return
    if value.range is None:
        yield "range", "none: every number of the source's type counts"
    if not value.not_available:
        yield "not_available", "none: every register content is a number"
    if value.step is None:
        yield "step", "none: the place is changed as far as the value says, from the first write on"
    if value.verify_ns is None:
        yield "verify", "no: an answer counts as a write that took effect"
    if value.jump is None:
        yield "jump", "none: a step of any size counts"
    if not value.clamp:
        yield "clamp", "no: a number that does not fit is Bad and is not put"
    if value.put.type.kind is not Kind.FLOAT and (
        value.scale or value.take_scale or value.put_unit or value.take.type.kind is Kind.FLOAT
    ):
        yield "rounding", str(value.rounding)
