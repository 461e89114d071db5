"""The kinds of failure, kept apart.

* ``LocalError``: we asked for something that the rules do not allow. A fault of this program or of its caller.
* ``PeerError``: the peer spoke wrongly. Carries the bytes that show it.
* ``LinkError``: the connection failed, could not be made, or was closed.
* A device that says no is none of these: an exception response is a value, not an error.
* ``PlanError``: the plan, or a file beside it, cannot be used. Only the border (the command line) turns it into text.

Every message is a sentence for an engineer: what happened, where, what to do next.
"""

from __future__ import annotations


class WherryError(Exception):
    """Base of every error this package raises on purpose."""


class LocalError(WherryError):
    """A request that must not be made: out of range, in the wrong state, or outside the plan."""


class PeerError(WherryError):
    """The peer broke the rules of the protocol. ``data`` holds the offending bytes (bounded)."""

    def __init__(self, message: str, data: bytes = b"") -> None:
        super().__init__(message)
        self.data = data


class WrongUnitError(PeerError):
    """A reply names another unit than the request."""


class LinkError(WherryError):
    """The connection failed."""


class PlanError(WherryError):
    """The plan, or a file that belongs to it, cannot be used."""


class MissingExtraError(WherryError):
    """An optional part is not installed; the message holds the command that installs it."""
