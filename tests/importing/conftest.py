"""A SunSpec device in memory, with a few models of our own making; and the recorded ones, where they are."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import pytest

from wherry.importing.sunspec_read import Device, Procedure, Read

REGISTER_MAPS = Path(__file__).parents[2].parent / "shared" / "reference" / "registermaps"
ILLEGAL_ADDRESS = 2

Answering = Callable[[Read], bytes | int]


def recorded(name: str) -> dict[str, Any]:
    """A recorded device: nielsbasjes/modbus-schema at 68d672d (Apache-2.0), kept outside the repository."""
    path = REGISTER_MAPS / "dumps" / f"{name}.json"
    if not path.exists():
        pytest.skip(f"the recorded device {name} is not here: it is kept outside the repository, in {path.parent}")
    found: dict[str, Any] = json.loads(path.read_text())
    return found


def answering(registers: Mapping[int, int], count_max: int = 125) -> Answering:
    """A device that holds these registers and no others."""

    def answer(read: Read) -> bytes | int:
        if read.count > count_max:
            return 3
        try:
            return b"".join(registers[read.address + at].to_bytes(2, "big") for at in range(read.count))
        except KeyError:
            return ILLEGAL_ADDRESS

    return answer


def carry_out(procedure: Procedure, answer: Answering) -> Device:
    """The procedure to its end."""
    try:
        read = next(procedure)
        while True:
            read = procedure.send(answer(read))
    except StopIteration as over:
        device: Device = over.value
        return device


def words_of(data: bytes, first: int) -> dict[int, int]:
    """Bytes as registers by address."""
    return {first + at // 2: int.from_bytes(data[at : at + 2], "big") for at in range(0, len(data), 2)}


def point(name: str, type_name: str, size: int = 1, **more: object) -> dict[str, object]:
    """One point of a model definition."""
    return {"name": name, "type": type_name, "size": size, **more}


HEADER = [point("ID", "uint16", mandatory="M"), point("L", "uint16", mandatory="M")]
COMMON = {
    "name": "common",
    "points": [*HEADER, point("Mn", "string", 4), point("Md", "string", 4), point("Vr", "string", 2),
               point("SN", "string", 4)],
}  # fmt: skip
TANK = {
    "name": "tank",
    "points": [
        *HEADER,
        point("Lvl", "uint16", sf="Lvl_SF", units="m", label="Level", mandatory="M"),
        point("Tmp", "int16", sf="Tmp_SF", units="C"),
        point("Vol", "acc32", 2, sf=1, units="L"),
        point("St", "enum16", symbols=[{"name": "IDLE", "value": 0}, {"name": "FEEDING", "value": 1}]),
        point("Evt", "bitfield32", 2, symbols=[{"name": "LOW_OXYGEN", "value": 0}, {"name": "PUMP", "value": 3}]),
        point("O2", "float32", 2, units="mg/L"),
        point("Lvl_SF", "sunssf"),
        point("Tmp_SF", "sunssf"),
        point("N", "count"),
    ],
    "groups": [{"name": "pump", "count": "N", "points": [point("A", "uint16", sf="Lvl_SF"), point("On", "enum16")]}],
}


@pytest.fixture
def models(tmp_path: Path) -> Path:
    """A folder with the definitions of two models of our own."""
    folder = tmp_path / "models"
    folder.mkdir()
    for number, group in ((1, COMMON), (64100, TANK)):
        (folder / f"model_{number}.json").write_text(json.dumps({"id": number, "group": group}))
    return folder


def hatchery_device(base: int = 40000) -> dict[int, int]:
    """A device with both models: level 3.72 m, temperature not implemented, two pumps."""
    common = b"Trout   " + b"Skid\0\0\0\0" + b"V2.1" + b"0815\0\0\0\0"
    tank = bytes.fromhex("0174 8000 0001E240 0001 00000009 4110CCCD FFFE FFFF 0002 00C8 0001 012C 0000")
    parts = (
        b"SunS",
        (1).to_bytes(2, "big") + (len(common) // 2).to_bytes(2, "big") + common,
        (64100).to_bytes(2, "big") + (len(tank) // 2).to_bytes(2, "big") + tank,
        b"\xff\xff\0\0",
    )
    return words_of(b"".join(parts), base)
