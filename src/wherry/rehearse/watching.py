"""The receivers' own view: their status registers, looked at every period as their programs would do."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any, Final

from wherry.plan.model import Plan, Transfer
from wherry.protocol.store import MemoryStore
from wherry.rehearse.checkers.base import Look
from wherry.rehearse.reasons import Reasons, Told
from wherry.rehearse.result import Bucket, TransferSeen

BUCKETS_MAX: Final = 2000
"""Samples kept for each transfer: as many as a picture has dots."""
GOOD: Final = 2
SILENT: Final = 3
"""In place of a quality: the heartbeat has stood still for longer than the watchdog of the receiver's program, which is
taken to be ``max_age`` plus one period."""


class View:
    """What is seen of one transfer. ``sample_of`` says when what the receiver holds was sampled; ``told``, what the
    engine says of it."""

    def __init__(
        self,
        transfer: Transfer,
        store: MemoryStore,
        duration_ns: int,
        start_ns: int,
        sample_of: Callable[[Transfer], int | None],
        on_look: Callable[[Look], None],
        troubled: Callable[[str, int, int], bool],
        told: Callable[[], Told],
    ) -> None:
        self.transfer = transfer
        self._store = store
        self._bucket_ns = max(transfer.period_ns, -(-duration_ns // BUCKETS_MAX))
        self._sample_of = sample_of
        self._on_look = on_look
        self._troubled = troubled
        self._start_ns = start_ns
        self._looked_ns = start_ns
        self._quality_ns = [0, 0, 0, 0]
        self._heartbeat: int | None = None
        self._beat_ns = start_ns
        self._silence = self._not_good = (0, 0)
        self._watchdog_ns = transfer.max_age_ns + transfer.period_ns
        self._reasons = Reasons(told, self._watchdog_ns)
        self._fresh_mark: int | None = None
        self._fresh_ns = start_ns
        self._unfresh = (0, start_ns)
        self._was_fresh = False
        self._missed = 0
        self._missed_first_ns: int | None = None
        # Without status registers only what is written in every cycle shows whether a cycle came.
        self._is_regular = transfer.status is not None or not any(each.is_on_change for each in transfer.values)
        self._good_age_ns: int | None = None
        self._good_ns = start_ns
        self._age: tuple[int, int] | None = None
        self._buckets: list[Bucket] = []
        self._bucket_end_ns = start_ns
        self._worst_age_ns: int | None = None
        self._worst_quality: int | None = None
        self._any_silent = False

    def look(self, now_ns: int) -> None:
        """Once a period."""
        quality: int | None = None
        is_silent = False
        status, held_ns = self.transfer.status, self._sample_of(self.transfer)
        mark = held_ns
        if status is None:
            self._on_look(Look(now_ns, self.transfer, 0, 0, 0, 0, held_ns))
        else:
            data = self._store.read_registers(status.table, status.start, status.count)
            heartbeat, told, age_ms, mark = (data[at] << 8 | data[at + 1] for at in (0, 2, 4, 6))
            self._on_look(Look(now_ns, self.transfer, heartbeat, told, age_ms, mark, held_ns))
            quality = min(told, GOOD)
            if heartbeat != self._heartbeat:
                self._heartbeat, self._beat_ns = heartbeat, now_ns
            elif now_ns - self._beat_ns > self._silence[0]:
                self._silence = (now_ns - self._beat_ns, self._beat_ns)
            is_silent = now_ns - self._beat_ns > self._watchdog_ns
            self._quality_ns[SILENT if is_silent else quality] += now_ns - self._looked_ns
            if quality == GOOD and not is_silent:
                self._good_ns = now_ns
            else:
                self._reasons.add(now_ns, now_ns - self._looked_ns)
            if now_ns - self._good_ns > self._not_good[0]:
                self._not_good = (now_ns - self._good_ns, self._good_ns)
        self._looked_ns = now_ns
        self._note_fresh(now_ns, mark)
        age_ns = None if held_ns is None else now_ns - held_ns
        if (
            quality == GOOD
            and age_ns is not None
            and not is_silent
            and (self._good_age_ns is None or age_ns > self._good_age_ns)
        ):
            self._good_age_ns = age_ns
        if age_ns is not None and (self._age is None or age_ns > self._age[0]):
            self._age = (age_ns, now_ns)
        self._keep(now_ns, age_ns, quality, is_silent)

    def _note_fresh(self, now_ns: int, mark: int | None) -> None:
        """Whether new values have come since the last look, by what moves with every delivery."""
        if now_ns - self._fresh_ns > self._unfresh[0]:
            self._unfresh = (now_ns - self._fresh_ns, self._fresh_ns)
        if mark != self._fresh_mark:
            self._was_fresh = self._fresh_mark is not None
            self._fresh_mark, self._fresh_ns = mark, now_ns
        elif self._was_fresh and self._is_regular:
            transfer = self.transfer
            begun_ns = self._fresh_ns - transfer.period_ns
            if not any(self._troubled(name, begun_ns, now_ns) for name in (transfer.source, transfer.destination)):
                self._missed += 1
                if self._missed_first_ns is None:
                    self._missed_first_ns = now_ns - self._start_ns

    def _keep(self, now_ns: int, age_ns: int | None, quality: int | None, is_silent: bool) -> None:
        if now_ns >= self._bucket_end_ns:
            self._close_bucket()
            self._bucket_end_ns = now_ns + self._bucket_ns
            self._bucket_at_ns = now_ns
            self._worst_age_ns, self._worst_quality, self._any_silent = age_ns, quality, is_silent
            return
        self._any_silent |= is_silent
        if age_ns is not None and (self._worst_age_ns is None or age_ns > self._worst_age_ns):
            self._worst_age_ns = age_ns
        if quality is not None and (self._worst_quality is None or quality < self._worst_quality):
            self._worst_quality = quality

    def _close_bucket(self) -> None:
        if self._bucket_end_ns > self._start_ns:
            at_ns = self._bucket_at_ns - self._start_ns
            self._buckets.append(Bucket(at_ns, self._worst_age_ns, self._worst_quality, self._any_silent))

    def seen(self, figures: Mapping[str, Any]) -> TransferSeen:
        """The end: everything that was seen, with the engine's own figures beside it."""
        self._close_bucket()
        start_ns = self._start_ns
        seen = TransferSeen(
            self.transfer.name,
            self.transfer.status is not None,
            good_ns=self._quality_ns[2],
            uncertain_ns=self._quality_ns[1],
            bad_ns=self._quality_ns[0],
            silent_ns=self._quality_ns[SILENT],
            longest_not_good_ns=self._not_good[0],
            longest_not_good_at_ns=max(0, self._not_good[1] - start_ns),
            longest_silence_ns=self._silence[0],
            longest_silence_at_ns=max(0, self._silence[1] - start_ns),
            scheduled=figures["scheduled"],
            delivered=figures["delivered"],
            skipped=figures["skipped"],
            failed=figures["failed"],
            failures=dict(figures["failures"]),
            buckets=tuple(self._buckets),
            longest_without_fresh_ns=self._unfresh[0],
            longest_without_fresh_at_ns=max(0, self._unfresh[1] - start_ns),
            good_age_ns_max=self._good_age_ns,
            calm_periods_missed=self._missed,
            calm_period_missed_first_ns=self._missed_first_ns,
            not_good_ns=self._reasons.spent_ns(),
            verify=figures["verify"],
        )
        if self._age is not None:
            seen = replace(seen, age_ns_max=self._age[0], age_ns_max_at_ns=self._age[1] - start_ns)
        return seen


def views_by_period(views: Mapping[str, View], plan: Plan) -> dict[int, list[View]]:
    """Views that are looked at together."""
    result: dict[int, list[View]] = {}
    for transfer in plan.transfers:
        result.setdefault(transfer.period_ns, []).append(views[transfer.name])
    return result
