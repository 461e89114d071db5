"""SunSpec devices over the protocol: through the survey's runner and its guard, in virtual time."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path

import pytest
from tests.importing.conftest import REGISTER_MAPS, hatchery_device, recorded, words_of

from wherry.cli.import_device import Where, read_device
from wherry.errors import LinkError
from wherry.importing.sunspec_models import Definitions, NoDefinitions
from wherry.importing.sunspec_read import Device
from wherry.plan import loads
from wherry.plan.model import Framing, Plan, Table
from wherry.protocol.functions import exception_text
from wherry.simulate.controller import SimulatedController, simulate_plan
from wherry.simulate.virtual_loop import run_virtual
from wherry.transports.memory import MemoryNetwork

HOST = "10.20.0.11"


def plan_of(registers: Mapping[int, int], limits: str = "") -> Plan:
    """A device that has these registers and no others."""
    spans: list[tuple[int, int]] = []
    for address in sorted(registers):
        if spans and spans[-1][1] == address:
            spans[-1] = (spans[-1][0], address + 1)
        else:
            spans.append((address, address + 1))
    readable = ", ".join(f'"holding address {start}..{stop - 1}"' for start, stop in spans)
    loaded = loads(
        f"[controller.skid]\nconnect = 'tcp://{HOST}'\nunit = 1\nreadable = [{readable}]\n{limits}\n"
        "[controller.hall]\nconnect = 'tcp://10.20.0.12'\n"
        "[transfer.t]\nfrom = 'skid'\nto = 'hall'\nevery = '1 s'\n"
        f"copy = {{ take = 'holding address {spans[0][0]}', put = 'holding 0' }}\n"
    )
    assert loaded.findings == ()
    return loaded.plan


def fill(controller: SimulatedController, registers: Mapping[int, int]) -> None:
    for address, word in registers.items():
        controller.store.write_registers(Table.HOLDING, address, word.to_bytes(2, "big"))


async def imported(
    registers: Mapping[int, int], definitions: Definitions, unit: int = 1, limits: str = ""
) -> tuple[Device, SimulatedController]:
    network = MemoryNetwork()
    simulated = await simulate_plan(plan_of(registers, limits), network, only=["skid"], declared_only=True)
    skid = simulated.controllers["skid"]
    for mover in list(skid.moving.movers):
        skid.moving.pin(mover.table, mover.address, mover.count)
    fill(skid, registers)
    try:
        device = await read_device(network, Where(Framing.MBAP, HOST, 502), unit, definitions, None, 50.0)
    finally:
        await simulated.stop()
    return device, skid


def functions(skid: SimulatedController) -> Iterable[int]:
    return skid.counts.requests


def test_it_is_read_with_reads_only_at_its_pace_on_one_connection(models: Path) -> None:
    device, skid = run_virtual(imported(hatchery_device(), Definitions(models)))
    assert [model.number for model in device.models] == [1, 64100]
    assert set(functions(skid)) == {3}
    assert skid.counts.request_count == device.requests
    assert skid.counts.connections == 1
    assert skid.counts.writes == 0


def test_a_limit_of_the_device_is_found_on_the_way(models: Path) -> None:
    whole, _ = run_virtual(imported(hatchery_device(), Definitions(models)))
    device, _ = run_virtual(imported(hatchery_device(), Definitions(models), limits="limits = { read = 10 }"))
    assert [each.value for each in device.readings] == [each.value for each in whole.readings]
    assert device.requests > whole.requests


def test_a_unit_that_does_not_answer_is_left_alone() -> None:
    with pytest.raises(LinkError, match="answered none of 3 requests"):
        run_virtual(imported(hatchery_device(), NoDefinitions(), unit=9))


@pytest.mark.parametrize(("name", "points"), [("SunSpec2025", 599), ("SunSpecEmulatedDer", 132)])
def test_recorded_devices_over_the_protocol(name: str, points: int) -> None:
    """The same values come over the wire as from the recording itself (which test_sunspec compares with published
    ones)."""
    dump = recorded(name)
    registers = words_of(bytes.fromhex(dump["registers_hex"]), dump["first_address"])
    device, skid = run_virtual(imported(registers, Definitions(REGISTER_MAPS / "sunspec_models")))
    assert len(device.readings) == points
    for each in device.readings:
        wanted = b"".join(
            registers[at].to_bytes(2, "big")
            for at in range(each.field.address, each.field.address + each.field.registers)
        )
        assert each.data == wanted
    assert set(functions(skid)) == {3}
    assert exception_text(2)
