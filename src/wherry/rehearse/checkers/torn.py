"""A value of several registers is read in one request and written in one request, and so is a group.

That it was read in one follows from its being found whole in one right reply: a value put together from two is in none.
"""

from __future__ import annotations

from typing import ClassVar

from wherry.rehearse.checkers.base import Checker
from wherry.rehearse.checkers.matching import Verdict
from wherry.rehearse.tap import Ask, Link


class Torn(Checker):
    """Judges every write."""

    NAME: ClassVar[str] = "torn"
    WRITES_ONLY: ClassVar[bool] = True

    def asked(self, link: Link, ask: Ask) -> None:
        groups: dict[tuple[str, str], list[int]] = {}
        for put in ask.puts:
            value, transfer = put.track.value, put.track.transfer
            if put.verdict is Verdict.PART:
                self.wrong(transfer.name, f"a part of {value.name} ({value.put}) was written by itself")
            if value.group:
                groups.setdefault((transfer.name, value.group), []).append(put.track.index)
        for (name, group), written in groups.items():
            transfer = next(each for each in self.plan.transfers if each.name == name)
            members = [index for index, value in enumerate(transfer.values) if value.group == group]
            if sorted(written) != members:
                self.wrong(name, f"{len(written)} of the {len(members)} values of the group {group} were written")
