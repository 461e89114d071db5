"""What a rule is, and what it is given to judge."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, Any

from wherry.findings import Finding, Level, Path, Related
from wherry.packing.layout import Sweep, layout, readable_spans
from wherry.plan.model import Controller, Plan, Span, Transfer
from wherry.timing.conditions import USUAL, Conditions
from wherry.timing.system import System, system_of

if TYPE_CHECKING:
    from wherry.plan import Loaded


@dataclass(frozen=True)
class Judged:
    """A loaded plan with what several rules need, each made once and only when asked for."""

    plan: Plan
    data: Mapping[str, Any] = field(default_factory=dict)
    """The plan file as read, to tell what was written from what is a default."""

    @classmethod
    def of(cls, loaded: Loaded) -> Judged:
        return cls(loaded.plan, loaded.document.data)

    @cached_property
    def controllers(self) -> Mapping[str, Controller]:
        return {each.name: each for each in self.plan.controllers}

    @cached_property
    def sweeps(self) -> tuple[Sweep, ...]:
        """The request packing of the plan."""
        return layout(self.plan)

    @cached_property
    def conditions(self) -> Conditions:
        """What is taken for the network and this computer, with what the plan says of time."""
        return USUAL.with_declared(self.plan)

    @cached_property
    def system(self) -> System:
        """The requests of the plan as the budget counts them."""
        return system_of(self.plan, self.conditions, sweeps=self.sweeps)

    @cached_property
    def _readable(self) -> dict[str, list[Span]]:
        return {}

    def readable(self, controller_name: str) -> list[Span]:
        """The union of all that may be read from a controller."""
        if controller_name not in self._readable:
            self._readable[controller_name] = readable_spans(self.plan, controller_name)
        return self._readable[controller_name]

    def source(self, transfer: Transfer) -> Controller:
        return self.controllers[transfer.source]

    def destination(self, transfer: Transfer) -> Controller:
        return self.controllers[transfer.destination]

    def is_written(self, path: Path) -> bool:
        """Whether the user wrote this key, or it is a default."""
        node: Any = self.data
        for step in path:
            try:
                node = node[step]
            except (KeyError, IndexError, TypeError):
                return False
        return True


Check = Callable[[Judged], Iterable[Finding]]


@dataclass(frozen=True)
class Rule:
    """One rule: its stable name, the level it reports at unless it says otherwise, its page, and how it judges.

    ``check`` is None for findings made while the plan file is read; they have a page here all the same.
    """

    name: str
    level: Level
    summary: str
    page: str
    check: Check | None = None

    def finding(
        self,
        message: str,
        path: Path,
        *,
        level: Level | None = None,
        expected: str = "",
        found: str = "",
        fix: str = "",
        related: Iterable[tuple[str, Path]] = (),
        on_key: bool = False,
    ) -> Finding:
        """A finding of this rule, not yet located in the file."""
        return Finding(
            self.name,
            level or self.level,
            message,
            path,
            expected,
            found,
            fix,
            tuple(Related(text, place) for text, place in related),
            on_key,
        )
