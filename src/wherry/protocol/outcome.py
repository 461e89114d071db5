"""What becomes of a request: the values a client session returns.

Every outcome has ``prepared`` (the request) and ``tag`` (what the caller gave with it); both are None where no
request is over by it. ``sent_ns`` and ``received_ns`` are the caller's instants.
"""

from __future__ import annotations

from wherry.errors import PeerError
from wherry.protocol.functions import exception_text
from wherry.protocol.prepared import Prepared


class Reply:
    """The answer.

    ``payload``: for the reads 01-04 and 17 the data behind the byte count (registers big-endian, bits from the lowest);
    for the writes 05, 06, 0F, 10, 15, 16 empty; for all others the PDU behind the function code.
    """

    __slots__ = ("payload", "prepared", "received_ns", "sent_ns", "tag")

    def __init__(self, prepared: Prepared, tag: object, payload: bytes, sent_ns: int, received_ns: int) -> None:
        self.prepared = prepared
        self.tag = tag
        self.payload = payload
        self.sent_ns = sent_ns
        self.received_ns = received_ns

    def __repr__(self) -> str:
        return f"Reply({self.prepared!r}, payload={self.payload.hex(' ')})"


class Refusal:
    """The device says no; ``code`` is its exception code."""

    __slots__ = ("code", "prepared", "received_ns", "sent_ns", "tag")

    def __init__(self, prepared: Prepared, tag: object, code: int, sent_ns: int, received_ns: int) -> None:
        self.prepared = prepared
        self.tag = tag
        self.code = code
        self.sent_ns = sent_ns
        self.received_ns = received_ns

    def __repr__(self) -> str:
        return f"Refusal({self.prepared!r}, {exception_text(self.code)})"


class TimedOut:
    """No answer came before the deadline. The request is over; an answer that still comes is late."""

    __slots__ = ("deadline_ns", "prepared", "sent_ns", "tag")

    def __init__(self, prepared: Prepared, tag: object, sent_ns: int, deadline_ns: int) -> None:
        self.prepared = prepared
        self.tag = tag
        self.sent_ns = sent_ns
        self.deadline_ns = deadline_ns

    def __repr__(self) -> str:
        return f"TimedOut({self.prepared!r})"


class Late:
    """An answer to a request that had timed out. Only to be counted: ``tag`` is always None, and there is no data."""

    __slots__ = ("prepared", "received_ns", "sent_ns", "tag")

    def __init__(self, prepared: Prepared, sent_ns: int, received_ns: int) -> None:
        self.prepared = prepared
        self.tag = None
        self.sent_ns = sent_ns
        self.received_ns = received_ns

    def __repr__(self) -> str:
        return f"Late({self.prepared!r})"


class Faulty:
    """The peer spoke wrongly; ``error`` carries the bytes.

    If a request is over by it, ``prepared`` and ``tag`` say which.
    """

    __slots__ = ("error", "prepared", "received_ns", "sent_ns", "tag")

    def __init__(
        self, prepared: Prepared | None, tag: object, error: PeerError, sent_ns: int, received_ns: int
    ) -> None:
        self.prepared = prepared
        self.tag = tag
        self.error = error
        self.sent_ns = sent_ns
        self.received_ns = received_ns

    def __repr__(self) -> str:
        return f"Faulty({self.prepared!r}, {self.error})"


class Lost:
    """The connection ended, or is not trusted any more, while the request waited.

    It may or may not have been carried out.
    """

    __slots__ = ("prepared", "reason", "sent_ns", "tag")

    def __init__(self, prepared: Prepared, tag: object, reason: str, sent_ns: int) -> None:
        self.prepared = prepared
        self.tag = tag
        self.reason = reason
        self.sent_ns = sent_ns

    def __repr__(self) -> str:
        return f"Lost({self.prepared!r}, {self.reason})"


Outcome = Reply | Refusal | TimedOut | Late | Faulty | Lost


class Counters:
    """What a session, or several one after the other, has seen.

    requests = replies + exceptions + timeouts + faulty + lost + those that wait. Beyond that sum: late_replies (to
    timed-out requests), foreign_replies (to no request of ours) and framing_errors (bytes that are no frame).
    """

    __slots__ = (
        "exceptions",
        "faulty",
        "foreign_replies",
        "framing_errors",
        "late_replies",
        "lost",
        "replies",
        "requests",
        "timeouts",
    )

    def __init__(self) -> None:
        self.requests = 0
        self.replies = 0
        self.exceptions = 0
        self.timeouts = 0
        self.faulty = 0
        self.lost = 0
        self.late_replies = 0
        self.foreign_replies = 0
        self.framing_errors = 0

    def as_dict(self) -> dict[str, int]:
        """All counts by name."""
        return {name: getattr(self, name) for name in self.__slots__}

    def __repr__(self) -> str:
        return f"Counters({', '.join(f'{name}={count}' for name, count in self.as_dict().items())})"
