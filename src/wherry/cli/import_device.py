"""The part of ``wherry import`` that reads a device: its SunSpec map, as points of a plan."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final, NamedTuple

from wherry.cli import output
from wherry.cli.import_ import DeviceWords, write_list
from wherry.cli.import_view import point_document, show_saved
from wherry.cli.output import Exit
from wherry.cli.run import best_loop_factory
from wherry.errors import LocalError
from wherry.importing.points import ImportedPoint, lay_puts, plan_lines, with_names_of_their_own
from wherry.importing.sunspec_facts import BASES
from wherry.importing.sunspec_models import Definitions, NoDefinitions
from wherry.importing.sunspec_points import identity_line, points_of
from wherry.importing.sunspec_read import Device, discover
from wherry.importing.sunspec_values import Reading
from wherry.importing.sunspec_wire import on_wire
from wherry.limits import ADDRESS_MAX, UNIT_MAX
from wherry.plan.connect import parse_connect
from wherry.plan.model import Framing
from wherry.plan.wording import listed, printable
from wherry.survey.runner import Runner
from wherry.transports.network import Network, place
from wherry.transports.tcp import TcpNetwork

TIMEOUT_NS: Final = 1_000_000_000
RATE_MAX: Final = 1000.0
READINGS_SHOWN: Final = 60
MODELS: Final[Sequence[tuple[str, output.Justify]]] = (
    ("model", "right"), ("address", "right"), ("registers", "right"), ("points", "right"), ("implemented", "right"),
)  # fmt: skip
READINGS: Final[Sequence[tuple[str, output.Justify]]] = (
    ("name", "left"), ("place", "left"), ("value", "right"), ("unit", "left"), ("what it is", "left"),
)  # fmt: skip


class Where(NamedTuple):
    """A device on the network."""

    framing: Framing
    host: str
    port: int


def import_device(source: str, said: DeviceWords, put: str | None, save: Path | None, *, json: bool) -> int:
    """Read the device and show, or save, what it holds."""
    models, unit, base, rate = said.models, said.unit, said.base, said.rate
    if not 0 <= unit <= UNIT_MAX:
        raise LocalError(f"--unit {unit}: a unit id is a number from 0 to {UNIT_MAX}")
    if base is not None and not 0 <= base <= ADDRESS_MAX:
        raise LocalError(f"--base {base}: an address is a number from 0 to {ADDRESS_MAX}")
    if not 0 < rate <= RATE_MAX:
        raise LocalError(f"--rate {rate:g}: requests in a second are more than 0 and at most {RATE_MAX:g}")
    where = Where(*parse_connect(source))
    definitions = NoDefinitions() if models is None else Definitions(models)
    if not said.yes and not is_wanted(where, unit, rate):
        return Exit.WRONG_CALL
    with asyncio.Runner(loop_factory=best_loop_factory()) as runner:
        device = runner.run(read_device(TcpNetwork(), where, unit, definitions, base, rate))
    points = with_names_of_their_own(points_of(device))
    puts = lay_puts(points, put) if put is not None else [""] * len(points)
    identity = identity_line(device, points)
    saved = save if save is not None and points else None
    if saved is not None:
        head = [
            f"Imported from {source}, unit {unit}, by `wherry import`: {_who(device)}.",
            "For its controller:",
            identity,
        ]
        write_list(saved, points, puts, head)
    if json:
        output.json_document(document(source, unit, device, points, puts, identity, saved))
    else:
        show(device, points, puts, identity, saved, is_told=base is not None)
        if models is None and device.models:
            output.talk("the models are not read without their definitions: say --models DIR (files of sunspec/models)")
    return Exit.OK if points else Exit.NO


def is_wanted(where: Where, unit: int, rate: float) -> bool:
    """Say what will be sent, and ask. False when the answer is no, or nobody can answer."""
    output.talk(
        f"reads holding registers of unit {unit} at {place(where.host, where.port)}, at most {rate:g} requests a "
        "second, some tens in all. It takes one connection, and it may be the device's only one. Nothing is written."
    )
    return output.may_go_on()


async def read_device(
    network: Network, where: Where, unit: int, definitions: Definitions, base: int | None, rate: float
) -> Device:
    """Read it over the network, and let go of the connection. LinkError if it cannot be reached or stops answering."""
    runner = Runner(network, where.host, where.port, where.framing, rate=rate, timeout_ns=TIMEOUT_NS)
    try:
        return await runner.drive(on_wire(discover(definitions, base=base), unit))
    finally:
        await runner.close()


def _who(device: Device) -> str:
    return ", ".join(printable(str(each.value)) for each in device.identity) or "it does not say what it is"


def show(
    device: Device,
    points: Sequence[ImportedPoint],
    puts: Sequence[str],
    identity: str,
    saved: Path | None,
    *,
    is_told: bool,
) -> None:
    """Everything about the device, on stdout. ``is_told``: the user said where its map begins."""
    if device.base is None:
        where = "where --base says" if is_told else f"at {listed(map(str, BASES))}, nor one beside them"
        output.sentence(
            f"no SunSpec map: the marker `SunS` is not in the holding registers {where} "
            f"({output.plural(device.requests, 'request')})"
        )
        return
    output.sentence(f"SunSpec map at holding {device.base}: {_who(device)}")
    output.data(f"{output.plural(len(device.models), 'model')}, {output.plural(device.requests, 'request')}\n")
    rows = [
        (str(each.number), str(each.header), str(each.length), *_counts(each.is_defined, each.readings))
        for each in device.models
    ]
    output.table(MODELS, rows)
    if points:
        output.data()
        show_readings(device, points)
    for remark in device.remarks:
        output.sentence(f"note: {printable(remark)}")
    output.data(f"\n{output.plural(len(points), 'point')}")
    if saved is not None:
        show_saved(saved, puts)
    elif points:
        output.data("\nvalues = [")
        for line in plan_lines(points, puts):
            output.data(f"  {line}")
        output.data("]")
    if identity:
        output.data("\nfor its controller in the plan, so that no other device and no other scaling is believed:")
        output.data(identity)


def _counts(is_defined: bool, readings: Sequence[Reading]) -> tuple[str, str]:
    if not is_defined:
        return "?", "no definition"
    return str(len(readings)), str(sum(1 for each in readings if each.is_implemented))


def show_readings(device: Device, points: Sequence[ImportedPoint]) -> None:
    """The values as they were read."""
    values = {each.field.address: each for each in device.readings}
    rows = []
    for point in points[:READINGS_SHOWN]:
        reading = values[point.address]
        value = reading.value
        shown = f"{value:g}" if isinstance(value, float) else printable(str(value))
        rows.append((point.name, point.take, shown, point.unit, reading.field.label))
    output.table(READINGS, rows, shrink=(4, 2), drop=(4,))
    if len(points) > READINGS_SHOWN:
        output.data(f"... and {len(points) - READINGS_SHOWN:,} more")


def document(
    source: str,
    unit: int,
    device: Device,
    points: Sequence[ImportedPoint],
    puts: Sequence[str],
    identity: str,
    saved: Path | None,
) -> dict[str, Any]:
    """Everything about the device as one JSON document."""
    values = {each.field.address: each for each in device.readings}
    return {
        "device": source,
        "unit": unit,
        "base": device.base,
        "requests": device.requests,
        "identity": {each.field.name: each.value for each in device.identity},
        "models": [
            {
                "model": each.number,
                "address": each.header,
                "registers": each.length,
                "is_defined": each.is_defined,
                "not_implemented": [one.field.name for one in each.readings if not one.is_implemented],
            }
            for each in device.models
        ],
        "points": [
            {**point_document(point, put), "value": _json_value(values[point.address])}
            for point, put in zip(points, puts, strict=True)
        ],
        "remarks": device.remarks,
        "controller_line": identity or None,
        "saved": None if saved is None else str(saved),
    }


def _json_value(reading: Reading) -> int | float | str | None:
    value = reading.value
    if value is None or isinstance(value, int | str):
        return value
    number = float(value)
    return number if abs(number) != float("inf") else None
