"""Recorded SunSpec devices, served on loopback and read by us and by pysunspec2: the same values from both.

pysunspec2 is the reader of the SunSpec Alliance, with its own client, its own decoding and its own definitions.
"""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Iterator
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from tests.importing.conftest import recorded, words_of
from tests.importing.test_sunspec_wire import fill, plan_of

from wherry.cli.import_device import Where, read_device
from wherry.importing.sunspec_facts import Nature
from wherry.importing.sunspec_models import Definitions
from wherry.importing.sunspec_read import Device
from wherry.importing.sunspec_values import Reading
from wherry.plan.model import Framing
from wherry.simulate.controller import simulate_plan
from wherry.transports.tcp import TcpNetwork

pytestmark = pytest.mark.foreign
sunspec_client = pytest.importorskip("sunspec2.modbus.client", reason="pysunspec2 is not installed")
DEFINITIONS = Path(sunspec_client.__file__).parents[1] / "models" / "json"


@pytest.fixture(params=["SunSpec2023", "SunSpec2025", "SunSpecEmulatedDer"])
def port(request: pytest.FixtureRequest) -> Iterator[int]:
    dump = recorded(request.param)
    registers = words_of(bytes.fromhex(dump["registers_hex"]), dump["first_address"])
    ready, over = threading.Event(), threading.Event()
    ports: list[int] = []

    async def serve() -> None:
        plan = plan_of(registers, "limits = { connections = 2 }\nresponse = { fixed = '0 s', per_register = '0 s' }")
        simulated = await simulate_plan(plan, TcpNetwork(), only=["skid"], any_port=True, declared_only=True)
        skid = simulated.controllers["skid"]
        for mover in list(skid.moving.movers):
            skid.moving.pin(mover.table, mover.address, mover.count)
        fill(skid, registers)
        ports.append(skid.port)
        ready.set()
        await asyncio.get_running_loop().run_in_executor(None, over.wait)
        await simulated.stop()

    thread = threading.Thread(target=lambda: asyncio.run(serve()))
    thread.start()
    assert ready.wait(20)
    yield ports[0]
    over.set()
    thread.join()


def test_the_same_values_as_the_alliances_own_reader(port: int) -> None:
    theirs = sunspec_client.SunSpecModbusClientDeviceTCP(slave_id=1, ipaddr="127.0.0.1", ipport=port)
    theirs.scan()
    theirs.close()
    where = Where(Framing.MBAP, "127.0.0.1", port)
    device: Device = asyncio.run(read_device(TcpNetwork(), where, 1, Definitions(DEFINITIONS), None, 1000.0))
    compared = 0
    for model in device.models:
        found = values_of(theirs.models[model.number][0])
        for each in model.readings:
            if each.nature in (Nature.PADDING, Nature.ADDRESS) or each.field.name in ("ID", "L"):
                continue
            assert (each.field.name, of_theirs(each)) == (each.field.name, found[each.field.name])
            compared += 1
    assert compared > 500
    assert len(device.models) == len({number for number in theirs.models if isinstance(number, int)})


def values_of(group: Any, path: str = "") -> dict[str, Any]:
    """Their values by our names."""
    found = {f"{path}{name}": (None if point.value is None else point.cvalue) for name, point in group.points.items()}
    for name, inner in group.groups.items():
        if isinstance(inner, list):
            for at, each in enumerate(inner):
                found |= values_of(each, f"{path}{name}_{at}_")
        else:
            found |= values_of(inner, f"{path}{name}_")
    return {name: number(value) for name, value in found.items()}


def number(value: Any) -> Any:
    """A number without the noise of floats: they multiply by a power of ten in binary."""
    return Decimal(f"{value:.12g}") if isinstance(value, int | float | Decimal) else (value or None)


def of_theirs(reading: Reading) -> Any:
    """Our reading in their terms: states and flags as numbers."""
    if not reading.is_implemented:
        return None
    if reading.nature in (Nature.STATE, Nature.FLAGS):
        return number(reading.raw)
    return number(float(reading.value)) if isinstance(reading.value, Decimal | int) else (reading.value or None)
