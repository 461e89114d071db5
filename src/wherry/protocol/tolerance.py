"""Replies that break the rules in a known way, and may be taken all the same where somebody has said so.

A transaction id that is not that of the request tells nothing any more about which request a reply answers. So with any
of these tolerances one request goes at a time, and a connection on which a reply did not come in time is given up:
what comes late ends with it. A reply that comes twice cannot be told from the answer to the next request.
"""

from __future__ import annotations

from enum import StrEnum
from typing import Final


class Tolerance(StrEnum):
    """One way in which a device breaks the rules."""

    ZERO = "transaction id 0"
    SWAPPED = "transaction id swapped"
    PLUS_ONE = "transaction id plus one"
    ONLY_ZERO = "only transaction id 0"
    UNIT = "unit id"

    @property
    def words(self) -> str:
        """What the replies do, as a sentence without its subject."""
        return _WORDS[self]


_WORDS: Final = {
    Tolerance.ZERO: "come with transaction id 0",
    Tolerance.SWAPPED: "come with the two bytes of the transaction id swapped",
    Tolerance.PLUS_ONE: "come with a transaction id that is one too high",
    Tolerance.ONLY_ZERO: "come only to requests with transaction id 0",
    Tolerance.UNIT: "name another unit",
}
ID_TOLERANCES: Final = frozenset({Tolerance.ZERO, Tolerance.SWAPPED, Tolerance.PLUS_ONE, Tolerance.ONLY_ZERO})
_NO_ID: Final = b"\x00\x00"


def reply_id(tolerance: Tolerance, request_id: bytes) -> bytes:
    """The transaction id with which such a device answers a request with this one."""
    if tolerance is Tolerance.SWAPPED:
        return request_id[::-1]
    if tolerance is Tolerance.PLUS_ONE:
        return (int.from_bytes(request_id, "big") + 1 & 0xFFFF).to_bytes(2, "big")
    return _NO_ID


def told_by(request_id: bytes, seen_id: bytes) -> Tolerance | None:
    """The tolerance that would take a reply with this transaction id as the answer to that request, if any would."""
    for each in (Tolerance.ZERO, Tolerance.SWAPPED, Tolerance.PLUS_ONE):
        if reply_id(each, request_id) == seen_id:
            return each
    return None
