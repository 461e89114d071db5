"""All devices that misbehave, by label, and how they are put in the place of a plan's controllers."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from random import Random
from typing import Final

from wherry.errors import LocalError
from wherry.plan.model import Plan
from wherry.plan.wording import listed, nearest
from wherry.simulate.controller import SimulatedController
from wherry.simulate.devices.base import Chosen, Device, Victim
from wherry.simulate.devices.changes import S14, S15
from wherry.simulate.devices.doors import S7, S8
from wherry.simulate.devices.replies import S1, S2, S3, S4
from wherry.simulate.devices.tables import S5, S6
from wherry.simulate.devices.values import S12, S13
from wherry.simulate.devices.writes import S9, S10, S11

DEVICES: Final[Mapping[str, Device]] = {
    each.label: each for each in (S1, S2, S3, S4, S5, S6, S7, S8, S9, S10, S11, S12, S13, S14, S15)
}
"""By label."""


def choose(text: str) -> Chosen:
    """A device and its kind as people write them: ``S7``, ``S3:plus one``. LocalError for one that is not there."""
    label, colon, kind = text.partition(":")
    device = DEVICES.get(label.strip().upper())
    if device is None:
        raise LocalError(f"there is no device `{label}`: there are {listed(DEVICES, last='and')}")
    kind = kind.strip()
    if colon and kind not in device.kinds:
        near = nearest(kind, device.kinds)
        hint = f"; did you mean `{device.label}:{near}`?" if near else ""
        raise LocalError(
            f"{device.label} has no kind `{kind}`: there {'is' if len(device.kinds) == 1 else 'are'} "
            f"{listed(device.kinds, last='and')}{hint}"
        )
    return Chosen(device, kind or next(iter(device.kinds)))


def plan_for(label: str) -> Plan:
    """The plan of a device of its own. LocalError for a label that is not there."""
    return choose(label).device.plan


def placed_for(label: str) -> dict[str, Chosen]:
    """Which controllers of the device's own plan misbehave, and how."""
    chosen = choose(label)
    kind = label.partition(":")[1]
    placed = {name: choose(text) for name, text in chosen.device.placed.items()}
    if kind:
        # One kind is asked for: it takes the place of the first.
        placed = {next(iter(placed)): chosen}
    return placed


def preparing(plan: Plan, placed: Mapping[str, Chosen]) -> Callable[[SimulatedController, Random], None]:
    """What ``simulate_plan`` is to do with each controller. LocalError for a name that is not in the plan."""
    known = [each.name for each in plan.controllers]
    for name in placed:
        if name not in known:
            near = nearest(name, known)
            hint = f"; did you mean `{near}`?" if near else ""
            raise LocalError(f"the plan has no controller `{name}`: there are {listed(known, last='and')}{hint}")

    def prepare(simulated: SimulatedController, rng: Random) -> None:
        chosen = placed.get(simulated.controller.name)
        if chosen is not None:
            chosen.attach(Victim(simulated, plan, Random(rng.getrandbits(64))))

    return prepare
