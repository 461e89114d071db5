"""Requests that are asked for together, and what is known about the order of any two of them.

A batch is one stage of a chain at one controller: its requests come at one instant and keep their order, so they are
looked at as one. What two batches are to each other depends on the chains, the queues and the releases alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import IntEnum

from wherry.timing.order import level_of
from wherry.timing.system import Chain, System


class Tie(IntEnum):
    """What one batch is to another by their chains, whatever the queue."""

    NONE = 0
    """They know nothing of each other."""
    NEVER = 1
    """It comes only when the other one is over."""
    BEFORE = 2
    """An earlier step of the same chain: it is over when the other one comes."""
    AFTER = 3
    """It comes after the other one, though perhaps before that is over."""


class Place(IntEnum):
    """Where one batch may stand in the queue of another's controller."""

    ELSEWHERE = 0
    """Of another controller, or never before it."""
    AHEAD = 1
    """Before it, if it comes first."""
    SURELY_AHEAD = 2
    """Before it: it is asked for earlier."""
    OVERTAKES = 3
    """Before it as long as it has not begun: of a level that goes first."""
    BLOCKS = 4
    """Behind it, but may have begun."""


@dataclass(frozen=True, slots=True)
class Batch:
    """``chain`` is the first that waits for it; ``slot_ns`` is for all its ``requests`` together."""

    index: int
    task: int
    chain: int
    stage: int
    controller: str
    is_write: bool
    requests: tuple[int, ...]
    slot_ns: int
    exchange_ns: int
    slot_ns_max: int
    last_slot_ns: int
    last_exchange_ns: int
    rest_ns: int
    """The longest that its line may still be kept after a reply of it."""
    keeps_pace: bool
    """Whether a request of it takes its slot even if it is answered at once."""
    link: int
    period_ns: int
    offset_ns: int
    is_told: bool
    """Whether it comes after the end of its chain, and does not keep the next period from beginning."""
    may_come: bool
    """Whether it may come at any time of its period."""
    level: tuple[int, bool]
    """Its place in the order of the queue."""

    @property
    def before_last_ns(self) -> int:
        """The slots of all its requests but the last."""
        return self.slot_ns - self.last_slot_ns


def batches_of(system: System, lane: int) -> list[Batch]:
    """The batches of one lane, in the order in which they are asked for where they come together."""
    told, may_come = {each.told for each in system.chains}, frozenset(system.may_come)
    members: dict[tuple[int, int, int, str, bool, bool, bool], list[int]] = {}
    for each in system.requests:
        if each.lane == lane:
            key = (
                each.task,
                each.chain,
                each.stage,
                each.controller,
                each.is_write,
                each.index in told,
                each.index in may_come,
            )
            members.setdefault(key, []).append(each.index)
    result = []
    for index, (key, requests) in enumerate(members.items()):
        task, chain, stage, controller, is_write, is_told, may = key
        works = [system.requests[at].work for at in requests]
        result.append(
            Batch(
                index,
                task,
                chain,
                stage,
                controller,
                is_write,
                tuple(requests),
                sum(each.slot_ns for each in works),
                sum(each.exchange_ns for each in works),
                max(each.slot_ns for each in works),
                works[-1].slot_ns,
                works[-1].exchange_ns,
                max(each.rest_ns for each in works),
                any(each.slot_ns != each.exchange_ns + each.rest_ns for each in works),
                system.lanes[lane].link_of(controller),
                system.tasks[task].period_ns,
                system.tasks[task].offset_ns,
                is_told,
                may,
                level_of(system.tasks[task].period_ns, is_write=is_write),
            )
        )
    return result


class Relations:
    """What any two batches of a lane are to each other. ``sign``: -1, 0 or 1 as the other's release is earlier, the
    same or later."""

    def __init__(self, system: System, batches: list[Batch], delays_ns: Sequence[int]) -> None:
        self._waits_to_come = [any(delays_ns[at] for at in each.requests) for each in batches]
        """Whether a batch may wait for its connection: so long, it counts as not asked for yet."""
        self._last_read = [_last_read(system, chain) for chain in system.chains]
        self._pauses_ns = [max((stage.pause_ns for stage in chain.stages[:2]), default=0) for chain in system.chains]
        signs = (0, 1, -1)
        self.ties = [[tuple(self._tie(one, other, sign) for sign in signs) for other in batches] for one in batches]
        """By batch, other batch and sign (which may index from the end)."""
        self.places = [
            [
                tuple(
                    Place.ELSEWHERE if tie is Tie.NEVER else self._place(one, other, sign)
                    for sign, tie in zip(signs, self.ties[one.index][other.index], strict=True)
                )
                for other in batches
            ]
            for one in batches
        ]

    def _tie(self, one: Batch, other: Batch, sign: int) -> Tie:
        if one is other:
            return Tie.NEVER if sign >= 0 else Tie.NONE
        if one.may_come or other.may_come:
            return Tie.NONE
        if other.chain == one.chain:
            if other.stage and sign == 0 and other.stage > one.stage:
                return Tie.NEVER
            if other.stage and sign > 0 and not one.is_told:
                # A chain does not begin anew before it is over; its reads may be asked for by others.
                return Tie.NEVER
            if sign == 0 and other.stage < one.stage:
                return Tie.BEFORE
        if one.stage == 0 and other.stage and sign >= 0 and not self._waits_to_come[one.index]:
            # What is due together is asked for together, before anything of it is answered.
            return Tie.AFTER
        return Tie.NONE

    def _place(self, one: Batch, other: Batch, sign: int) -> Place:
        if other.controller != one.controller:
            return Place.ELSEWHERE
        if other.level != one.level:
            return Place.OVERTAKES if other.level < one.level else Place.BLOCKS
        if one.stage == 0 and other.stage == 0 and not (one.may_come or other.may_come):
            is_before = (sign, other.task, other.index) < (0, one.task, one.index)
            return Place.SURELY_AHEAD if is_before else Place.ELSEWHERE
        return Place.ELSEWHERE if self._comes_after(one, other, sign) else Place.AHEAD

    def _comes_after(self, one: Batch, other: Batch, sign: int) -> bool:
        """Whether the other is asked for later because its reads are answered later, on one line and in order."""
        if (
            self._pauses_ns[one.chain]
            or one.stage != 1
            or not other.stage
            or one.is_told
            or other.is_told
            or one.chain == other.chain
        ):
            return False
        mine, theirs = self._last_read[one.chain], self._last_read[other.chain]
        if mine is None or theirs is None or mine[0] != theirs[0]:
            return False
        return (sign, other.task, theirs[1], other.chain) > (0, one.task, mine[1], one.chain)


def _last_read(system: System, chain: Chain) -> tuple[int, int] | None:
    """The lane of what is read at the release, and which of it is answered last; None where the order is not known."""
    requests = [system.requests[at] for at in chain.stages[0].requests]
    if len(chain.stages) < 2 or not requests or len({each.lane for each in requests}) > 1:
        return None
    if not system.lanes[requests[0].lane].is_plain:
        return None
    return requests[0].lane, max(each.index for each in requests)
