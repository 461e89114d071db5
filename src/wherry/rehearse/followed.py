"""What followed a fault: the changes of state that the engine recorded of all that the faulty controller has a part in,
from the beginning of the fault until everything was Good again."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final, Protocol

from wherry.engine.events import Event, EventKind
from wherry.plan.model import Plan, Transfer
from wherry.rehearse.result import Consequence, FaultSeen
from wherry.values.quality import Quality

CONSEQUENCES_MAX: Final = 20


class Planned(Protocol):
    """A fault as it was planned; instants since the start."""

    @property
    def start_ns(self) -> int: ...
    @property
    def end_ns(self) -> int: ...
    @property
    def kind(self) -> str: ...
    @property
    def controller(self) -> str: ...
    @property
    def text(self) -> str: ...


@dataclass(frozen=True)
class Track:
    """The quality of one transfer over time: from each instant on, beginning with Bad at 0."""

    transfer: Transfer
    at_ns: Sequence[int]
    quality: Sequence[Quality]

    def felt(self, start_ns: int, end_ns: int) -> bool:
        """Whether it was not Good at some time between the beginning of a fault and when its end has passed through."""
        until_ns = end_ns + self.transfer.max_age_ns + 2 * self.transfer.period_ns
        first, stop = bisect_right(self.at_ns, start_ns) - 1, bisect_right(self.at_ns, until_ns)
        return any(each is not Quality.GOOD for each in self.quality[first:stop])

    def good_again_ns(self, start_ns: int, end_ns: int) -> int | None:
        """When it was Good again after a fault that it felt; None if never."""
        until_ns = end_ns + self.transfer.max_age_ns + 2 * self.transfer.period_ns
        index = bisect_right(self.at_ns, until_ns) - 1
        if self.quality[index] is Quality.GOOD:
            while index and self.quality[index - 1] is Quality.GOOD:
                index -= 1
            return max(start_ns, self.at_ns[index])
        for later in range(index, len(self.at_ns)):
            if self.quality[later] is Quality.GOOD:
                return self.at_ns[later]
        return None


class Followed:
    """Finds what followed each of many faults. ``events`` in the order in which they happened."""

    def __init__(self, plan: Plan, events: Sequence[Event]) -> None:
        self._plan = plan
        self._tracks = {each.name: track_of(each, events) for each in plan.transfers}
        self._by_subject: dict[str, list[Event]] = {}
        for event in events:
            self._by_subject.setdefault(event.subject, []).append(event)
        self._parties: dict[str, tuple[list[str], list[Track]]] = {}

    def of(self, fault: Planned) -> FaultSeen:
        """What followed one fault."""
        if fault.controller not in self._parties:
            self._parties[fault.controller] = self._concerned(fault.controller)
        subjects, tracks = self._parties[fault.controller]
        felt = [each for each in tracks if each.felt(fault.start_ns, fault.end_ns)]
        again = [each.good_again_ns(fault.start_ns, fault.end_ns) for each in felt]
        known = [each for each in again if each is not None]
        mended_ns = max(known, default=fault.end_ns) if len(known) == len(again) else None
        until_ns = max(fault.end_ns, mended_ns) if mended_ns is not None else None
        return FaultSeen(
            fault.start_ns,
            fault.end_ns,
            str(fault.kind),
            fault.controller,
            fault.text,
            tuple(self._changes(subjects, fault.start_ns, until_ns)),
            mended_ns,
        )

    def _concerned(self, name: str) -> tuple[list[str], list[Track]]:
        """The controllers at the address of one, and the transfers that any of them has a part in."""
        at = self._plan.controller(name)
        names = [each.name for each in self._plan.controllers if (each.host, each.port) == (at.host, at.port)]
        tracks = [
            track
            for track in self._tracks.values()
            if track.transfer.source in names or track.transfer.destination in names
        ]
        return [*names, *(each.transfer.name for each in tracks)], tracks

    def _changes(self, subjects: Iterable[str], start_ns: int, until_ns: int | None) -> list[Consequence]:
        """The first change of each kind of each subject, in order of time."""
        found: dict[tuple[str, str], Event] = {}
        for subject in subjects:
            events = self._by_subject.get(subject, [])
            for index in range(bisect_left(events, start_ns, key=_instant), len(events)):
                event = events[index]
                if until_ns is not None and event.at_ns > until_ns:
                    break
                found.setdefault((subject, event.message.partition(":")[0]), event)
        ordered = sorted(found.values(), key=_instant)
        return [Consequence(each.at_ns, each.subject, each.message) for each in ordered[:CONSEQUENCES_MAX]]


def _instant(event: Event) -> int:
    return event.at_ns


def track_of(transfer: Transfer, events: Iterable[Event]) -> Track:
    """The quality of one transfer over time."""
    changes = [
        (event.at_ns, Quality(int(event.details["quality"] or 0)))
        for event in events
        if event.kind is EventKind.TRANSFER_QUALITY and event.subject == transfer.name
    ]
    at_ns, quality = [0, *(at for at, _ in changes)], [Quality.BAD, *(each for _, each in changes)]
    return Track(transfer, at_ns, quality)
