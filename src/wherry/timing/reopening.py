"""How often connections that do not last are opened anew, and what waits for that.

A connection on which requests surely come often enough is never closed. How often they come follows from their bounds,
which hold as long as it is not closed: so by induction it never is.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import pairwise
from typing import TYPE_CHECKING

from wherry.clock import NS_PER_S
from wherry.timing.system import Asked, Chain, Stage, System

if TYPE_CHECKING:
    from wherry.timing.windows import Window


def opened_by(system: System, windows: Sequence[Window]) -> frozenset[tuple[int, int]]:
    """The connections (lane and link) that may be closed, by how often ``windows`` say that something is asked."""
    return frozenset(
        (lane, link)
        for lane, openings in enumerate(system.openings)
        for link, opening in enumerate(openings)
        if opening is not None and not _is_kept(system, lane, link, windows)
    )


def _is_kept(system: System, lane: int, link: int, windows: Sequence[Window]) -> bool:
    """Whether a connection is used so often that it is never closed."""
    opening = system.openings[lane][link]
    assert opening is not None
    chains = {at: chain for chain in system.chains for at in _requests_of(chain)}
    for each in system.requests:
        if each.lane != lane or system.lanes[lane].link_of(each.controller) != link or not _is_sure(each, chains):
            continue
        window = windows[each.index]
        if window.latest_ns is None:
            continue
        if system.tasks[each.task].period_ns + window.latest_ns - window.earliest_ns < opening.unused_ns:
            return True
    return False


def _is_sure(asked: Asked, chains: Mapping[int, Chain]) -> bool:
    """Whether it is asked in each period, whatever the values are."""
    chain = chains.get(asked.index)
    if asked.is_rare or chain is None or chain.transfer is None:
        return False
    is_on_change = any(each.is_on_change for each in chain.transfer.values)
    return not asked.is_write or not is_on_change or asked.index == chain.told


def _requests_of(chain: Chain) -> list[int]:
    """All that a chain asks."""
    return [at for stage in chain.stages for at in stage.requests] + ([] if chain.told is None else [chain.told])


def delays_ns(system: System, opened: frozenset[tuple[int, int]]) -> list[int]:
    """By request, how long it may wait for a connection, where these (lane and link) do not last."""
    delays = [0] * len(system.requests)
    if not opened:
        return delays
    places = [(each.lane, system.lanes[each.lane].link_of(each.controller)) for each in system.requests]
    by_others = {place: _by_others_ns(system, *place, opened) for place in set(places)}
    for at, place in enumerate(places):
        delays[at] = by_others[place] + wait_ns(system, *place, opened)
    for chain in system.chains:
        stages = [*chain.stages] if chain.told is None else [*chain.stages, Stage((chain.told,))]
        for before, stage in pairwise(stages):
            for at in stage.requests:
                opening = system.openings[places[at][0]][places[at][1]]
                is_same = {places[each] for each in before.requests} == {places[at]}
                if opening is not None and is_same and max(stage.pause_ns, stage.after_ns) < opening.unused_ns:
                    # Right after another one on the same connection, it finds it open.
                    delays[at] = by_others[places[at]]
    return delays


def wait_ns(system: System, lane: int, link: int, opened: frozenset[tuple[int, int]]) -> int:
    """How long a request may wait for its connection."""
    opening = system.openings[lane][link]
    return opening.wait_ns if opening is not None and (lane, link) in opened else 0


def _by_others_ns(system: System, lane: int, link: int, opened: frozenset[tuple[int, int]]) -> int:
    """And for what is asked on the other connections of its address when they are opened."""
    others = [each for at, each in enumerate(system.openings[lane]) if at != link and (lane, at) in opened]
    # Twice: one of them may be closed and opened again meanwhile.
    return 2 * sum(each.asking_ns for each in others if each is not None)


def openings_per_s(system: System, lane: int, link: int, windows: Sequence[Window]) -> float:
    """How often a connection that does not last is opened anew, or something is read to keep it, at the most."""
    opening = system.openings[lane][link]
    assert opening is not None
    most_per_s = NS_PER_S / opening.unused_ns
    if not opening.is_closed:
        return most_per_s
    asked: dict[int, list[int]] = {}
    for each in system.requests:
        if each.lane == lane and system.lanes[lane].link_of(each.controller) == link and not each.is_rare:
            asked.setdefault(each.task, []).append(each.index)
    per_s = 0.0
    for task, requests in asked.items():
        overs = [windows[at].over_ns for at in requests]
        # Within a period once, if nothing of it comes so late that it has been closed again.
        is_once = all(each is not None and each < opening.unused_ns for each in overs)
        per_s += NS_PER_S / system.tasks[task].period_ns * (1 if is_once else len(requests))
    return min(most_per_s, per_s)
