"""Between which instants each request is asked for, and what that means for a cycle as a whole."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from wherry.timing.system import Chain, Stage, System

PERIODS_MAX: Final = 8
"""A request that may come later than so many periods after its release has no bound."""


@dataclass(slots=True)
class Window:
    """When a request is asked for, and is over, counted from the release. None: no bound."""

    earliest_ns: int = 0
    latest_ns: int | None = 0
    over_ns: int | None = 0
    """The latest instant at which its reply has come."""
    wait_ns: int | None = 0
    """The longest from being asked for to the reply."""


def most_ns_of(system: System) -> list[int]:
    """When each request must be over for its transfer to be in time: the stages after it take their time, too.

    Of transfers that may read again nothing is said: a cycle that does may take longer than its period.
    """
    most_ns = [PERIODS_MAX * system.tasks[each.task].period_ns for each in system.requests]
    for chain in system.chains:
        if chain.transfer is None or chain.reads_again:
            continue
        left_ns = system.tasks[chain.task].period_ns - 1
        for stage in reversed(chain.stages):
            for at in stage.requests:
                most_ns[at] = min(most_ns[at], left_ns)
            left_ns -= stage.pause_ns + max((system.requests[at].work.exchange_ns for at in stage.requests), default=0)
    return most_ns


def move_windows(system: System, windows: Sequence[Window], late_ns: int, delays: Sequence[int]) -> set[int]:
    """Let each stage begin when the one before it is over, and its connection is open. Returns the lanes of which
    something has changed.

    Stages that come only after a torn reading make those behind them come later at the latest, but not at the earliest.
    """
    changed: set[int] = set()
    for chain in system.chains:
        period_ns = system.tasks[chain.task].period_ns
        longest_ns = PERIODS_MAX * period_ns
        stages = chain.stages if chain.told is None else (*chain.stages, Stage((chain.told,)))
        earliest_ns, over_ns = 0, late_ns
        is_bounded = True
        for stage in stages:
            begun_ns = max(over_ns + stage.pause_ns, late_ns + stage.after_ns)
            if stage.is_attempt:
                # No reading begins any more when the period is over.
                begun_ns = min(begun_ns, late_ns + period_ns)
            earliest_ns += 0 if stage.is_again else stage.pause_ns
            for at in stage.requests:
                window, latest_ns = windows[at], begun_ns + delays[at]
                found = (earliest_ns, latest_ns if is_bounded and latest_ns <= longest_ns else None)
                if (window.earliest_ns, window.latest_ns) != found:
                    window.earliest_ns, window.latest_ns = found
                    changed.add(system.requests[at].lane)
            overs = [None if windows[at].latest_ns is None else windows[at].over_ns for at in stage.requests]
            is_bounded = is_bounded and begun_ns <= longest_ns and None not in overs
            ended_ns = max((each for each in overs if each is not None), default=begun_ns if is_bounded else 0)
            over_ns = max(over_ns, ended_ns) if stage.is_again else ended_ns
            # A reply never comes in the same instant: what is due together is asked for before.
            earliest_ns += 0 if stage.is_again else 1
    return changed


def over_ns_of(chain: Chain, windows: Sequence[Window]) -> int | None:
    """When the last of a chain's stages is over at the latest, counted from the release."""
    overs = [windows[at].over_ns for at in chain.stages[-1].requests]
    return None if None in overs else max((each for each in overs if each is not None), default=None)


def whole_ns(chain: Chain, windows: Sequence[Window], late_ns: int) -> int | None:
    """The same where no reading is torn, so that nothing is read again."""
    over_ns = over_ns_of(chain, windows)
    if over_ns is None or not chain.reads_again:
        return over_ns
    taken_ns = late_ns
    for stage in chain.stages:
        if stage.is_again:
            continue
        waits = [windows[at].wait_ns for at in stage.requests]
        if None in waits:
            return over_ns
        taken_ns += stage.pause_ns + max((each for each in waits if each is not None), default=0)
    return min(over_ns, taken_ns)


def readings_of(chain: Chain, windows: Sequence[Window], period_ns: int) -> int:
    """How many readings there is surely time for in one cycle."""
    begun = [windows[stage.requests[0]].latest_ns for stage in chain.stages if stage.is_attempt]
    return 1 + sum(each is not None and each < period_ns for each in begun)
