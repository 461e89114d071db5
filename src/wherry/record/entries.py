"""The entries of a record: how one is written down, and how each is bound to all before it.

A record is a list of entries, numbered from 1. The body of an entry is one JSON object in ASCII, exactly as it is
stored; its digest is the SHA-256 of the digest before it (32 bytes; zeros before the first) followed by the body. So
the digest of the last entry, the head, stands for all of them. docs/record.md has the format for readers.

Retention takes entries out of the middle; a later entry of kind ``dropped`` then says which, and gives the digests on
either side, so that the chain can still be followed.
"""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any, Final

FORMAT: Final = 1
"""Of the record; a reader refuses any other."""
BEGINNING: Final = bytes(32)
"""Stands for the digest before the first entry."""
BODY_BYTES_MAX: Final = 4 * 1024 * 1024
"""More than the largest plan with its lists written as JSON; a reader need not take more."""


class Kind(StrEnum):
    """What an entry tells. The names are stable: they stand in records."""

    OPENED = "opened"
    """A command begins to write: which one, by which version, whether on simulated controllers, what is armed."""
    PLAN = "plan"
    """The plan's text with its digest, and the lists beside it. Written when it is not the one before."""
    EVENT = "event"
    """A change of state, a refused write, what became of a write."""
    SAMPLES = "samples"
    """Values of one transfer that differ from those written down before."""
    MINUTE = "minute"
    """Histograms and counts of about one minute."""
    EXCHANGE = "exchange"
    """One request and its reply, raw, with the step of a proof that it belongs to."""
    PROOF = "proof"
    """What a step of a proof came to."""
    NOTE = "note"
    """Anything else that a command writes down."""
    DROPPED = "dropped"
    """Which entries retention has taken out."""
    CLOSED = "closed"
    """The command has ended and wrote all it had to."""


KEPT: Final = frozenset({Kind.PLAN, Kind.EXCHANGE, Kind.PROOF})
"""Retention never takes these out. Of ``dropped`` only the last one counts: it says all that the others said."""


@dataclass(frozen=True, slots=True)
class Entry:
    """One entry to be written. ``at_ns`` counts from the start of the command, on the event loop's time; ``utc`` is
    wall time (RFC 3339), None in virtual time. ``data`` is what JSON can hold."""

    kind: Kind
    at_ns: int
    utc: str | None
    data: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Gap:
    """Entries ``first`` to ``last`` are not there any more. ``before``: digest of the entry before ``first``;
    ``after``: that of ``last``."""

    first: int
    last: int
    before: bytes
    after: bytes

    def as_data(self) -> dict[str, Any]:
        """As it is written in a ``dropped`` entry."""
        return {"first": self.first, "last": self.last, "before": self.before.hex(), "after": self.after.hex()}


def gaps_of(body: str) -> list[Gap]:
    """What a ``dropped`` entry says. KeyError, TypeError or ValueError if it says nothing of the kind."""
    return [
        Gap(each["first"], each["last"], bytes.fromhex(each["before"]), bytes.fromhex(each["after"]))
        for each in json.loads(body)["data"]["gaps"]
    ]


def body_of(number: int, entry: Entry) -> str:
    """The body of an entry: ASCII only, so that bytes and characters are the same thing."""
    return json.dumps(
        {
            "number": number,
            "kind": entry.kind.value,
            "at_ns": entry.at_ns,
            "utc": entry.utc,
            "data": entry.data,
        },
        separators=(",", ":"),
        allow_nan=False,
    )


def digest_of(before: bytes, body: str) -> bytes:
    """The digest of an entry."""
    return hashlib.sha256(before + body.encode("ascii")).digest()


def joined(gaps: Sequence[Gap]) -> list[Gap]:
    """The gaps in order, those that touch as one."""
    result: list[Gap] = []
    for gap in sorted(gaps, key=lambda each: each.first):
        if result and result[-1].last + 1 == gap.first:
            assert result[-1].after == gap.before, gap
            result[-1] = Gap(result[-1].first, gap.last, result[-1].before, gap.after)
        else:
            result.append(gap)
    return result


def writable(value: object) -> Any:
    """A value as JSON can hold it: numbers that are none become text, bytes become hexadecimal digits."""
    if isinstance(value, float):
        return value if math.isfinite(value) else str(value)
    if value is None or isinstance(value, int | str):
        return value
    if isinstance(value, bytes):
        return value.hex()
    if isinstance(value, Mapping):
        return {str(key): writable(each) for key, each in value.items()}
    if isinstance(value, list | tuple):
        return [writable(each) for each in value]
    return str(value)


def text_digest(text: str) -> str:
    """SHA-256 of a text (UTF-8), in hexadecimal digits."""
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()
