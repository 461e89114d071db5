"""A reply counts only if everything about it fits the request that waits for it, and if it comes in time."""

from __future__ import annotations

from typing import ClassVar

from wherry.rehearse.checkers.base import Checker
from wherry.rehearse.checkers.fresh import text
from wherry.rehearse.checkers.matching import Verdict
from wherry.rehearse.tap import Ask, Link


class RightReply(Checker):
    """A value that only a reply holds that must not count was taken from it."""

    NAME: ClassVar[str] = "right reply"
    WRITES_ONLY: ClassVar[bool] = True

    def asked(self, link: Link, ask: Ask) -> None:
        for put in ask.puts:
            if put.verdict is Verdict.ILL:
                self.wrong(put.track.transfer.name, f"{put.track.value.name} was written {text(put)}")
