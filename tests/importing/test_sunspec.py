"""Reading SunSpec devices: one of our own making with everything that can be wrong, and recorded ones with their
published values."""

from __future__ import annotations

import importlib.util
import json
from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.importing.conftest import (
    HEADER,
    REGISTER_MAPS,
    answering,
    carry_out,
    hatchery_device,
    point,
    recorded,
    words_of,
)

from wherry.errors import PlanError, WherryError
from wherry.importing.points import lay_puts, plan_lines
from wherry.importing.sunspec_models import Definitions, NoDefinitions
from wherry.importing.sunspec_points import identity_line, points_of
from wherry.importing.sunspec_read import Device, Read, discover
from wherry.importing.sunspec_values import Reading
from wherry.plan import loads


def found(device: Device) -> dict[str, Reading]:
    return {each.field.name: each for each in device.readings}


def test_values_are_scaled_exactly_and_named(models: Path) -> None:
    device = carry_out(discover(Definitions(models)), answering(hatchery_device()))
    assert (device.base, [model.number for model in device.models], device.remarks) == (40000, [1, 64100], [])
    values = {name: each.value for name, each in found(device).items()}
    assert values["Lvl"] == Decimal("3.72")
    assert values["Tmp"] is None
    assert values["Vol"] == 1234560
    assert values["St"] == "FEEDING"
    assert values["Evt"] == "LOW_OXYGEN, PUMP"
    assert values["O2"] == pytest.approx(9.05)
    assert values["pump_0_A"] == 2
    assert values["pump_1_A"] == 3
    assert [each.value for each in device.identity] == ["Trout", "Skid", "V2.1", "0815"]


def test_the_points_make_a_plan_that_is_sound(models: Path) -> None:
    device = carry_out(discover(Definitions(models)), answering(hatchery_device()))
    points = points_of(device)
    lines = "\n".join(plan_lines(points, lay_puts(points, "holding 100")))
    assert "64100 Tmp" not in lines  # not implemented
    assert (
        '{ name = "64100 Lvl", take = "holding address 40020 uint16", put = "holding 114 uint16", '
        'take_scale = [0, 10000, 0, 100], scale = [0, 100, 0, 10000], unit = "m", not_available = ["0xFFFF"] },'
    ) in lines
    text = (
        "[controller.skid]\nconnect = 'tcp://127.0.0.1:15020'\n" + identity_line(device, points) + "\n"
        "[controller.hall]\nconnect = 'tcp://127.0.0.1:15021'\n"
        f"[transfer.tank]\nfrom = 'skid'\nto = 'hall'\nevery = '1 s'\nvalues = [\n{lines}\n]\n"
    )
    loaded = loads(text)
    assert loaded.findings == ()
    assert len(loaded.plan.transfers[0].values) == len(points)
    identity = loaded.plan.controller("skid").identity
    assert identity is not None
    # The scale factor of the levels is part of what the device must say.
    assert [(each.at.address, each.content) for each in identity.registers][-1] == (40029, "-2")


def test_a_text_that_is_padded_with_blanks_is_named_by_its_own_registers(models: Path) -> None:
    registers = hatchery_device()
    for at, word in enumerate((0x536B, 0x6964, 0x2020, 0x2020)):  # "Skid    "
        registers[40008 + at] = word
    device = carry_out(discover(Definitions(models)), answering(registers))
    assert '{ at = "holding address 40008 string(4)", is = "Skid" }' in identity_line(device, points_of(device))
    assert '{ at = "holding address 40004 string(4)", is = "Trou" }' in identity_line(device, points_of(device))


@pytest.mark.parametrize("count_max", [1, 2, 3, 7, 16, 125])
def test_a_small_limit_changes_nothing_but_the_number_of_requests(models: Path, count_max: int) -> None:
    whole = carry_out(discover(Definitions(models)), answering(hatchery_device()))
    reads: list[Read] = []
    answer = answering(hatchery_device(), count_max)

    def noting(read: Read) -> bytes | int:
        reads.append(read)
        return answer(read)

    device = carry_out(discover(Definitions(models)), noting)
    if count_max == 1:
        assert device.base is None  # the marker itself does not fit
        return
    same = {name: each.value for name, each in found(device).items() if each.field.registers <= count_max}
    wanted = {name: each.value for name, each in found(whole).items() if each.field.registers <= count_max}
    strings = {name for name, each in found(whole).items() if each.field.type_name == "string"}
    assert {k: v for k, v in same.items() if k not in strings} == {k: v for k, v in wanted.items() if k not in strings}
    for each in found(device).values():
        if 1 < each.field.registers <= count_max and each.field.type_name != "string":
            span = (each.field.address, each.field.address + each.field.registers)
            assert any(read.address <= span[0] and span[1] <= read.address + read.count for read in reads)


def test_scale_factors_that_move_while_they_are_read_are_not_believed(models: Path) -> None:
    registers = hatchery_device()
    count = 0

    def moving(read: Read) -> bytes | int:
        nonlocal count
        count += 1
        registers[40029] = 0xFFF7 + count % 7  # from -9 to -3
        return answering(registers, 8)(read)

    device = carry_out(discover(Definitions(models)), moving)
    assert not [each for each in device.readings if each.field.model == 64100]
    assert any("change while it is read" in each for each in device.remarks)


@pytest.mark.parametrize("base", [40000, 50000, 0])
def test_the_map_is_found_at_each_of_its_places(models: Path, base: int) -> None:
    assert carry_out(discover(Definitions(models)), answering(hatchery_device(base))).base == base


def test_a_map_that_is_shifted_by_one_is_found_and_told(models: Path) -> None:
    device = carry_out(discover(Definitions(models)), answering(hatchery_device(40001)))
    assert device.base == 40001
    assert "begins at 40000" in device.remarks[0]


def test_no_map() -> None:
    assert carry_out(discover(NoDefinitions()), answering({})).base is None
    assert carry_out(discover(NoDefinitions()), lambda read: 0).base is None


def test_what_is_not_as_it_should_be_is_told(models: Path) -> None:
    registers = hatchery_device()
    registers[40020] = 0x8000  # an unsigned level with the sentinel of a signed type
    registers[40024] = 7  # a state that is not defined
    registers[40030] = 0x8000  # the temperature's scale factor is not implemented
    registers[40021] = 123
    for at in range(40036, 40038):
        del registers[at]  # the end model
    device = carry_out(discover(Definitions(models)), answering(registers))
    text = "\n".join(device.remarks)
    assert "Lvl holds 8000h, which means 32768 in its type uint16" in text
    assert "St is 7, and its definition has no such state" in text
    assert "the scale factor Tmp_SF of Tmp is not implemented: its value is not known" in text
    assert "the header at address 40036 cannot be read" in text
    assert found(device)["Tmp"].value is None
    assert "64100 Tmp" not in {each.name for each in points_of(device)}


def test_a_model_without_a_definition_is_left_out(models: Path) -> None:
    (models / "model_64100.json").unlink()
    device = carry_out(discover(Definitions(models)), answering(hatchery_device()))
    assert device.remarks == [
        "model 64100 at address 40018 has no definition in the folder: its 16 registers are left out"
    ]
    assert device.models[1].length == 16


def test_broken_definitions_are_told(models: Path) -> None:
    for text in ("", "{}", "[]", '{"group": 3}', '{"group": {"points": 3}}'):
        (models / "model_64100.json").write_text(text)
        with pytest.raises(PlanError, match=r"no SunSpec model definition"):
            carry_out(discover(Definitions(models)), answering(hatchery_device()))
    group = {"points": [{"name": "ID", "type": "uint16"}]}
    (models / "model_64100.json").write_text(json.dumps({"group": group}))
    with pytest.raises(PlanError, match="cannot be understood"):
        carry_out(discover(Definitions(models)), answering(hatchery_device()))
    with pytest.raises(PlanError, match="does not exist"):
        Definitions(models / "nowhere")


@pytest.mark.parametrize("count", [0, 1, 3, 10**12, -1, "ID", "L", "N"])
@pytest.mark.parametrize("size", [1, 2, 0, -1])
@pytest.mark.parametrize("has_points", [True, False])
def test_groups_of_any_count_come_to_an_end(models: Path, count: int | str, size: int, has_points: bool) -> None:
    inner = {"name": "g", "count": count, "points": [point("P", "uint16", size)] if has_points else []}
    group = {"name": "top", "points": HEADER, "groups": [inner, {**inner, "groups": [inner]}]}
    (models / "model_64100.json").write_text(json.dumps({"group": group}))
    try:
        device = carry_out(discover(Definitions(models)), answering(hatchery_device()))
    except WherryError:
        return  # told as a fault of the definition
    assert len(device.models[1].readings) <= 18


@given(data=st.binary(max_size=400), cut=st.integers(1, 125))
def test_any_registers_come_to_an_end(data: bytes, cut: int) -> None:
    """Whatever a device holds behind the marker, reading it ends, and within the bound of one request a register."""
    device = carry_out(discover(NoDefinitions()), answering(words_of(b"SunS" + data[: len(data) // 2 * 2], 40000), cut))
    assert device.requests <= len(data) + 20


# Recorded devices.

EXPLAINED = {
    # 8000h: the content is what signed types have for not implemented, in an unsigned type, so that it means
    # 32768; whoever published the value took it for not implemented.
    ("SunSpec2023", 128, "DbVMin"), ("SunSpec2025", 128, "DbVMin"),
    # Flags: the published value names the first flag only; here all of them are named.
    ("SunSpec2023", 12, "Cap"), ("SunSpec2025", 12, "Cap"), ("SunSpec2025", 122, "PVConn"),
    ("SunSpecEmulatedDer", 702, "CtrlModes"),
    # Called flags and described as two states: 0 is "disconnected", published as nothing.
    ("SunSpec2023", 122, "ECPConn"),
    # Padding has no value here.
    ("SunSpecEmulatedDer", 1, "Pad"),
}  # fmt: skip


def differing(name: str, folder: Path) -> tuple[int, set[tuple[str, int, str]]]:
    """How many published values are reproduced, and which are not."""
    dump = recorded(name)
    registers = words_of(bytes.fromhex(dump["registers_hex"]), dump["first_address"])
    device = carry_out(discover(Definitions(folder)), answering(registers))
    assert [(m.number, m.length, m.header) for m in device.models] == [
        (m["id"], m["length"], m["header_address"]) for m in dump["models"][:-1]
    ]
    same, differ = 0, set()
    for model in device.models:
        published = {key.lower(): value for key, value in dump["expected_from_source"][f"Model {model.number}"].items()}
        if not model.is_defined or any(key.startswith("unknown") for key in published):
            continue
        assert {each.field.name.lower() for each in model.readings} == set(published)
        for each in model.readings:
            if is_same(each, published[each.field.name.lower()]):
                same += 1
            else:
                differ.add((name, model.number, each.field.name))
    return same, differ


def is_same(reading: Reading, published: str | None) -> bool:
    """Published are numbers with three decimals, states by name, nothing for an empty text or set."""
    if not published:
        return reading.value in (None, "")
    if isinstance(reading.value, Decimal | int | float):
        return Decimal(published) == Decimal(str(reading.value))
    return reading.value == published


@pytest.mark.parametrize(
    ("name", "same_min"), [("SunSpec2023", 596), ("SunSpec2025", 596), ("SunSpecEmulatedDer", 130)]
)
def test_published_values_of_recorded_devices_are_reproduced(name: str, same_min: int) -> None:
    same, differ = differing(name, REGISTER_MAPS / "sunspec_models")
    assert same == same_min
    assert differ == {each for each in EXPLAINED if each[0] == name}


def test_the_emulated_device_with_all_its_models() -> None:
    """With the definitions that pysunspec2 brings (the index of models kept beside us ends at 702)."""
    spec = importlib.util.find_spec("sunspec2")
    assert spec is not None
    assert spec.origin is not None
    same, differ = differing("SunSpecEmulatedDer", Path(spec.origin).parent / "models" / "json")
    assert same == 742
    assert differ == {each for each in EXPLAINED if each[0] == "SunSpecEmulatedDer"}
