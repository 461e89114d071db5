"""Which values are due to be written, where the plan says: on change only. Pure.

Such a value is written when it has moved by more than its ``deadband`` from what its place holds, when its place may
have forgotten it (``refresh``, or a connection that was lost), and never sooner after the last write than ``shortest``.
What a place holds is known from the answer to the write alone: after a write whose answer did not come it is unknown,
and the value is due again. A group is written whole, and waits until each of its members may be written.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from wherry.plan.model import Transfer
from wherry.values.conversion import Converted


@dataclass(frozen=True, slots=True)
class ChangeRule:
    """When one value is written. ``refresh_ns`` is None where only a change counts."""

    deadband: float = 0.0
    shortest_ns: int = 0
    refresh_ns: int | None = None


class _Place:
    """What is known of one value's place in the receiver."""

    __slots__ = ("at_ns", "data", "fresh_ns", "is_pending", "number", "rule")

    def __init__(self, rule: ChangeRule) -> None:
        self.rule = rule
        self.data: bytes | None = None
        """What it holds; None while that is not known."""
        self.number: int | float | None = None
        """The value that was written, if it was one of the source."""
        self.at_ns: int | None = None
        """When the last write that left was over."""
        self.fresh_ns: int | None = None
        """The last instant at which it was known to hold the source's value of then, within the deadband; None while it
        holds a substitute."""
        self.is_pending = False

    def is_due(self, put: bytes, number: int | float | None, now_ns: int, period_ns: int) -> bool:
        """Whether it is to be written, if it may be."""
        if self.data is None or self.at_ns is None:
            return True
        if put != self.data and (
            number is None or self.number is None or abs(number - self.number) > self.rule.deadband
        ):
            return True
        # The next chance comes a period later, and that must not be too late.
        refresh_ns = self.rule.refresh_ns
        return refresh_ns is not None and now_ns + period_ns > self.at_ns + refresh_ns

    def must_wait(self, now_ns: int) -> bool:
        """Whether it may not be written yet."""
        return self.is_pending or (self.at_ns is not None and now_ns < self.at_ns + self.rule.shortest_ns)


class Batch:
    """What is written at one time. Tell it what became of each request, then let it settle, once."""

    __slots__ = ("_changes", "_failed", "_left", "_picked", "chosen", "held_back", "late")

    def __init__(self, changes: Changes, puts: Sequence[bytes | None]) -> None:
        self.chosen: list[bytes | None] = list(puts)
        """As the puts given, without those that are not due."""
        self.held_back = False
        """Whether a value that is fit was not due, so that its place holds it already, or waits."""
        self.late: int | None = None
        """A value whose place holds one of more than ``max_age`` ago, since ``shortest`` has not passed yet."""
        self._changes = changes
        self._picked: dict[int, tuple[bytes, int | float | None, bool]] = {}
        self._failed: set[int] = set()
        self._left: set[int] = set()

    def pick(self, index: int, number: int | float | None, *, is_own: bool) -> None:
        put = self.chosen[index]
        assert put is not None
        self._picked[index] = (put, number, is_own)

    def tell(self, template: int, *, is_done: bool, has_left: bool) -> None:
        """One request of a template is over: whether it was answered as it should, and whether it left at all."""
        if not is_done:
            self._failed.add(template)
        if has_left:
            self._left.add(template)

    def settle(self, now_ns: int) -> None:
        """All requests are over: what the places hold is known, or known to be unknown."""
        places = self._changes.places
        for template, members in enumerate(self._changes.members):
            for index in members:
                picked, place = self._picked.get(index), places[index]
                if picked is None or place is None:
                    continue
                place.is_pending = False
                if template not in self._left:
                    continue
                place.at_ns = now_ns
                if template in self._failed:
                    place.data = place.number = None
                else:
                    place.data, place.number, is_own = picked
                    place.fresh_ns = now_ns if is_own else None


class Changes:
    """The values of one transfer, some of which are written on change. ``members`` are the values of each template."""

    def __init__(
        self,
        rules: Sequence[ChangeRule | None],
        members: Sequence[Sequence[int]],
        groups: Sequence[Sequence[int]] = (),
        *,
        period_ns: int,
        max_age_ns: int,
    ) -> None:
        self.places = tuple(None if rule is None else _Place(rule) for rule in rules)
        self.members = tuple(tuple(each) for each in members)
        self._groups = tuple(tuple(each) for each in groups)
        self._period_ns = period_ns
        self._max_age_ns = max_age_ns
        self._losses = 0

    def select(
        self, puts: Sequence[bytes | None], results: Sequence[Converted | None], now_ns: int, losses: int
    ) -> Batch:
        """What of ``puts`` is to be written now. ``losses`` counts the connections to the receiver that were lost: with
        one more, what its places hold is not known any more."""
        if losses != self._losses:
            self._losses = losses
            for place in self.places:
                if place is not None:
                    place.data = None
        due, waiting = self._judge(puts, results, now_ns)
        batch = Batch(self, puts)
        for index, place in enumerate(self.places):
            if puts[index] is None:
                continue
            is_due, must_wait = index in due, index in waiting
            is_own = _is_own(results, index, puts[index])
            if is_due and not must_wait:
                if place is not None:
                    batch.pick(index, _number(results, index, puts[index]), is_own=is_own)
                    place.is_pending = True
                continue
            batch.chosen[index] = None
            batch.held_back = True
            if place is None:
                continue
            if not is_due:
                place.fresh_ns = now_ns if is_own else None
            elif place.is_pending or place.fresh_ns is None or now_ns - place.fresh_ns > self._max_age_ns:
                # Pending is a substitute on its way: that is what the place will hold.
                batch.late = index
        return batch

    def select_by_template(self, puts: Sequence[Sequence[bytes | None]], now_ns: int, losses: int) -> Batch:
        """The same for substitutes, where each template has puts of its own."""
        chosen: list[bytes | None] = [None] * len(self.places)
        for members, own in zip(self.members, puts, strict=True):
            for index in members:
                chosen[index] = own[index]
        return self.select(chosen, (), now_ns, losses)

    def _judge(
        self, puts: Sequence[bytes | None], results: Sequence[Converted | None], now_ns: int
    ) -> tuple[set[int], set[int]]:
        """Which values are due, and which must wait; the members of a group are so together."""
        due: set[int] = set()
        waiting: set[int] = set()
        for index, place in enumerate(self.places):
            put = puts[index]
            if put is None:
                continue
            # While a write is under way the place will hold what that puts, whatever it is known to hold now.
            if (
                place is None
                or place.is_pending
                or place.is_due(put, _number(results, index, put), now_ns, self._period_ns)
            ):
                due.add(index)
            if place is not None and place.must_wait(now_ns):
                waiting.add(index)
        for group in self._groups:
            if not due.isdisjoint(group):
                due.update(group)
            if not waiting.isdisjoint(group):
                waiting.update(group)
        return due, waiting


def _is_own(results: Sequence[Converted | None], index: int, put: bytes | None) -> bool:
    """Whether what is put is the source's value, and no substitute."""
    result = results[index] if results else None
    return result is not None and result.put is put


def _number(results: Sequence[Converted | None], index: int, put: bytes | None) -> int | float | None:
    """The number behind what is put; None for what is none, and for a substitute."""
    result = results[index] if results else None
    if result is None or not _is_own(results, index, put) or not isinstance(result.value, int | float):
        return None
    return result.value


def changes_of(transfer: Transfer, members: Sequence[Sequence[int]], groups: Sequence[Sequence[int]]) -> Changes | None:
    """What decides for a transfer; None where every value is written in every cycle."""
    rules = [
        ChangeRule(value.deadband or 0.0, value.shortest_ns, value.refresh_ns) if value.is_on_change else None
        for value in transfer.values
    ]
    if all(rule is None for rule in rules):
        return None
    return Changes(rules, members, groups, period_ns=transfer.period_ns, max_age_ns=transfer.max_age_ns)
