"""A written value comes from a right reply that has not served it before, and is not older than ``max_age``."""

from __future__ import annotations

from typing import ClassVar, Final

from wherry.rehearse.checkers.base import MS, Checker
from wherry.rehearse.checkers.matching import Put, Verdict
from wherry.rehearse.tap import Ask, Link

NOT_FRESH: Final = frozenset({Verdict.AGED, Verdict.MEMORY, Verdict.UNKNOWN})


class Fresh(Checker):
    """Judges every value in every write."""

    NAME: ClassVar[str] = "fresh"
    WRITES_ONLY: ClassVar[bool] = True

    def asked(self, link: Link, ask: Ask) -> None:
        for put in ask.puts:
            if put.verdict in NOT_FRESH:
                self.wrong(put.track.transfer.name, f"{put.track.value.name} was written {text(put)}")


def text(put: Put) -> str:
    """The data and the verdict."""
    data = put.data.hex() if isinstance(put.data, bytes) else put.data
    since = f", sampled at {put.reply.at_ns / MS:.3f} ms" if put.reply is not None else ""
    return f"as {data}, {put.verdict.value}{since}"
