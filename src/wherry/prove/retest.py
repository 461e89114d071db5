"""What a change of the plan un-proves: the shortest list of tests to repeat, with the reason for each line. Pure.

A test that was passed stays passed while everything that it depends on is as it was. What each test depends on is said
here field by field (``_VALUE``, ``_TRANSFER``, ``_CONTROLLER``, ``_LIMITS``), and which fields no test depends on.
Values, transfers and commands are the same if they have the same name.

A test of a point is the whole way of one value: given at the source by name, read off at the receiver by name.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, fields
from enum import StrEnum
from typing import Any, Final

from wherry.packing.layout import layout
from wherry.plan.model import Command, Controller, Limits, Plan, Point, Transfer, Value


class Part(StrEnum):
    """What is shown: a part of the whole proof."""

    IDENTITY = "identity"
    POINT = "point"
    ENDS = "range ends"
    PLAUSIBILITY = "plausibility"
    TIMING = "timing"
    LOSS = "loss and return"
    START = "start without a bump"
    FOREIGN = "foreign writes"
    COMMAND = "command"
    SILENCE = "no longer written"


@dataclass(frozen=True, slots=True)
class Retest:
    """One line of the list. ``subject``: a controller, a transfer, a command, or a transfer and its value."""

    part: Part
    subject: tuple[str, ...]
    reasons: tuple[str, ...]


NOTHING: Final[tuple[Part, ...]] = ()
"""The field is for people or for checks: no test depends on it."""

_VALUE: Final[Mapping[str, tuple[Part, ...]]] = {
    "name": NOTHING,
    "take": (Part.POINT,),
    "put": (Part.POINT, Part.FOREIGN),
    "take_scale": (Part.POINT, Part.ENDS),
    "scale": (Part.POINT, Part.ENDS),
    "unit": (Part.POINT, Part.ENDS),
    "put_unit": (Part.POINT, Part.ENDS),
    "range": (Part.ENDS,),
    "not_available": (Part.PLAUSIBILITY,),
    "clamp": (Part.ENDS,),
    "rounding": (Part.ENDS,),
    "substitute": (Part.LOSS,),
    "group": (Part.TIMING,),
    "is_copy": (Part.POINT,),
    "path": NOTHING,
    "jump": (Part.PLAUSIBILITY,),
    "counter": (Part.PLAUSIBILITY,),
    "modulus": (Part.PLAUSIBILITY,),
    "deadband": (Part.TIMING,),
    "shortest_ns": (Part.TIMING,),
    "refresh_ns": (Part.TIMING,),
    "is_on_change": (Part.TIMING,),
    "is_alive": (Part.POINT, Part.LOSS),
    "storage": NOTHING,
    "step": (Part.START,),
    "on_step": (Part.START,),
    "verify_ns": (Part.FOREIGN,),
    "verify_at": (Part.FOREIGN,),
    "tolerance": (Part.FOREIGN,),
}

_TRANSFER: Final[Mapping[str, tuple[Part, ...]]] = {
    "name": NOTHING,
    "source": NOTHING,  # another transfer: all of it is tested
    "destination": NOTHING,
    "period_ns": (Part.TIMING, Part.LOSS),
    "max_age_ns": (Part.TIMING, Part.LOSS),
    "values": NOTHING,  # one by one
    "on_loss": (Part.LOSS,),
    "on_loss_is_declared": NOTHING,
    "alive": (Part.LOSS,),
    "status": (Part.LOSS,),
    "path": NOTHING,
    "careful": (Part.TIMING, Part.PLAUSIBILITY),
    "storage": NOTHING,
}

_CONTROLLER: Final[Mapping[str, tuple[Part, ...]]] = {
    "name": NOTHING,
    "host": (Part.IDENTITY, Part.POINT, Part.TIMING, Part.LOSS),
    "port": (Part.IDENTITY, Part.POINT, Part.TIMING, Part.LOSS),
    "framing": (Part.IDENTITY, Part.TIMING, Part.LOSS),
    "unit": (Part.IDENTITY, Part.POINT),
    "limits": NOTHING,  # field by field
    "response": NOTHING,  # used to plan and to simulate; what is measured is another thing
    "readable": NOTHING,  # counts by the requests that it makes
    "write_single": (Part.TIMING, Part.FOREIGN),
    "simulation": NOTHING,
    "path": NOTHING,
    "lease_ns": (Part.LOSS,),
    "when_silent": (Part.LOSS,),
    "bit_writes": (Part.FOREIGN,),
    "owned": (Part.FOREIGN,),
    "identity": (Part.IDENTITY,),
    "storage": NOTHING,
    "endurance": NOTHING,
    "life_ns": NOTHING,
    "tolerate": (Part.POINT,),
    "baud": NOTHING,  # this and the next two: what a budget is computed from
    "update_ns": NOTHING,
    "scan_ns": NOTHING,
    "profile": NOTHING,  # this and the rest: what is known of the device's map; counts by the requests that it makes
    "absent": NOTHING,
    "wholes": NOTHING,
    "starts": NOTHING,
}

_LIMITS: Final[Mapping[str, tuple[Part, ...]]] = {
    "timeout_ns": (Part.TIMING, Part.LOSS),
    "reconnect_ns": (Part.LOSS,),
    "reconnect_ns_max": (Part.LOSS,),
    "connects_per_hour": (Part.LOSS,),
    "idle_ns": (Part.LOSS,),
    "connection": (Part.TIMING, Part.LOSS),
    "connections": (Part.TIMING,),
    "gateway_timeout_ns": (Part.LOSS,),
    "in_flight": (Part.TIMING,),
    "gap_ns": (Part.TIMING,),
    "requests_per_s": (Part.TIMING,),
    # How much fits into one request counts by the requests that it makes.
    "read_registers": NOTHING,
    "write_registers": NOTHING,
    "read_bits": NOTHING,
    "write_bits": NOTHING,
}

OF_A_VALUE: Final = (Part.POINT, Part.ENDS, Part.PLAUSIBILITY, Part.FOREIGN)
"""Tests whose subject is one value. The others are of a whole transfer."""


def retests(old: Plan, new: Plan) -> tuple[Retest, ...]:
    """What must be shown again of ``new``, if all of ``old`` was shown; in the order of the new plan."""
    found: dict[tuple[Part, tuple[str, ...]], dict[str, None]] = {}
    for test, subject, reason in (*_by_controllers(old, new), *_by_transfers(old, new), *_by_commands(old, new)):
        found.setdefault((test, subject), {})[reason] = None
    order = {name: index for index, name in enumerate(_names(new))}
    tests = list(Part)
    lines = sorted(found, key=lambda each: (order.get(each[1][0], len(order)), tests.index(each[0]), each[1]))
    return tuple(Retest(test, subject, tuple(found[test, subject])) for test, subject in lines)


Line = tuple[Part, tuple[str, ...], str]
"""Part, subject, reason."""


def _names(plan: Plan) -> list[str]:
    return [
        *(each.name for each in plan.controllers),
        *(each.name for each in plan.transfers),
        *(each.name for each in plan.commands),
    ]


def _changed(old: Any, new: Any, table: Mapping[str, tuple[Part, ...]]) -> Iterator[tuple[str, tuple[Part, ...]]]:
    """The fields that differ and that a test depends on."""
    assert {each.name for each in fields(old)} == set(table), "every field is in its table"
    for name, tests in table.items():
        if tests and getattr(old, name) != getattr(new, name):
            yield name, tests


def _said(field: str) -> str:
    """A field of the model as the plan calls it."""
    plain = field.removesuffix("_ns").removesuffix("_ns_max")
    return {"period": "every", "host": "connect", "port": "connect", "framing": "connect"}.get(plain, plain)


def _tests_of(transfer: Transfer, tests: Iterable[Part], reason: str) -> Iterator[Line]:
    """The lines of a transfer for some tests; those of values for each of them."""
    for test in tests:
        if test in OF_A_VALUE:
            for value in transfer.values:
                yield test, (transfer.name, value.name), reason
        else:
            yield test, (transfer.name,), reason


# Controllers.


def _by_controllers(old: Plan, new: Plan) -> Iterator[Line]:
    before = {each.name: each for each in old.controllers}
    for controller in new.controllers:
        name = controller.name
        if name not in before:
            yield Part.IDENTITY, (name,), f"{name} is new"
            continue
        tests: dict[str, tuple[Part, ...]] = {}
        for field, depending in (*_changed(before[name], controller, _CONTROLLER), *_limits(before[name], controller)):
            tests[_said(field)] = tests.get(_said(field), ()) + depending
        for field, depending in tests.items():
            reason = f"`{field}` of {name} was changed"
            if Part.IDENTITY in depending:
                yield Part.IDENTITY, (name,), reason
            for transfer in new.transfers:
                if name in (transfer.source, transfer.destination):
                    writes = name == transfer.destination
                    wanted = [each for each in depending if each is not Part.IDENTITY]
                    yield from _tests_of(
                        transfer, [each for each in wanted if writes or each is not Part.FOREIGN], reason
                    )
            for command in new.commands:
                if name in (command.source, command.destination):
                    yield Part.COMMAND, (command.name,), reason
    yield from _by_requests(old, new)


def _limits(old: Controller, new: Controller) -> Iterator[tuple[str, tuple[Part, ...]]]:
    assert isinstance(new.limits, Limits)
    yield from _changed(old.limits, new.limits, _LIMITS)


def _by_requests(old: Plan, new: Plan) -> Iterator[Line]:
    """Other requests on a line change the waiting times of all that use it."""
    before, after = _requests(old), _requests(new)
    for controller in new.controllers:
        if controller.name in before and before[controller.name] != after.get(controller.name):
            reason = f"other requests are made of {controller.name}"
            for transfer in new.transfers:
                if controller.name in (transfer.source, transfer.destination):
                    yield Part.TIMING, (transfer.name,), reason


def _requests(plan: Plan) -> dict[str, list[object]]:
    """For each controller what is asked of it, and how often."""
    found: dict[str, list[object]] = {}
    for sweep in layout(plan):
        for request in sweep.reads:
            found.setdefault(sweep.source, []).append(("read", sweep.period_ns, sweep.rounds, request.span))
        for each in sweep.transfers:
            for write in (*each.writes, *([each.status_alone] if each.status_alone is not None else [])):
                found.setdefault(each.transfer.destination, []).append(("write", sweep.period_ns, write.span))
            for read in each.verify_reads:
                found.setdefault(each.transfer.destination, []).append(("read back", sweep.period_ns, read.span))
    for command in plan.commands:
        for name in (command.source, command.destination):
            found.setdefault(name, []).append(("command", command.period_ns, command.name))
    return {name: sorted(requests, key=str) for name, requests in found.items()}


# Transfers.


def _by_transfers(old: Plan, new: Plan) -> Iterator[Line]:
    before = {each.name: each for each in old.transfers}
    for transfer in new.transfers:
        was = before.get(transfer.name)
        if was is None:
            yield from _all_of(transfer, f"{transfer.name} is new")
        elif (was.source, was.destination) != (transfer.source, transfer.destination):
            yield from _all_of(transfer, f"{transfer.name} has another way than before")
        else:
            for field, tests in _changed(was, transfer, _TRANSFER):
                yield from _tests_of(transfer, tests, f"`{_said(field)}` of {transfer.name} was changed")
            yield from _by_values(was, transfer)
    yield from _silenced(old, new)


def _all_of(transfer: Transfer, reason: str) -> Iterator[Line]:
    tests = (Part.POINT, Part.ENDS, Part.TIMING, Part.LOSS, Part.START, Part.FOREIGN)
    yield from _tests_of(transfer, tests, reason)
    for value in transfer.values:
        if value.is_watched or value.not_available:
            yield Part.PLAUSIBILITY, (transfer.name, value.name), reason


def _by_values(old: Transfer, new: Transfer) -> Iterator[Line]:
    before = {each.name: each for each in old.values}
    for value in new.values:
        was = before.get(value.name)
        if was is None:
            reason = f"`{value.name}` is new"
            for test in OF_A_VALUE:
                if test is not Part.PLAUSIBILITY or value.is_watched or value.not_available:
                    yield test, (new.name, value.name), reason
            yield Part.START, (new.name,), reason
            yield Part.LOSS, (new.name,), reason
            continue
        for field, tests in _changed(was, value, _VALUE):
            reason = f"`{_said(field)}` of `{value.name}` was changed"
            for test in tests:
                yield test, (new.name, value.name) if test in OF_A_VALUE else (new.name,), reason


def _silenced(old: Plan, new: Plan) -> Iterator[Line]:
    """Places that were written, and are not any more: their last value stays where it is."""
    written = {(transfer.destination, value.put) for transfer in new.putting for value in transfer.values}
    kept = {each.name for each in new.controllers}
    for transfer in old.putting:
        for value in transfer.values:
            at = (transfer.destination, value.put)
            if at not in written and transfer.destination in kept and not _is_covered(value.put, transfer, new):
                place = f"{value.put} of {transfer.destination}"
                reason = f"`{value.name}` is not put there any more, and the last value stays"
                yield Part.SILENCE, (transfer.destination, place), reason


def _is_covered(point: Point, was: Transfer, new: Plan) -> bool:
    """Whether another value is put over the place."""
    span = point.span
    return any(
        transfer.destination == was.destination
        and each.put.table is span.table
        and each.put.span.start <= span.start
        and span.stop <= each.put.span.stop
        and each.put.bit in (None, point.bit)
        for transfer in new.putting
        for each in transfer.values
    )


# Commands.


def _by_commands(old: Plan, new: Plan) -> Iterator[Line]:
    before = {each.name: each for each in old.commands}
    for command in new.commands:
        was = before.get(command.name)
        if was is None:
            yield Part.COMMAND, (command.name,), f"{command.name} is new"
        elif changed := _command_fields(was, command):
            yield Part.COMMAND, (command.name,), f"{changed} of {command.name} was changed"


def _command_fields(old: Command, new: Command) -> str:
    names: Sequence[str] = [each.name for each in fields(old) if each.name not in ("path", "values")]
    changed = [f"`{_said(name)}`" for name in names if getattr(old, name) != getattr(new, name)]
    if [_without_paths(each) for each in old.values] != [_without_paths(each) for each in new.values]:
        changed.append("`values`")
    return ", ".join(changed)


def _without_paths(value: Value) -> tuple[object, ...]:
    return tuple(getattr(value, each.name) for each in fields(value) if each.name != "path")
