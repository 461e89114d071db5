"""Why a receiver did not read Good, and for how long: the reasons that the engine gave while the registers said so."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from typing import Final

Told = tuple[bool, str]
"""Whether the engine takes a transfer as Good just now, and why not."""

REASONS_MAX: Final = 32
OTHER: Final = "something else"
UNTOLD: Final = "not told yet"
"""The engine takes it as Good, and for long the receiver's registers have not said so."""

_HELD: Final = re.compile(r"(?:[:,] (?:but )?)it (?:still )?holds .*? in place of [^;]*")
_USABLE: Final = "last usable value; "


def plain(reason: str) -> str:
    """A reason without what is another each time (numbers that were read back) and without what its quality says."""
    return _HELD.sub("", reason).removeprefix(_USABLE) or UNTOLD


class Reasons:
    """Adds up the time by reason. ``told`` is asked while the receiver's registers say anything but Good."""

    __slots__ = ("_linger_ns", "_since_ns", "_spent_ns", "_told", "_word")

    def __init__(self, told: Callable[[], Told], linger_ns: int) -> None:
        """``linger_ns``: how long a reason may still stand in the registers when it holds no more."""
        self._told = told
        self._linger_ns = linger_ns
        self._spent_ns: dict[str, int] = {}
        self._word, self._since_ns = UNTOLD, 0

    def add(self, now_ns: int, spent_ns: int) -> None:
        """For so long, up to now, it was not Good."""
        is_good, reason = self._told()
        if not is_good:
            self._word, self._since_ns = plain(reason), now_ns
        elif now_ns - self._since_ns > self._linger_ns:
            self._word = UNTOLD
        is_room = self._word in self._spent_ns or len(self._spent_ns) < REASONS_MAX
        word = self._word if is_room else OTHER
        self._spent_ns[word] = self._spent_ns.get(word, 0) + spent_ns

    def spent_ns(self) -> Mapping[str, int]:
        """The time by reason, the longest first."""
        return dict(sorted(self._spent_ns.items(), key=lambda item: (-item[1], item[0])))
