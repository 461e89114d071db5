"""What all rows share: load targets, child processes that report figures as JSON, medians, the row itself."""

from __future__ import annotations

import json
import statistics
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any, Self

ROOT = Path(__file__).resolve().parents[1]
PEERS = ROOT / "bench" / "peers" / "bin"
CHILD_TIMEOUT_S = 300


@dataclass(frozen=True)
class Settings:
    """How long to measure. ``rounds`` is at least five, so that a median means something."""

    rounds: int = 5
    carry_s: float = 3.0
    scale_s: float = 30.0
    starts: int = 21
    rehearse_hours: float = 1.0


QUICK = Settings(rounds=5, carry_s=0.5, scale_s=3.0, starts=5, rehearse_hours=0.1)
"""To see that it works; the figures mean little."""


@dataclass(frozen=True)
class Row:
    """One line of the table. ``ratio`` and ``aim`` are in the same sense: at or below the aim is good."""

    what: str
    measured: str
    against: str
    ratio: float | None
    aim: float | None
    note: str = ""

    @property
    def is_met(self) -> bool | None:
        """Whether the aim is met; None where there is none."""
        return None if self.ratio is None or self.aim is None else self.ratio <= self.aim


class LoadServer:
    """The load target (bench/peers/load_server.c) in a process of its own."""

    def __init__(self, *arguments: str) -> None:
        self._process = subprocess.Popen(
            [str(PEERS / "load_server"), *arguments], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )
        assert self._process.stdout is not None
        self.port = int(json.loads(self._process.stdout.readline())["port"])

    def finish(self) -> dict[str, int]:
        """End it; how much it served."""
        text, _ = self._process.communicate(timeout=10)
        counts: dict[str, int] = json.loads(text)
        return counts

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, _at: TracebackType | None
    ) -> None:
        if self._process.poll() is None:
            self._process.kill()
            self._process.communicate()


def run_child(command: Sequence[str]) -> dict[str, Any]:
    """Run a program to its end; the JSON document it prints."""
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, timeout=CHILD_TIMEOUT_S, check=False)
    if done.returncode:
        raise SystemExit(f"bench: {' '.join(command)} failed:\n{done.stderr}")
    figures: dict[str, Any] = json.loads(done.stdout)
    return figures


def contender(module: str, *arguments: object) -> list[str]:
    """The command that runs a contender written in Python."""
    return [sys.executable, "-m", f"bench.contenders.{module}", *map(str, arguments)]


def median_ratio(ours: Sequence[float], theirs: Sequence[float]) -> float:
    """The median of the ratios round by round, so that a slow moment of the machine falls on both."""
    return statistics.median(ours_one / theirs_one for ours_one, theirs_one in zip(ours, theirs, strict=True))
