"""Response-time analysis of independent requests on one resource, with phases that may be anything.

These are the published analyses, for whole numbers or fractions of any unit. ``tick`` is the smallest difference
between two instants; None stands for continuous time. The bounds of a plan (``bounds``) know more (chains, offsets) and
are never larger; these here stand in where a hyperperiod is too long, and tell what another order would be worth.

* Fixed priority without preemption, with the first instance not always the worst: Davis, Burns, Bril, Lukkien,
  "Controller Area Network (CAN) schedulability analysis: refuted, revisited and revised", Real-Time Systems 35, 2007.
* Fixed priority with preemption, jitter and deadlines beyond the period: Lehoczky 1990; Audsley, Burns, Richardson,
  Tindell, Wellings, Software Engineering Journal 1993.
* First in, first out, and earliest deadline first without preemption: Bozhko and Brandenburg, ECRTS 2020.
* The exact condition for earliest deadline first without preemption: Jeffay, Stanat, Martel, RTSS 1991.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from math import floor

Number = int | Fraction
"""Instants and durations, all in one unit."""

STEPS_MAX = 100_000


@dataclass(frozen=True, slots=True)
class Task:
    """One request that comes again and again. ``deadline`` None: its period.

    ``rest``: how long the resource takes no other after it. ``blocking``: a wait that has other reasons.
    """

    cost: Number
    period: Number
    deadline: Number | None = None
    jitter: Number = 0
    rest: Number = 0
    blocking: Number = 0

    @property
    def slot(self) -> Number:
        """How long the resource is taken."""
        return self.cost + self.rest

    @property
    def relative_deadline(self) -> Number:
        """Counted from its coming."""
        return self.period if self.deadline is None else self.deadline


@dataclass(frozen=True, slots=True)
class Errors:
    """So many failed attempts may come in between, each of which costs ``cost`` and the longest of what is repeated."""

    count: int
    cost: Number


def utilisation(tasks: Iterable[Task]) -> Fraction:
    """The part of its time that the resource is taken."""
    return sum((Fraction(each.slot) / Fraction(each.period) for each in tasks), Fraction(0))


def _is_overload(tasks: Sequence[Task]) -> bool:
    about = sum(float(each.slot) / float(each.period) for each in tasks)
    return about > 1 if abs(about - 1) > 1e-9 else utilisation(tasks) > 1


def _arrivals(task: Task, within: Number) -> int:
    """How often it may come in a half-open span of this length."""
    return max(0, -(-(within + task.jitter) // task.period))


def _arrivals_up_to(task: Task, span: Number, tick: Number | None) -> int:
    """How often it may come in a span with both ends."""
    if tick is not None:
        return _arrivals(task, span + tick)
    return (span + task.jitter) // task.period + 1


def _fixpoint(begin: Number, step: Callable[[Number], Number], longest: Number) -> Number | None:
    value = begin
    for _ in range(STEPS_MAX):
        following = step(value)
        if following == value:
            return value
        if following > longest:
            return None
        value = following
    return None


def _longest(tasks: Sequence[Task]) -> Number:
    """More than any busy period that ends: beyond this it is taken not to."""
    return 1000 * max(each.period for each in tasks)


def fixed_priority(
    tasks: Sequence[Task], *, tick: Number | None = None, errors: Errors | None = None
) -> list[Number | None]:
    """Without preemption; the first task goes first. The longest from coming (jitter included) to the end, by task;
    None where it has no bound."""
    return [_fixed_priority(tasks, index, tick, errors) for index in range(len(tasks))]


def _fixed_priority(tasks: Sequence[Task], index: int, tick: Number | None, errors: Errors | None) -> Number | None:
    task, higher, lower = tasks[index], tasks[:index], tasks[index + 1 :]
    if utilisation(tasks[: index + 1]) > 1:
        return None
    blocking = max((each.slot - (tick or 0) for each in lower), default=0) + task.blocking
    if errors is not None:
        blocking += errors.count * (errors.cost + max(each.cost for each in tasks[: index + 1]))
    longest = _longest(tasks)

    def busy_step(span: Number) -> Number:
        return blocking + _sum(_arrivals(each, span) * each.slot for each in tasks[: index + 1])

    busy = _fixpoint(blocking + task.slot, busy_step, longest)
    if busy is None:
        return None
    worst: Number = 0
    for instance in range(max(1, _arrivals(task, busy))):
        before = blocking + instance * task.slot

        def wait_step(wait: Number, before: Number = before) -> Number:
            return before + _sum(_arrivals_up_to(each, wait, tick) * each.slot for each in higher)

        wait = _fixpoint(before, wait_step, longest)
        if wait is None:
            return None
        worst = max(worst, task.jitter + wait - instance * task.period + task.cost)
    return worst


def preemptive(tasks: Sequence[Task]) -> list[Number | None]:
    """With preemption; the first task goes first. Its own jitter is not counted to a task's response."""
    return [_preemptive(tasks, index) for index in range(len(tasks))]


def _preemptive(tasks: Sequence[Task], index: int) -> Number | None:
    task, higher = tasks[index], tasks[:index]
    if utilisation(tasks[: index + 1]) > 1:
        return None
    longest = _longest(tasks)
    worst: Number = 0
    instance = 0
    while True:
        own = task.blocking + (instance + 1) * task.cost

        def step(end: Number, own: Number = own) -> Number:
            return own + _sum(_arrivals(each, end) * each.cost for each in higher)

        end = _fixpoint(own, step, longest)
        if end is None:
            return None
        worst = max(worst, end - instance * task.period)
        instance += 1
        if end <= instance * task.period - task.jitter:
            return worst


def first_come(
    tasks: Sequence[Task],
    *,
    before: Sequence[Task] = (),
    behind: Sequence[Task] = (),
    tick: Number | None = None,
) -> list[Number | None]:
    """First in, first out, without preemption. Those of ``before`` go before all of them as long as they have not
    begun, and one of ``behind`` may have begun when they come. The longest from coming (after the jitter) to the end.
    """
    every = [*before, *tasks]
    if not tasks:
        return []
    blocking = max((each.slot - (tick or 0) for each in behind), default=0)
    busy = None
    if not _is_overload(every):
        begin = blocking + _sum(each.slot for each in every)
        busy = _fixpoint(begin, lambda span: blocking + _work(every, span), _longest(every))
    if busy is None:
        return [None for _ in tasks]
    worst: dict[tuple[Number, Number], Number] = {(each.slot, each.cost): 0 for each in tasks}
    for instant in _instants_of_coming(tasks, busy):
        ahead = blocking + _sum(_arrivals_up_to(each, instant, tick) * each.slot for each in tasks)
        # What begins last of all that has come: each of them may be it, and waits for the rest.
        for slot, cost in worst:
            begun = _begun_behind(before, ahead - slot, tick, 2 * busy)
            if begun is None:
                return [None for _ in tasks]
            worst[slot, cost] = max(worst[slot, cost], begun + cost - instant)
    return [worst[each.slot, each.cost] for each in tasks]


def _instants_of_coming(tasks: Sequence[Task], busy: Number) -> list[Number]:
    """Just when one more may have come, within a busy period."""
    instants: set[Number] = {0}
    for each in tasks:
        number = 0
        while number * each.period - each.jitter < busy:
            instants.add(max(0, number * each.period - each.jitter))
            number += 1
    return sorted(instants)


def _begun_behind(before: Sequence[Task], ahead: Number, tick: Number | None, longest: Number) -> Number | None:
    """When something begins that waits for ``ahead``, and for all of ``before`` that comes until then."""
    if not before:
        return ahead
    return _fixpoint(
        ahead, lambda begun: ahead + _sum(_arrivals_up_to(each, begun, tick) * each.slot for each in before), longest
    )


def _sum(numbers: Iterable[Number]) -> Number:
    total: Number = 0
    for each in numbers:
        total = total + each
    return total


def _work(tasks: Iterable[Task], span: Number) -> Number:
    return _sum(_arrivals(each, span) * each.slot for each in tasks)


def earliest_deadline(tasks: Sequence[Task], tick: Number = 1) -> list[Number | None]:
    """Earliest deadline first without preemption, in discrete time, without jitter."""
    if utilisation(tasks) > 1:
        return [None for _ in tasks]
    busy = _fixpoint(_sum(each.slot for each in tasks), lambda span: _work(tasks, span), _longest(tasks))
    if busy is None:
        return [None for _ in tasks]
    return [_earliest_deadline(tasks, task, busy, tick) for task in tasks]


def _earliest_deadline(tasks: Sequence[Task], task: Task, busy: Number, tick: Number) -> Number | None:
    deadline = task.relative_deadline
    others = [each for each in tasks if each is not task]
    instants: set[Number] = {0}
    for each in tasks:
        # Where more of one of them has an earlier deadline, and where one of them blocks no more.
        instant: Number = each.relative_deadline - deadline
        while instant < busy:
            instants.add(instant)
            instant = instant + each.period
    worst: Number = 0
    for instant in sorted(each for each in instants if 0 <= each < busy):
        blocking = max((each.slot - tick for each in others if each.relative_deadline > deadline + instant), default=0)
        own = blocking + _arrivals(task, instant + tick) * task.slot - (task.cost - tick) - task.rest

        def step(end: Number, instant: Number = instant, own: Number = own) -> Number:
            return own + _sum(
                _arrivals(each, min(instant + tick + deadline - each.relative_deadline, end)) * each.slot
                for each in others
                if instant + tick + deadline - each.relative_deadline > 0
            )

        end = _fixpoint(own, step, _longest(tasks))
        if end is None:
            return None
        worst = max(worst, max(end - instant, tick) + task.cost - tick)
    return worst


def jeffay_violations(tasks: Sequence[Task], step: Fraction) -> list[tuple[int, Fraction, Fraction]]:
    """Where earliest deadline first without preemption can fail for sporadic tasks with deadlines at their periods:
    task (by rising period), span, and the time that is wanted in it. Spans are tried in steps of ``step``."""
    ordered = sorted(tasks, key=lambda each: each.period)
    found = []
    for index in range(1, len(ordered)):
        span = Fraction(ordered[0].period) + step
        while span < ordered[index].period:
            wanted = Fraction(ordered[index].cost) + _sum(
                floor((span - step) / Fraction(each.period)) * each.cost for each in ordered[:index]
            )
            if wanted > span:
                found.append((index, span, wanted))
            span += step
    return found
