"""What a misbehaving device is: a simulated controller with something done to it."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from random import Random

from wherry.plan import loads
from wherry.plan.model import Plan, Span, Value
from wherry.simulate.controller import SimulatedController


@dataclass(frozen=True, slots=True)
class Victim:
    """A simulated controller that is about to misbehave. ``taken`` are the values of the plan that come from it,
    ``given`` those that are put into it, ``status`` the status registers in it. ``plan`` is the whole plan."""

    simulated: SimulatedController
    plan: Plan
    rng: Random

    @property
    def name(self) -> str:
        """Its name in the plan."""
        return self.simulated.controller.name

    @property
    def timeout_ns(self) -> int:
        """How long its answers are waited for."""
        return self.simulated.controller.limits.timeout_ns

    @property
    def taken(self) -> list[Value]:
        """The values of the plan that come from it."""
        return [value for each in self.plan.transfers if each.source == self.name for value in each.values]

    @property
    def given(self) -> list[Value]:
        """The values of the plan that are put into it."""
        return [value for each in self.plan.transfers if each.destination == self.name for value in each.values]

    @property
    def status(self) -> list[Span]:
        """The status registers in it."""
        return [
            each.status for each in self.plan.transfers if each.destination == self.name and each.status is not None
        ]


Attach = Callable[[Victim], None]
"""Makes a simulated controller misbehave, before it is started."""


@dataclass(frozen=True, slots=True)
class Device:
    """One of the fifteen. ``kinds`` are its variants; the first one is meant when none is named.

    ``plan_text`` is its own plan, ``placed`` which controllers of it misbehave, and how (label and kind).
    """

    label: str
    title: str
    description: str
    expected: str
    kinds: Mapping[str, Attach]
    plan_text: str
    placed: Mapping[str, str] = field(default_factory=dict)

    @property
    def plan(self) -> Plan:
        """Its own plan."""
        return loads(self.plan_text, file=f"{self.label}.toml").plan


@dataclass(frozen=True, slots=True)
class Chosen:
    """A device and one of its kinds."""

    device: Device
    kind: str

    @property
    def text(self) -> str:
        """As it is chosen: ``S3:zero``; ``S1`` where there is only one kind."""
        return self.device.label if len(self.device.kinds) == 1 else f"{self.device.label}:{self.kind}"

    def attach(self, victim: Victim) -> None:
        """Make a controller misbehave."""
        self.device.kinds[self.kind](victim)


def one_of(rng: Random, shares: Sequence[tuple[float, str]]) -> str:
    """One of the words by its share; empty for the rest."""
    at = rng.random()
    for share, word in shares:
        if at < share:
            return word
        at -= share
    return ""
