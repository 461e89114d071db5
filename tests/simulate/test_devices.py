"""The catalogue of devices that misbehave: how they are chosen, and that everything said of them is in step."""

from __future__ import annotations

from pathlib import Path

import pytest

from wherry.checks.check import check
from wherry.cli.simulate import devices_by_name, own_device, own_plan_text, save_plan
from wherry.errors import LocalError
from wherry.plan import loads
from wherry.simulate.devices.catalogue import DEVICES, choose, placed_for, plan_for, preparing
from wherry.simulate.devices.pages import put_into

DOCUMENT = Path(__file__).resolve().parents[2] / "docs" / "simulate.md"


WARNED = {"S10": {"worn-out-early"}, "S11": {"silence-undeclared"}}
"""What a plan is warned of on purpose: it is what the device is about."""


def test_the_document_is_in_step() -> None:
    text = DOCUMENT.read_text(encoding="utf-8")
    assert put_into(text) == text, "run: python -m wherry.simulate.devices.pages docs/simulate.md"


@pytest.mark.parametrize("label", DEVICES)
def test_each_device_has_a_sound_plan_that_meets_it(label: str) -> None:
    device = DEVICES[label]
    loaded = loads(device.plan_text, label)
    assert {each.name for each in check(loaded) if each.level != "note"} == WARNED.get(label, set())
    placed = placed_for(label)
    assert placed
    preparing(loaded.plan, placed)
    for kind in device.kinds:
        assert choose(f"{label}:{kind}").kind == kind


def test_a_device_is_chosen_by_label_and_kind() -> None:
    assert choose("s3").text == "S3:zero"
    assert choose("S3: plus one").kind == "plus one"
    assert choose("S8:dead unit").text == "S8:dead unit"
    with pytest.raises(LocalError, match="no device `S77`: there are S1, S2"):
        choose("S77")
    with pytest.raises(LocalError, match=r"S3 has no kind `swaped`: there are .* did you mean `S3:swapped`"):
        choose("S3:swaped")
    with pytest.raises(LocalError, match=r"no controller `skit`: .* did you mean `skid`"):
        preparing(plan_for("S1"), {"skit": choose("S1")})


def test_calls_that_make_no_sense() -> None:
    plan = Path("plan.toml")
    assert own_device(plan, ["skid=S1"], None) is None
    assert {name: each.text for name, each in devices_by_name(["skid=S7", "hall=S3:unit"]).items()} == {
        "skid": "S7",
        "hall": "S3:unit",
    }
    with pytest.raises(LocalError, match="--device NAME=S1"):
        devices_by_name(["S1"])
    with pytest.raises(LocalError, match="given twice for skid"):
        devices_by_name(["skid=S1", "skid=S2"])
    for devices in ([], ["S1", "S2"], ["skid=S1"]):
        with pytest.raises(LocalError, match="name a plan file, or one device alone"):
            own_device(None, devices, None)
    with pytest.raises(LocalError, match="--save writes the plan of a device"):
        own_device(plan, [], Path("x"))


@pytest.mark.parametrize("label", DEVICES)
def test_the_plan_that_is_saved_leads_to_where_it_is_served(label: str, tmp_path: Path) -> None:
    text = own_plan_text(choose(label), None, 15020)
    loaded = loads(text)
    addresses = list(dict.fromkeys((each.host, each.port) for each in loaded.plan.controllers))
    assert addresses == [("127.0.0.1", 15020 + index) for index in range(len(addresses))]
    save_plan(text, tmp_path / "own.toml")
    with pytest.raises(LocalError, match="is there already"):
        save_plan(text, tmp_path / "own.toml")
