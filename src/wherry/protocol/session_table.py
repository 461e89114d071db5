"""What a client session may do when: its states and transitions as data, for the connection and for each request.

Laws, which hold after every call:

1. A request is over exactly once: it is answered, refused, timed out, faulty or lost. Nothing brings it back, and
   nothing is ever sent again.
2. A reply counts only for a request that waits. A request that has timed out waits no more; its reply, if it comes, is
   late: it is counted and dropped. With transaction ids that is certain. Without them (RTU) a late reply looks like the
   next one, so after a time-out or a broken frame nothing is sent until the line has been quiet.
3. A transaction id is not used again while a reply to it may still come.
4. When framing is lost, or the connection is not trusted any more, nothing waits: all that waited is lost, what still
   comes in is not looked at, and only a new connection helps.
5. Never more requests wait than the limit. With RTU framing the limit is one (SL 2.1, page 7: one transaction at a
   time).
6. requests = replies + exceptions + timeouts + faulty + lost + those that wait.

Sending and answering do not change the connection's state, so the session does not look them up on its way: the table
says so, and the tests hold every observed step against it.
"""

from __future__ import annotations

from enum import StrEnum
from typing import Final

from wherry.protocol.functions import Framing


class State(StrEnum):
    """Where a connection's session stands."""

    READY = "ready"
    DRAINING = "draining"
    BROKEN = "broken"
    CLOSED = "closed"


class Event(StrEnum):
    """What happens to a session."""

    SENT = "request sent"
    ANSWERED = "answered or refused"
    FAULTY = "faulty reply"
    TIMED_OUT = "request timed out"
    STRAY = "bytes nobody asked for"
    QUIET = "quiet long enough"
    FRAMING_LOST = "framing lost"
    DISTRUSTED = "not trusted any more"
    LINK_LOST = "link lost"


class RequestState(StrEnum):
    """Where one request stands. All but the first two are ends."""

    WAITING = "waiting"
    OVERDUE = "overdue"
    ANSWERED = "answered"
    REFUSED = "refused"
    FAULTY = "faulty"
    LOST = "lost"
    LATE = "answered late"


class RequestEvent(StrEnum):
    """What happens to one request."""

    REPLY = "reply fits"
    EXCEPTION = "exception"
    MISFIT = "reply does not fit"
    DEADLINE = "deadline passed"
    LINK_LOST = "link lost"


_S, _E = State, Event
_ENDS: Final = {
    _S.BROKEN: {_E.LINK_LOST: _S.CLOSED, _E.STRAY: _S.BROKEN},
    _S.CLOSED: {_E.LINK_LOST: _S.CLOSED, _E.STRAY: _S.CLOSED},
}

TRANSITIONS: Final[dict[Framing, dict[State, dict[Event, State]]]] = {
    Framing.MBAP: {
        _S.READY: {
            _E.SENT: _S.READY,
            _E.ANSWERED: _S.READY,
            _E.FAULTY: _S.READY,
            _E.TIMED_OUT: _S.READY,
            _E.STRAY: _S.READY,
            _E.FRAMING_LOST: _S.BROKEN,
            _E.DISTRUSTED: _S.BROKEN,
            _E.LINK_LOST: _S.CLOSED,
        },
        **_ENDS,
    },
    Framing.RTU: {
        _S.READY: {
            _E.SENT: _S.READY,
            _E.ANSWERED: _S.READY,
            _E.FAULTY: _S.DRAINING,
            _E.TIMED_OUT: _S.DRAINING,
            _E.STRAY: _S.DRAINING,
            _E.LINK_LOST: _S.CLOSED,
        },
        _S.DRAINING: {
            _E.STRAY: _S.DRAINING,
            _E.QUIET: _S.READY,
            _E.DISTRUSTED: _S.BROKEN,
            _E.LINK_LOST: _S.CLOSED,
        },
        **_ENDS,
    },
}
"""The connection: from a state, by an event, to a state. What is not listed cannot happen."""

_R, _RE = RequestState, RequestEvent
REQUEST_TRANSITIONS: Final[dict[RequestState, dict[RequestEvent, RequestState]]] = {
    _R.WAITING: {
        _RE.REPLY: _R.ANSWERED,
        _RE.EXCEPTION: _R.REFUSED,
        _RE.MISFIT: _R.FAULTY,
        _RE.DEADLINE: _R.OVERDUE,
        _RE.LINK_LOST: _R.LOST,
    },
    _R.OVERDUE: {
        _RE.REPLY: _R.LATE,
        _RE.EXCEPTION: _R.LATE,
        _RE.MISFIT: _R.LATE,
        _RE.LINK_LOST: _R.LOST,
    },
    _R.ANSWERED: {},
    _R.REFUSED: {},
    _R.FAULTY: {},
    _R.LOST: {},
    _R.LATE: {},
}
"""One request. An overdue one has been reported as timed out already; its last step only counts."""

MAY_SEND: Final = frozenset({State.READY})
"""The states in which a request may be sent, as far as the connection is concerned."""


def diagram(framing: Framing) -> str:
    """The connection's states as a Mermaid state diagram, made from the table."""
    steps = [
        f"{source} --> {target}: {event}"
        for source, row in TRANSITIONS[framing].items()
        for event, target in row.items()
    ]
    return _mermaid(State.READY, steps)


def request_diagram() -> str:
    """One request's states as a Mermaid state diagram, made from the table."""
    steps = [
        f"{source.name.lower()} --> {target.name.lower()}: {event}"
        for source, row in REQUEST_TRANSITIONS.items()
        for event, target in row.items()
    ]
    return _mermaid(RequestState.WAITING, steps)


def _mermaid(start: str, steps: list[str]) -> str:
    return "\n".join(["stateDiagram-v2", f"    [*] --> {start}", *(f"    {step}" for step in steps)]) + "\n"
