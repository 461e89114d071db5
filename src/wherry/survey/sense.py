"""Whether a map and a behaviour explain everything that was read: a check that costs no request."""

from __future__ import annotations

from wherry.survey.items import Holes, Items, State
from wherry.survey.quantity import Limit

TOLD_MAX = 3


def unexplained(items: Items, holes: Holes | None, limit: Limit) -> list[str]:
    """Reads that gave data or were refused where the map says otherwise, in words; only those within the limit."""
    found: list[str] = []
    for (start, count), answer in items.known.items():
        if count > limit.count:
            continue
        expected = expects(items, holes, start, count)
        if expected is not None and expected != answer.is_data:
            found.append(f"{count} from {items.table} {start} on {'gave data' if answer.is_data else answer.refusal}")
    return found[:TOLD_MAX]


def expects(items: Items, holes: Holes | None, start: int, count: int) -> bool | None:
    """Whether this read should give data; None where the map does not say."""
    states = [items.state.get(at, State.UNKNOWN) for at in range(start, start + count)]
    match holes:
        case Holes.START_ONLY:
            return start in items.starts
        case Holes.ALL:
            return State.UNKNOWN not in states and any(state is not State.ABSENT for state in states)
        case Holes.ANY | Holes.UNSPLITTABLE:
            if State.ABSENT in states:
                return False
            if State.UNKNOWN in states:
                return None
            return not (_is_inside(items, start) or _is_inside(items, start + count))
        case _:
            return True


def _is_inside(items: Items, edge: int) -> bool:
    """Whether an edge of a read lies inside a value that cannot be split."""
    return any(at < edge < at + items.wholes.get(at, 1) for at in range(edge - 3, edge))
