"""Every change of state and every refused write is on record before it is shown.

Held against what can be seen from outside: connections that come and go, and the quality that the receiver is told.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, ClassVar, Final

from wherry.plan.model import Controller, Framing
from wherry.rehearse.checkers.base import MS, Checker, Look, Report, S, Told, World
from wherry.rehearse.tap import Ask, Link

SETTLE_NS: Final = 1 * S
"""A state that lasts this long must be on record."""


class Recorded(Checker):
    """Keeps what the record says beside what was seen."""

    NAME: ClassVar[str] = "recorded"
    WRITES_ONLY: ClassVar[bool] = True

    def __init__(self, world: World, report: Report) -> None:
        super().__init__(world, report)
        self._last: Told | None = None
        self._shown = self._kept = 0
        self._quality: dict[str, tuple[int, int]] = {}
        self._line: dict[str, str] = {}
        self._refused: dict[str, int] = {}
        self._seen: dict[str, tuple[bool, int, bool]] = {}
        self._confirmed: dict[str, tuple[int, int, int]] = {}
        self._settle_ns = {each.name: self._settle_line_ns(each) for each in self.plan.controllers}

    def recorded(self, event: Told) -> None:
        self._last = event
        self._kept += 1
        if event.kind == "transfer quality":
            self._quality[event.subject] = (int(event.details["quality"]), event.at_ns)
        elif event.kind in ("line up", "line down"):
            self._line[event.subject] = event.kind
        elif event.kind == "write refused":
            self._refused[event.subject] = self._refused.get(event.subject, 0) + 1

    def shown(self, event: Told) -> None:
        self._shown += 1
        if event is not self._last or self._shown > self._kept:
            self.wrong(event.subject, f"`{event.message}` was shown before it was on record")

    # Lines.

    def opened(self, link: Link, at_ns: int) -> None:
        for each in link.controllers:
            self._seen[each.name] = (True, at_ns, False)

    def closed(self, link: Link, at_ns: int) -> None:
        for each in link.controllers:
            self._seen[each.name] = (False, at_ns, link.was_clean)

    # Quality.

    def answered(self, ask: Ask, pdu: bytes, at_ns: int) -> None:
        for status in ask.statuses:
            name = status.transfer.name
            before = self._confirmed.get(name)
            since_ns = before[1] if before is not None and before[0] == status.quality else at_ns
            self._confirmed[name] = (status.quality, since_ns, ask.at_ns)

    def looked(self, look: Look) -> None:
        name, now_ns = look.transfer.name, look.at_ns
        self._judge_line(look.transfer.destination, now_ns)
        self._judge_line(look.transfer.source, now_ns)
        confirmed = self._confirmed.get(name)
        if confirmed is None:
            return
        told, since_ns, asked_ns = confirmed
        recorded, recorded_ns = self._quality.get(name, (0, 0))
        if told == recorded:
            return
        recorded_ns += self.world.start_ns
        settle_ns = 2 * look.transfer.period_ns + self.world.drain_ns(look.transfer.destination)
        # What left before the record cannot know of it; and what is told last in a cycle is recorded at its end.
        late = asked_ns > recorded_ns and asked_ns - max(since_ns, recorded_ns) > settle_ns
        # While the receiver is in trouble, what it confirms may be the first of several things that it was told.
        if late and not self.world.troubled(look.transfer.destination, since_ns, now_ns):
            self.wrong(name, f"its receiver was told quality {told}, the record says {recorded}")
            del self._confirmed[name]

    def _settle_line_ns(self, controller: Controller) -> int:
        """How long the record may lag. After a time-out the units behind RTU framing get a new connection without a
        word, unless that cannot be made in time."""
        address = (controller.host, controller.port)
        sharing = [each for each in self.plan.controllers if (each.host, each.port) == address]
        is_renewed = len(sharing) > 1 and controller.framing is Framing.RTU
        return SETTLE_NS + (max(each.limits.timeout_ns for each in sharing) if is_renewed else 0)

    def _judge_line(self, name: str, now_ns: int) -> None:
        seen = self._seen.get(name)
        if seen is None or now_ns - seen[1] < self._settle_ns[name]:
            return
        is_open, since_ns, was_clean = seen
        says = self._line.get(name, "nothing")
        if not was_clean and says != ("line up" if is_open else "line down"):
            state = "open" if is_open else "closed"
            for_ms = (now_ns - since_ns) / MS
            self.wrong(name, f"its connection has been {state} for {for_ms:.0f} ms, the record says {says}")
            self._seen[name] = (is_open, now_ns + 3600 * S, was_clean)

    def finished(self, summary: Mapping[str, Any], at_ns: int) -> None:
        for name, counts in summary["controllers"].items():
            if counts["refused_writes"] != self._refused.get(name, 0):
                refused, kept = counts["refused_writes"], self._refused.get(name, 0)
                self.wrong(name, f"{refused} writes were refused, {kept} of them are on record")
        if self._shown != self._kept:
            self.wrong("record", f"{self._kept} events are on record, {self._shown} were shown")
