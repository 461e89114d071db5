"""What the parts of the resolver share: a list of findings, and reading texts and numbers into it."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any, TypeVar

from wherry.findings import Finding, Level, Path
from wherry.plan.durations import duration_text, parse_duration
from wherry.plan.wording import TextError, printable, shown

T = TypeVar("T")


class Reader:
    """Collects findings while texts are read."""

    def __init__(self, findings: list[Finding] | None = None) -> None:
        self.findings: list[Finding] = [] if findings is None else findings

    def add(self, name: str, message: str, path: Path, **more: Any) -> None:
        """One more finding, of level error."""
        self.findings.append(Finding(name, Level.ERROR, message, path, **more))

    def read(self, parse: Callable[[str], T], text: str, path: Path) -> T | None:
        """What a text means; None and a finding if it means nothing."""
        try:
            return parse(text)
        except TextError as fault:
            self.findings.append(fault.finding(path))
            return None

    def whole(self, value: int, low: int, high: int, path: Path, what: str) -> int | None:
        """A whole number within bounds; None and a finding if it is outside."""
        if low <= value <= high:
            return value
        self.add(
            "bad-value",
            f"`{path[-1]}` cannot be {shown(value)}",
            path,
            expected=f"{what}: {low} to {high}",
            found=shown(value),
            fix=f"write a number from {low} to {high}",
        )
        return None

    def finite(self, value: float, path: Path) -> bool:
        """Whether a number can be reckoned with; a finding if it is none, or endless."""
        if math.isfinite(value):
            return True
        key = next((step for step in reversed(path) if isinstance(step, str)), "number")
        self.add(
            "bad-value",
            f"`{key}` cannot be {shown(value)}",
            path,
            expected="a finite number",
            found=shown(value),
            fix="write a number",
        )
        return False


def read_duration(reader: Reader, text: str, path: Path, *, low: int = 1, high: int | None = None) -> int | None:
    """A duration within bounds; None and a finding otherwise."""
    duration_ns = reader.read(parse_duration, text, path)
    if duration_ns is None or (low <= duration_ns and (high is None or duration_ns <= high)):
        return duration_ns
    if low <= 1:
        expected, fix = "more than nothing", "write a duration greater than zero"
    else:
        expected = f"{duration_text(low)} to {duration_text(high or low)}"
        fix = f"write a duration of {expected}"
    reader.add(
        "bad-duration",
        f"`{path[-1]}` cannot be {printable(text)}",
        path,
        expected=expected,
        found=printable(text),
        fix=fix,
    )
    return None
