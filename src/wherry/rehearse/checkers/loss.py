"""Loss is visible: what the receiver's status registers say is true, and is said in time.

Held against what the receiver holds by its own confirmations. Only a receiver that could be reached can have been told.
"""

from __future__ import annotations

from typing import ClassVar, Final

from wherry.rehearse.checkers.base import MS, Checker, Look, Report, World
from wherry.rehearse.checkers.matching import Data, Matching, StatusPut
from wherry.rehearse.tap import Ask, Link

GOOD: Final = 2
AGE_MS_MAX: Final = 0xFFFF
SLACK_NS: Final = 2 * MS
"""The age is in whole milliseconds, and looks at the clock take time."""


class Loss(Checker):
    """Judges what is told when it leaves, and what stands in the receiver's registers each period."""

    NAME: ClassVar[str] = "loss"
    WRITES_ONLY: ClassVar[bool] = True

    def __init__(self, world: World, report: Report, matching: Matching) -> None:
        super().__init__(world, report)
        self._matching = matching
        self._beats: dict[str, tuple[int, int]] = {}
        self._alive: dict[str, tuple[Data, int]] = {}
        self._alive_seen: dict[str, int] = {}

    # What is told.

    def asked(self, link: Link, ask: Ask) -> None:
        for status in ask.statuses:
            if status.quality > GOOD:
                self.wrong(status.transfer.name, f"a quality of {status.quality} was told")
            if status.quality:
                self._judge(status, ask.at_ns)

    def _judge(self, status: StatusPut, now_ns: int) -> None:
        transfer = status.transfer
        if status.age_ms == AGE_MS_MAX and transfer.max_age_ns < AGE_MS_MAX * MS:
            self.wrong(transfer.name, f"quality {status.quality} was told of values without an age")
            return
        told_ns = status.age_ms * MS
        if told_ns > transfer.max_age_ns + SLACK_NS and status.quality == GOOD:
            self.wrong(transfer.name, f"Good was told of values that are {status.age_ms} ms old")
        for track in self._matching.tracks[transfer.name]:
            name = track.value.name
            if status.quality == GOOD and track.is_substitute:
                since_ns = now_ns - transfer.max_age_ns - SLACK_NS
                if not (track.is_lazy and self._matching.holds_value(track, since_ns)):
                    self.wrong(transfer.name, f"Good was told while {name} was a substitute")
            elif track.is_lazy or track.is_substitute:
                continue
            elif track.newest_ns is None:
                if status.quality == GOOD:
                    self.wrong(transfer.name, f"Good was told before {name} was written")
            elif now_ns - track.newest_ns > told_ns + SLACK_NS and status.quality == GOOD:
                true_ms = (now_ns - track.newest_ns) / MS
                self.wrong(transfer.name, f"Good and {status.age_ms} ms were told, but {name} was {true_ms:.0f} ms old")
        if status.quality == GOOD and any(
            self.plan.controller(each).tolerate for each in (transfer.source, transfer.destination)
        ):
            self.wrong(transfer.name, "Good was told of values from replies that break the rules")
        if status.quality == GOOD and transfer.alive is not None:
            self._judge_alive(status, now_ns)

    def _judge_alive(self, status: StatusPut, now_ns: int) -> None:
        name = status.transfer.name
        last = self._alive.get(name)
        sampled_ns = now_ns - status.age_ms * MS
        # A transfer counts from its own reading, which may come a period after another's that saw the counter move.
        bound_ns = status.transfer.max_age_ns + status.transfer.period_ns + SLACK_NS
        if last is None or sampled_ns - last[1] > bound_ns:
            self.wrong(name, "Good was told though the source's own counter had stood still for longer than max_age")

    def answered(self, ask: Ask, pdu: bytes, at_ns: int) -> None:
        if ask.head.is_write:
            return
        for name, sources in self._matching.alive.items():
            for stream, cut in sources:
                if stream is ask.head.parts:
                    data = cut(pdu[2:])
                    last = self._alive.get(name)
                    if last is None or last[0] != data:
                        self._alive[name] = (data, ask.at_ns)

    # What the receiver holds.

    def looked(self, look: Look) -> None:
        transfer, now_ns = look.transfer, look.at_ns
        receiver = transfer.destination
        drain_ns = self.world.drain_ns(receiver)
        bound_ns = transfer.max_age_ns + transfer.period_ns + drain_ns
        if transfer.status is None:
            return
        # What is written on change only may rightly have been written long ago.
        is_regular = not all(each.is_on_change for each in transfer.values)
        is_old = is_regular and look.held_ns is not None and now_ns - look.held_ns > bound_ns
        # What has left and is not confirmed yet may stand in the registers already, with the Good that goes with it.
        is_old = is_old and not self._has_left(transfer.name, now_ns - bound_ns)
        if look.quality == GOOD and is_old and not self.world.troubled(receiver, now_ns - bound_ns, now_ns):
            age_ms = (now_ns - (look.held_ns or 0)) / MS
            self.wrong(transfer.name, f"its receiver reads Good while its values are {age_ms:.0f} ms old")
        self._judge_beat(look, drain_ns)

    def _has_left(self, name: str, after_ns: int) -> bool:
        """Whether every value was sent that is sent in each cycle, sampled after an instant."""
        tracks = [each for each in self._matching.tracks[name] if not each.is_lazy]
        return all(each.newest_ns is not None and each.newest_ns >= after_ns for each in tracks)

    def _judge_beat(self, look: Look, drain_ns: int) -> None:
        transfer, now_ns = look.transfer, look.at_ns
        receiver = transfer.destination
        beat, since_ns = self._beats.get(transfer.name, (-1, now_ns))
        if beat != look.heartbeat:
            self._beats[transfer.name] = (look.heartbeat, now_ns)
            return
        silent_ns = now_ns - since_ns
        if silent_ns > 3 * transfer.period_ns + drain_ns and not self.world.troubled(receiver, since_ns, now_ns):
            self.wrong(transfer.name, f"the heartbeat stood still for {silent_ns / MS:.0f} ms; the receiver was there")
            self._beats[transfer.name] = (look.heartbeat, now_ns)
