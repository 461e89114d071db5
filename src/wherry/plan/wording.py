"""What is wrong with one text of a plan (a place, a duration, an address), before it is known where the text stands."""

from __future__ import annotations

import difflib
from collections.abc import Iterable

from wherry.errors import PlanError
from wherry.findings import Finding, Level, Path

Offset = tuple[int, int]
"""Start and end in characters of a text."""


class TextError(PlanError):
    """A text that cannot be understood. The reader of a plan makes it a finding; elsewhere it is a plain error."""

    def __init__(
        self,
        name: str,
        message: str,
        *,
        expected: str = "",
        found: str = "",
        fix: str = "",
        offset: Offset | None = None,
    ) -> None:
        # Each may quote the file, and none may disturb a terminal.
        message, expected, found, fix = (printable(text) for text in (message, expected, found, fix))
        super().__init__(f"{message}; {fix}" if fix else message)
        self.name = name
        self.message = message
        self.expected = expected
        self.found = found
        self.fix = fix
        self.offset = offset

    def finding(self, path: Path) -> Finding:
        """The same as a finding of level error at ``path``."""
        return Finding(
            self.name, Level.ERROR, self.message, path, self.expected, self.found, self.fix, offset=self.offset
        )


def nearest(word: str, known: Iterable[str]) -> str:
    """The known word that is most like ``word``, or an empty text if none is like it."""
    words = list(known)
    lower = {each.lower(): each for each in reversed(words)}
    near = difflib.get_close_matches(word.lower().strip()[:80], lower, n=1, cutoff=0.6)
    return lower[near[0]] if near else ""


def listed(words: Iterable[str], *, last: str = "or") -> str:
    """``a``, ``a or b``, ``a, b or c``."""
    each = list(words)
    if len(each) < 2:
        return "".join(each)
    return f"{', '.join(each[:-1])} {last} {each[-1]}"


def shown(value: object, length_max: int = 60) -> str:
    """A value of the file as people wrote it, cut to a bearable length, on one line, without control characters."""
    if isinstance(value, bool):
        text = "true" if value else "false"
    elif isinstance(value, str):
        text = f'"{printable(value)}"'
    elif isinstance(value, int) and value.bit_length() > 4 * length_max:
        text = "a number of very many digits"
    else:
        text = printable(str(value))
    return text if len(text) <= length_max else text[: length_max - 4] + " ..."


def printable(text: str) -> str:
    """The text with whatever could disturb a terminal or a line of output written as an escape."""
    if text.isprintable():
        return text
    return "".join(each if each.isprintable() else each.encode("unicode_escape").decode("ascii") for each in text)
