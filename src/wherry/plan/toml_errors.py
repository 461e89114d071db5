"""What is said about a text that is not TOML: the place and the words of Python's reader, in an engineer's words."""

from __future__ import annotations

import re
from typing import Final

from wherry.findings import Finding, Level, Related, Span
from wherry.plan.wording import printable

_AT = re.compile(r" \(at (?:line (\d+), column (\d+)|end of document)\)$")

CLOSE_QUOTE: Final = "close the quotes; text over several lines needs three quotes on each side"

# What the reader says (a pattern), what that means, and what to do. The first that fits counts.
MEANINGS: Final[tuple[tuple[str, str, str], ...]] = (
    (r"(invalid|Illegal) character '\\n'", "a text in quotes is not closed on its line", CLOSE_QUOTE),
    (r"Unterminated string|^Expected [\"']+$", "a text in quotes is never closed", CLOSE_QUOTE),
    (r"(invalid|Illegal) character", "there is a control character that may not be here", "take it away"),
    (r"Unescaped '\\'", "a backslash in double quotes begins an escape, and this is none",
     "write the backslash twice, or put the text in single quotes"),
    (r"Cannot declare|Cannot mutate", "{name} is there twice",
     "each table may be there once: put the two together, or name one otherwise"),
    (r"Cannot overwrite|Duplicate inline table key", "the key {name} is there twice",
     "each key may be there once: take one of them away, or name it otherwise"),
    (r"Invalid value$", "the value cannot be read",
     'put text in quotes, as in `every = "200 ms"`, and close every bracket before it'),
    (r"Expected newline", "something follows where the line should end",
     "write one key to a line, and put text in quotes"),
    (r"Unclosed inline table", "a table in braces is not closed on its line",
     "close the brace; such a table must stand on one line"),
    (r"Unclosed array", "a list in square brackets is not closed",
     "close the bracket, or write a comma before the next item"),
    (r"Expected '='", "a key has no `=` after it", "write `key = value`, or `[table]`"),
    (r"Expected ']", "the name of a table is not closed", "write `[controller.skid]`, one to a line"),
    (r"initial character for a key part", "a key cannot begin like this",
     "take a comma before a closing brace away; put a key with other signs than letters, digits, - and _ in quotes"),
    (r"Invalid statement", "a line cannot begin like this", "write `key = value`, `[table]` or a comment after `#`"),
)  # fmt: skip


def not_toml(broken: Exception, text: str, file: str) -> Finding:
    """The finding about a text that Python's reader of TOML has refused."""
    lines = text.split("\n")
    said, line, column = _place(str(broken), lines)
    if isinstance(broken, RecursionError):
        message, fix = "brackets lie too deep inside one another", "take brackets away until the lists are as meant"
    elif said is None:
        message, fix = "a number has too many digits", "write the number with fewer digits"
        line, column = _longest_number(lines)
    else:
        message, fix = _meaning(said, at_end=_AT.search(str(broken)) is not None and line == len(lines))
    span, related = Span(file, line, column, line, column + 1), None
    here = lines[line - 1] if line <= len(lines) else ""
    if "{name}" in message:
        span, related, name = _twice(said or "", lines, line, file)
        message = message.format(name=name)
    elif "backslash" in message and "\\" in here[:column]:
        column = here.rindex("\\", 0, column) + 1
        span = Span(file, line, column, line, column + 1)
    return Finding(
        "not-toml",
        Level.ERROR,
        f"the file cannot be read as TOML: {message}",
        (),
        expected="TOML",
        found=printable(here.strip())[:80],
        fix=fix,
        related=(related,) if related else (),
        span=span,
    )


def _place(message: str, lines: list[str]) -> tuple[str | None, int, int]:
    """What the reader says without its place, and the place. None for what the reader did not say itself."""
    match = _AT.search(message)
    if match is None:
        return None, 1, 1
    if match[1]:
        return message[: match.start()], int(match[1]), int(match[2])
    return message[: match.start()], len(lines), len(lines[-1]) + 1


def _meaning(said: str, *, at_end: bool) -> tuple[str, str]:
    if at_end and re.search("Invalid value|Unclosed array", said):
        return "a list in square brackets is never closed, or the last value is missing", "close the bracket"
    for pattern, message, fix in MEANINGS:
        if re.search(pattern, said):
            return message, fix
    plain = printable(said[:1].lower() + said[1:])
    return plain.replace("{", "").replace("}", ""), "mend the line; the rest of the file is read once it is"


def _longest_number(lines: list[str]) -> tuple[int, int]:
    """The place of the longest run of digits."""
    runs = (
        (match.end() - match.start(), -number, match.start() + 1)
        for number, line in enumerate(lines, 1)
        for match in re.finditer(r"[0-9_]{1000,}", line)
    )
    _, number, column = max(runs, default=(0, -1, 1))
    return -number, column


_HEADER = re.compile(r"\s*\[{1,2}\s*([^\]\n]*?)\s*\]")
_KEY = re.compile(r"\s*((?:\"[^\"\n]*\"|'[^'\n]*'|[A-Za-z0-9_.\s-])+?)\s*=")


def _twice(said: str, lines: list[str], line: int, file: str) -> tuple[Span, Related | None, str]:
    """The place of the second one, the place of the first if it is found by its words, and the name."""
    here = lines[line - 1] if line <= len(lines) else ""
    inline = re.search(r"inline table key '([^']*)'", said)
    pattern = _HEADER if _HEADER.match(here) else _KEY
    match = pattern.match(here)
    if inline or match is None:
        name = inline[1] if inline else "a name"
        at = here.rfind(name) if inline else 0
        return Span(file, line, max(at, 0) + 1, line, max(at, 0) + 1 + len(name)), None, f"`{printable(name)}`"
    name = match[1]
    span = Span(file, line, match.start(1) + 1, line, match.end(1) + 1)
    for number in range(line - 1, 0, -1):
        other = pattern.match(lines[number - 1])
        if other and other[1] == name:
            first = Span(file, number, other.start(1) + 1, number, other.end(1) + 1)
            return span, Related("the first one", (), first), f"`{printable(name)}`"
        if pattern is _KEY and _HEADER.match(lines[number - 1]):
            break
    return span, None, f"`{printable(name)}`"
