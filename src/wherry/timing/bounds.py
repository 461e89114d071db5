"""How long requests wait at the most, under the order in which the engine sends them.

**The model.** An address is a resource that serves one request at a time, without interruption, for the request's slot
(until its reply, and the gap or the pace after it). The queue of a controller is in the order of ``order``: by period,
writes before reads, first in first out. Time is continuous.

What is asked at a release comes at known instants: the schedule's offsets are fixed. What is asked later (a write waits
for its reads) comes within a window after the release, from ``earliest_ns`` to ``latest_ns``. The windows follow from
the bounds and the bounds from the windows, so both are repeated until nothing changes (holistic analysis: Tindell and
Clark, Microprocessing and Microprogramming 40, 1994).

**Two bounds**, of which the smaller one holds:

* *By the busy period.* Let ``s`` be the last instant before a request at which nothing was pending that goes before it.
  From then on its line does nothing but serve what goes before it, after at most one request that had begun before
  (blocking). So it begins no later than ``s`` + blocking + the slots of all that may have come since and goes before
  it. The worst ``s`` is the latest arrival of some request. (Lehoczky 1990 and Davis, Burns, Bril, Lukkien 2007 argue
  in the same way where phases may be anything.)
* *By content.* A chain has one stage in the queues at a time. So when a request comes, there is before it at most one
  stage of each other chain, of those that can have come and need not be over yet.

Everything is taken over one hyperperiod; where that is too long, phases are taken to be anything (``rta``).

What both rest on: no request takes longer than its slot says, and a chain is over before it begins anew. A chain that
does not fit into its period has no bound worth the name, and the budget says so.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from math import lcm
from typing import Final

from wherry.timing.batches import Batch, Place, Relations, Tie, batches_of
from wherry.timing.reopening import delays_ns, opened_by
from wherry.timing.rta import Task, first_come
from wherry.timing.system import System
from wherry.timing.windows import Window, most_ns_of, move_windows, whole_ns

INSTANCES_MAX: Final = 12_000
"""More batches of one address in a hyperperiod than this are not looked at one by one."""
ROUNDS_MAX: Final = 200
INSTANTS_MAX: Final = 16
"""How many instants of asking are tried for the longest wait of one request."""


@dataclass(frozen=True, slots=True)
class Bounds:
    """The windows of all requests, and the longest busy period of each lane (None: it never ends)."""

    windows: tuple[Window, ...]
    busy_ns: tuple[int | None, ...]
    is_by_phase: tuple[bool, ...]
    """Whether a lane was looked at with the phases that its schedule has."""
    opened: frozenset[tuple[int, int]] = frozenset()
    """The connections (lane and link) that may be closed and opened anew between two requests."""


_Instance = tuple[int, int, int, int]
"""A batch in one period: the latest instant at which it comes, the earliest, its release, and which batch it is."""
_Coming = tuple[int, int, int]
"""What may go before a request: the latest instant at which it comes, its slots, and how many requests they are."""


class _LateError(Exception):
    """Something is over too late, and no more needs to be known."""


class _Lane:
    """One lane under analysis. ``windows`` are those of the whole system, and change between the calls.

    ``most_ns``: when each request must be over, where nothing more is to be known than whether it is. ``may_look``:
    whether the instants of the releases are used where they are not too many.
    """

    def __init__(
        self,
        system: System,
        index: int,
        windows: Sequence[Window],
        delays_ns: Sequence[int],
        most_ns: Sequence[int] | None = None,
        may_look: bool = True,
    ) -> None:
        self.most_ns = most_ns
        self.system = system
        self.lane = system.lanes[index]
        self.windows = windows
        self.batches = batches_of(system, index)
        self.hyper_ns = lcm(*(each.period_ns for each in self.batches))
        count = sum(self.hyper_ns // each.period_ns for each in self.batches)
        self.is_by_phase = may_look and count <= INSTANCES_MAX
        if self.is_by_phase:
            relations = Relations(system, self.batches, delays_ns)
            self.ties, self.places = relations.ties, relations.places
        self.has_turns = len(self.lane.links) == 1 and self.lane.limits[0].in_flight == 1
        self.slots_of_others = {
            name: [
                max((each.slot_ns_max for each in self.batches if each.controller == other), default=0)
                for other in self.lane.links[0]
                if other != name
            ]
            for name in self.lane.links[0]
        }
        self.busy_ns: int | None = 0
        self.latest: list[int] = []
        self.instances: list[_Instance] = []
        self.spread_ns = 0
        self.begun_ns = [0] * len(self.batches)

    def _window(self, batch: Batch) -> Window:
        """All requests of a batch are asked for together."""
        return self.windows[batch.requests[-1]]

    def _latest_of(self, batch: Batch) -> int:
        latest_ns = self._window(batch).latest_ns
        assert latest_ns is not None
        return latest_ns

    def longest_busy_ns(self) -> int | None:
        """The longest busy period, with every request coming as early and as often as it may. It begins with the first
        that comes to an idle address, so that nothing blocks."""
        if sum(each.slot_ns / each.period_ns for each in self.batches) > 1:
            return None
        spreads = [self._latest_of(each) - self._window(each).earliest_ns for each in self.batches]
        busy_ns = sum(each.slot_ns for each in self.batches)
        longest_ns = 4 * max((each.period_ns for each in self.batches), default=0) + 2 * self.hyper_ns
        while busy_ns <= longest_ns:
            next_ns = sum(
                -(-(busy_ns + spread_ns) // each.period_ns) * each.slot_ns
                for each, spread_ns in zip(self.batches, spreads, strict=True)
            )
            if next_ns == busy_ns:
                return busy_ns
            busy_ns = next_ns
        return None

    def analyse(self) -> bool:
        """Set ``over_ns`` of every request. Returns whether one has changed."""
        has_latest = all(self._window(each).latest_ns is not None for each in self.batches)
        self.busy_ns = self.longest_busy_ns() if has_latest else None
        if self.busy_ns is None:
            if self.most_ns is not None:
                raise _LateError
            is_new = False
            for batch in self.batches:
                for at in batch.requests:
                    is_new = is_new or self.windows[at].over_ns is not None
                    self.windows[at].over_ns = self.windows[at].wait_ns = None
            return is_new
        if self.is_by_phase:
            self._spread_out()
        else:
            self._look_at_any_phase()
        has_changed = False
        for batch in self.batches:
            if batch.may_come:
                continue
            latest_ns = self._latest_of(batch)
            if self.is_by_phase:
                begun_ns = self._latest_begun_ns(batch, latest_ns)
            else:
                begun_ns = latest_ns + self._wait_in_any_phase_ns(batch) - batch.last_exchange_ns
            # Never back: what is known of one is used for the others at once.
            self.begun_ns[batch.index] = begun_ns = max(begun_ns, self.begun_ns[batch.index])
            has_changed = self._set_overs(batch, begun_ns) or has_changed
        return has_changed

    def _latest_begun_ns(self, batch: Batch, latest_ns: int) -> int:
        """Over all its releases of a hyperperiod, counted from the release."""
        most_ns = None if self.most_ns is None else self.most_ns[batch.requests[-1]] - batch.last_exchange_ns
        worst_ns = 0
        for release_ns in range(batch.offset_ns, batch.offset_ns + self.hyper_ns, batch.period_ns):
            begun_ns = self.begun(batch, release_ns, release_ns + latest_ns) - release_ns
            if begun_ns > worst_ns:
                if most_ns is not None and begun_ns > most_ns:
                    raise _LateError
                worst_ns = begun_ns
        return worst_ns

    def _set_overs(self, batch: Batch, begun_ns: int) -> bool:
        """From the latest instant at which the last of a batch begins: those before it begin a slot earlier each."""
        if self.most_ns is not None and begun_ns + batch.last_exchange_ns > self.most_ns[batch.requests[-1]]:
            raise _LateError
        has_changed = False
        for at in reversed(batch.requests):
            work = self.system.requests[at].work
            if at != batch.requests[-1]:
                begun_ns -= work.slot_ns
            window = self.windows[at]
            if window.over_ns is None or begun_ns + work.exchange_ns > window.over_ns:
                window.over_ns = begun_ns + work.exchange_ns
                has_changed = True
        return has_changed

    # What may be there.

    def _spread_out(self) -> None:
        """All instances that can matter for those of one hyperperiod, sorted by the latest instant they come."""
        assert self.busy_ns is not None
        spread_ns = max((self._latest_of(each) for each in self.batches), default=0)
        from_ns = -self.busy_ns - 2 * spread_ns
        to_ns = self.hyper_ns + spread_ns + self.busy_ns
        instances: list[_Instance] = []
        for batch in self.batches:
            latest_ns, earliest_ns = self._latest_of(batch), self._window(batch).earliest_ns
            first = batch.offset_ns + (from_ns - batch.offset_ns) // batch.period_ns * batch.period_ns
            instances += [
                (at_ns + latest_ns, at_ns + earliest_ns, at_ns, batch.index)
                for at_ns in range(first, to_ns + 1, batch.period_ns)
            ]
        instances.sort()
        self.instances = instances
        self.latest = [each[0] for each in instances]
        self.spread_ns = spread_ns

    def _near(self, asked_ns: int, span_ns: int) -> list[_Instance]:
        """What can have come since the busy period began in which something is asked for then."""
        assert self.busy_ns is not None
        first = bisect_left(self.latest, asked_ns - self.busy_ns)
        last = bisect_right(self.latest, asked_ns + span_ns + self.spread_ns + self.busy_ns)
        return self.instances[first:last]

    def begun(self, batch: Batch, release_ns: int, asked_ns: int, span_ns: int = 0) -> int:
        """The latest instant at which the last request of a batch is sent that is asked for then.

        With a span: in which nothing else comes, asked for at its first instant, and no wait is longer if it is asked
        for at a later one of it. (If it is asked for later, it is sent at most as much later, but for what overtakes it
        meanwhile.)
        """
        near = self._near(asked_ns, span_ns)
        if self.lane.is_plain:
            by_content_ns = self._begun_by_content(batch, release_ns, asked_ns, near, span_ns)
            return min(by_content_ns, self._begun_by_queue(batch, release_ns, asked_ns, near, span_ns))
        begun_ns = self._begun_in_any_order(batch, release_ns, asked_ns, near, span_ns)
        if self.has_turns:
            begun_ns = min(begun_ns, self._begun_by_queue(batch, release_ns, asked_ns, near, span_ns))
        return begun_ns

    def _free_again_ns(self, release_ns: int, other: Batch) -> int:
        """When its line may take another request after a batch, at the latest."""
        if other.may_come:
            return release_ns + other.period_ns + (self.busy_ns or 0)
        return release_ns + self.begun_ns[other.index] + max(other.last_slot_ns, other.last_exchange_ns)

    def _blockers(self, batch: Batch, release_ns: int, near: Sequence[_Instance]) -> list[tuple[int, int, int]]:
        """What goes behind it and may have begun: from when, until when, and the longest slot."""
        places, batches = self.places[batch.index], self.batches
        blockers = []
        for _, earliest_ns, other_release_ns, at in near:
            sign = (other_release_ns > release_ns) - (other_release_ns < release_ns)
            if places[at][sign] is Place.BLOCKS:
                other = batches[at]
                blockers.append((earliest_ns, self._free_again_ns(other_release_ns, other), other.slot_ns_max))
        return blockers

    # One controller, or several that take turns: the order is known.

    def _begun_by_queue(
        self, batch: Batch, release_ns: int, asked_ns: int, near: Sequence[_Instance], span_ns: int
    ) -> int:
        ties, places, batches = self.ties[batch.index], self.places[batch.index], self.batches
        before: list[_Coming] = []
        overtaking: list[tuple[int, _Coming]] = []
        for latest_ns, earliest_ns, other_release_ns, at in near:
            sign = (other_release_ns > release_ns) - (other_release_ns < release_ns)
            place = places[at][sign]
            if place is Place.ELSEWHERE or place is Place.BLOCKS:
                continue
            other, tie = batches[at], ties[at][sign]
            coming = (latest_ns, other.slot_ns, len(other.requests))
            if tie is Tie.BEFORE:
                before.append((self._latest_before(other, latest_ns, asked_ns), coming[1], coming[2]))
            elif tie is Tie.AFTER:
                overtaking.append((max(earliest_ns, asked_ns + 1), (max(latest_ns, asked_ns + 1), *coming[1:])))
            elif place is Place.OVERTAKES:
                overtaking.append((earliest_ns, coming))
            elif place is Place.SURELY_AHEAD or earliest_ns <= asked_ns:
                before.append(coming)
        blockers = self._blockers(batch, release_ns, near)
        others = self.slots_of_others[batch.controller]
        start = _Start(blockers, max(others, default=0), sum(others))
        own = (batch.before_last_ns, len(batch.requests) - 1)
        begun_ns = asked_ns
        while True:
            # What goes first overtakes it until it is sent.
            counted = before + [each for earliest_ns, each in overtaking if earliest_ns <= begun_ns + span_ns]
            counted.sort()
            next_ns = start(asked_ns, counted, own)
            if next_ns <= begun_ns or not overtaking:
                return max(begun_ns, next_ns)
            begun_ns = next_ns

    @staticmethod
    def _latest_before(other: Batch, latest_ns: int, asked_ns: int) -> int:
        """When an earlier step of the same chain came at the latest: it was answered when the next is asked for."""
        # Where there is a pace, a request takes its slot even when it is answered at once.
        return min(latest_ns, asked_ns if other.keeps_pace else asked_ns - other.last_exchange_ns)

    # One controller: what can be in its queues at an instant.

    def _begun_by_content(
        self, batch: Batch, release_ns: int, asked_ns: int, near: Sequence[_Instance], span_ns: int
    ) -> int:
        ties, places, batches = self.ties[batch.index], self.places[batch.index], self.batches
        rest_ns, here_ns = 0, batch.before_last_ns
        stages: dict[tuple[int, int], int] = {}
        """By chain and release, the slots of its longest stage."""
        overtaking: list[tuple[int, int]] = []
        for _, earliest_ns, other_release_ns, at in near:
            sign = (other_release_ns > release_ns) - (other_release_ns < release_ns)
            tie = ties[at][sign]
            if tie is Tie.NEVER:
                continue
            other = batches[at]
            if self._free_again_ns(other_release_ns, other) <= asked_ns:
                continue
            place = places[at][sign]
            if tie is not Tie.AFTER and earliest_ns <= asked_ns:
                # It may just have been answered, or, if it goes behind, have begun.
                rest_ns = max(rest_ns, other.rest_ns, other.slot_ns_max if place is Place.BLOCKS else 0)
            if tie is Tie.BEFORE or place is Place.ELSEWHERE or place is Place.BLOCKS:
                continue
            if place is Place.OVERTAKES:
                overtaking.append((asked_ns + 1 if tie is Tie.AFTER else earliest_ns, other.slot_ns))
            elif place is Place.SURELY_AHEAD or other.may_come:
                here_ns += other.slot_ns
            elif earliest_ns <= asked_ns:
                key = (other.chain, other_release_ns)
                stages[key] = max(stages.get(key, 0), other.slot_ns)
        begun_ns = fixed_ns = asked_ns + rest_ns + here_ns + sum(stages.values())
        while overtaking:
            next_ns = fixed_ns + sum(
                slot_ns for earliest_ns, slot_ns in overtaking if earliest_ns <= begun_ns + span_ns
            )
            if next_ns <= begun_ns:
                break
            begun_ns = next_ns
        return begun_ns

    # Any order.

    def _begun_in_any_order(
        self, batch: Batch, release_ns: int, asked_ns: int, near: Sequence[_Instance], span_ns: int
    ) -> int:
        """As if everything that may be there went before it: holds for whatever order, as long as the lane is never
        idle while something waits."""
        ties, batches = self.ties[batch.index], self.batches
        coming: list[tuple[int, _Coming]] = []
        for latest_ns, earliest_ns, other_release_ns, at in near:
            sign = (other_release_ns > release_ns) - (other_release_ns < release_ns)
            tie, other = ties[at][sign], batches[at]
            if tie is Tie.NEVER:
                continue
            # Pace and gap are those of its own connection.
            slot_ns = other.slot_ns if other.link == batch.link else other.exchange_ns
            if tie is Tie.BEFORE:
                latest_ns = self._latest_before(other, latest_ns, asked_ns)
                earliest_ns = min(earliest_ns, latest_ns)
            elif tie is Tie.AFTER:
                earliest_ns = max(earliest_ns, asked_ns + 1)
                latest_ns = max(latest_ns, earliest_ns)
            coming.append((earliest_ns, (latest_ns, slot_ns, 1)))
        start = _Start([], 0, 0)
        own = (batch.before_last_ns, 0)
        begun_ns = asked_ns
        while True:
            counted = sorted(each for earliest_ns, each in coming if earliest_ns <= begun_ns + span_ns)
            next_ns = start(asked_ns, counted, own)
            if next_ns <= begun_ns:
                return begun_ns
            begun_ns = next_ns

    # How long a request itself waits.

    def set_waits(self, delays: Sequence[int]) -> None:
        """Set ``wait_ns`` of every request, once all windows are known. It may wait for its connection, too."""
        for batch in self.batches:
            window = self._window(batch)
            if window.latest_ns is None or window.over_ns is None or batch.may_come or self.busy_ns is None:
                continue
            longest_ns = min(self.busy_ns, window.over_ns - window.earliest_ns)
            if not self.is_by_phase:
                longest_ns = min(longest_ns, self._wait_in_any_phase_ns(batch))
            else:
                waits = (
                    self._wait_ns(batch, window, release_ns)
                    for release_ns in range(batch.offset_ns, batch.offset_ns + self.hyper_ns, batch.period_ns)
                )
                longest_ns = min(longest_ns, max(waits) + batch.last_exchange_ns)
            begun_ns = longest_ns - batch.last_exchange_ns
            for at in reversed(batch.requests):
                work = self.system.requests[at].work
                if at != batch.requests[-1]:
                    begun_ns -= work.slot_ns
                over_ns, earliest_ns = self.windows[at].over_ns, self.windows[at].earliest_ns
                assert over_ns is not None
                self.windows[at].wait_ns = min(begun_ns + work.exchange_ns + delays[at], over_ns - earliest_ns)

    def _wait_ns(self, batch: Batch, window: Window, release_ns: int) -> int:
        """The longest until the last of a batch is sent, for one release."""
        assert window.latest_ns is not None
        first_ns, last_ns = release_ns + window.earliest_ns, release_ns + window.latest_ns
        near = self.instances[bisect_left(self.latest, first_ns) : bisect_right(self.latest, last_ns + self.spread_ns)]
        instants = sorted({first_ns, *(each[1] for each in near if first_ns < each[1] <= last_ns)})
        if len(instants) > INSTANTS_MAX:
            return window.latest_ns - window.earliest_ns + (self.busy_ns or 0)
        spans = zip(instants, [*instants[1:], last_ns], strict=True)
        return max(self.begun(batch, release_ns, from_ns, to_ns - from_ns) - from_ns for from_ns, to_ns in spans)

    # Phases that may be anything.

    def _look_at_any_phase(self) -> None:
        """The waits of all batches as if their releases had nothing to do with each other."""
        assert self.busy_ns is not None
        self.any_phase_ns: dict[int, int] = {each.index: self.busy_ns for each in self.batches}
        if not self.lane.is_plain:
            return
        levels: dict[tuple[int, bool], list[Batch]] = {}
        for batch in self.batches:
            levels.setdefault(batch.level, []).append(batch)
        before: list[Task] = []
        for level, batches in sorted(levels.items()):
            tasks = [self._as_task(each) for each in batches]
            # One of those behind may have begun, however many are asked for together.
            behind = [Task(each.slot_ns_max, each.period_ns) for each in self.batches if each.level > level]
            found = first_come(tasks, before=before, behind=behind)
            for batch, wait_ns in zip(batches, found, strict=True):
                if wait_ns is not None:
                    self.any_phase_ns[batch.index] = min(self.busy_ns, int(wait_ns))
            before += tasks

    def _as_task(self, batch: Batch) -> Task:
        window = self._window(batch)
        assert window.latest_ns is not None
        over_ns = batch.before_last_ns + batch.last_exchange_ns
        jitter_ns = window.latest_ns - window.earliest_ns
        return Task(over_ns, batch.period_ns, jitter=jitter_ns, rest=batch.slot_ns - over_ns)

    def _wait_in_any_phase_ns(self, batch: Batch) -> int:
        """From being asked for to the reply of the last of a batch."""
        return self.any_phase_ns[batch.index]


class _Start:
    """The latest start of what is asked for at an instant, over all instants since which its line may be busy."""

    def __init__(self, blockers: Sequence[tuple[int, int, int]], others_ns: int, turn_ns: int) -> None:
        # The longest first: the first that is there then is the one.
        self._blockers = sorted((each for each in blockers if each[2] > others_ns), key=lambda each: -each[2])
        self._longest_ns = self._blockers[0][2] if self._blockers else others_ns
        self._others_ns = others_ns
        self._turn_ns = turn_ns

    def _blocking(self, at_ns: int) -> int:
        for earliest_ns, over_ns, slot_ns in self._blockers:
            if earliest_ns <= at_ns < over_ns:
                return slot_ns
        return self._others_ns

    def __call__(self, asked_ns: int, before: Sequence[_Coming], own: tuple[int, int]) -> int:
        """``before`` is sorted; ``own`` are slots and number of what is asked for together with it and before it."""
        served_ns, count = own
        turn_ns = self._turn_ns
        index = len(before) - 1
        while index >= 0 and before[index][0] > asked_ns:
            served_ns += before[index][1]
            count += before[index][2]
            index -= 1
        worst_ns = asked_ns + self._blocking(asked_ns) + served_ns + (count + 1) * turn_ns
        while index >= 0:
            since_ns = before[index][0]
            while index >= 0 and before[index][0] == since_ns:
                served_ns += before[index][1]
                count += before[index][2]
                index -= 1
            start_ns = since_ns + served_ns + (count + 1) * turn_ns
            if start_ns + self._longest_ns > worst_ns:
                worst_ns = max(worst_ns, start_ns + self._blocking(since_ns))
        return worst_ns


def bounds_of(system: System, late_ns: int) -> Bounds:
    """The windows of all requests of a system. ``late_ns``: how late a release may be served."""
    windows, lanes, is_settled, opened = _settled(system, late_ns, None)
    if not is_settled:
        for window in windows:
            window.latest_ns = window.over_ns = window.wait_ns = None
    delays = delays_ns(system, opened)
    for lane in lanes:
        lane.set_waits(delays)
    return Bounds(
        tuple(windows), tuple(lane.busy_ns for lane in lanes), tuple(lane.is_by_phase for lane in lanes), opened
    )


def does_fit(system: System, late_ns: int, *, by_phase: bool = True) -> bool:
    """Whether every transfer is over within its period by the same bounds, without more of them than that takes.

    Without ``by_phase`` as if the releases could be at any instants, which is sooner known where it fits so too.
    """
    try:
        windows, lanes, is_settled, opened = _settled(system, late_ns, most_ns_of(system), by_phase)
    except _LateError:
        return False
    careful = [each for each in system.chains if each.reads_again and each.transfer is not None]
    if not is_settled or not careful:
        return is_settled
    delays = delays_ns(system, opened)
    for lane in lanes:
        lane.set_waits(delays)
    wholes_ns = [whole_ns(chain, windows, late_ns) for chain in careful]
    return all(
        each is not None and each < system.tasks[chain.task].period_ns
        for each, chain in zip(wholes_ns, careful, strict=True)
    )


_Settled = tuple[list[Window], list[_Lane], bool, frozenset[tuple[int, int]]]
"""Windows of all requests, the lanes, whether nothing moves any more, and the connections that are opened anew."""


def _settled(system: System, late_ns: int, most_ns: Sequence[int] | None, may_look: bool = True) -> _Settled:
    """As if every connection lasted, then without those of which that does not follow, until it does of all others."""
    opened = frozenset[tuple[int, int]]()
    while True:
        found = _settled_with(system, late_ns, most_ns, may_look, opened)
        more = opened | opened_by(system, found[0])
        if more == opened:
            return found
        opened = more


def _settled_with(
    system: System, late_ns: int, most_ns: Sequence[int] | None, may_look: bool, opened: frozenset[tuple[int, int]]
) -> _Settled:
    windows = [Window() for _ in system.requests]
    delays = delays_ns(system, opened)
    for at in system.may_come:
        windows[at].latest_ns = system.tasks[system.requests[at].task].period_ns + delays[at]
    lanes = [_Lane(system, index, windows, delays, most_ns, may_look) for index in range(len(system.lanes))]
    move_windows(system, windows, late_ns, delays)
    changed = set(range(len(lanes)))
    for _ in range(ROUNDS_MAX):
        unsettled = {index for index in changed if lanes[index].analyse()}
        changed = move_windows(system, windows, late_ns, delays) | unsettled
        if not changed:
            break
    return windows, lanes, not changed, opened
