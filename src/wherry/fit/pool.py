"""What the points of one device have in common.

Declared to be shared, it eliminates: a way of one quantity stays only if every other quantity has one that goes with
it. Not declared, it ranks: points of one device are mostly kept alike, but one device may well mix orders.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from itertools import product
from typing import Any, Final

import numpy as np

from wherry.fit.facts import Quantity, Shared
from wherry.fit.forms import Flags, Form
from wherry.fit.rank import Floats
from wherry.fit.registers import Addresses
from wherry.fit.scales import Ratio
from wherry.fit.search import Group
from wherry.plan.model import Table

UNLIKE: Final = 0.1
"""How much of a quantity's weight speaks of nobody but itself: not all points of a device are alike (a choice of
ours)."""

Option = tuple[Any, ...]
"""What a way means for all that is shared, but the offset."""

Possible = dict[Option, set[int] | None]
"""By option, the offsets it is possible with; None: all of them."""


def options(table: Table, form: Form, scale: Ratio | None, shared: Collection[Shared]) -> set[Option]:
    """All that a form on a scale may mean for what is shared."""
    parts: list[Sequence[Any]] = []
    if Shared.ORDER in shared:
        parts.append(form.orders_alike)
    if Shared.TABLE in shared:
        parts.append((table,))
    if Shared.TYPE in shared:
        parts.append((form.name,))
    if Shared.SCALE in shared:
        parts.append((None if scale is None else scale.line,))
    return set(product(*parts))


def _possible(quantity: Quantity, groups: Iterable[Group], shared: Collection[Shared]) -> Possible:
    """What one quantity leaves possible. One whose place no document names says nothing about offsets."""
    result: Possible = {}
    for group in groups:
        offsets = _offsets(quantity, group)
        for option in options(group.table, group.form, group.scale, shared):
            if Shared.OFFSET not in shared or quantity.guess is None:
                result[option] = None
            else:
                held = result.setdefault(option, set())
                assert held is not None, option
                held.update(offsets.tolist())
    return result


def _offsets(quantity: Quantity, group: Group) -> Addresses:
    """By address, how far it is from where the document has it."""
    return group.addresses - (quantity.guess[1] if quantity.guess is not None else 0)


def _both(first: Possible, second: Possible) -> Possible:
    result: Possible = {}
    for option in first.keys() & second.keys():
        one, other = first[option], second[option]
        offsets = other if one is None else one if other is None else one & other
        if offsets is None or offsets:
            result[option] = offsets
    return result


def in_common(
    quantities: Sequence[Quantity], found: Sequence[list[Group]], shared: Collection[Shared]
) -> Possible | None:
    """What all quantities may share; None if nothing is declared. A quantity that fits nowhere has no say."""
    if not shared:
        return None
    common: Possible | None = None
    for quantity, groups in zip(quantities, found, strict=True):
        if groups:
            mine = _possible(quantity, groups, shared)
            common = mine if common is None else _both(common, mine)
    return common


def kept(quantity: Quantity, groups: Iterable[Group], shared: Collection[Shared], common: Possible) -> Iterator[Group]:
    """What is left of one quantity if it shares what all have in common."""
    for group in groups:
        allowed = [
            common[option] for option in options(group.table, group.form, group.scale, shared) if option in common
        ]
        if not allowed:
            continue
        if quantity.guess is None or any(each is None for each in allowed):
            yield group
            continue
        possible = sorted({offset for each in allowed if each is not None for offset in each})
        keep: Flags = np.isin(_offsets(quantity, group), possible)
        if keep.any():
            yield group.kept(keep)


def weigh_together(
    quantities: Sequence[Quantity], found: Sequence[list[Group]], weights: Sequence[list[Floats]]
) -> list[list[Floats]]:
    """The weights again, each multiplied by how well its order, table, type and offset go with the other quantities."""
    if len(quantities) < 2:
        return [list(each) for each in weights]
    result = [[each.copy() for each in mine] for mine in weights]
    for keys in (_order_keys, _table_keys, _type_keys):
        shares = [_shares(groups, mine, keys) for groups, mine in zip(found, weights, strict=True)]
        known = sorted({key for share in shares for key in share})
        for index, groups in enumerate(found):
            others = [share for at, share in enumerate(shares) if at != index and share]
            pooled = {key: _product(share.get(key, 0.0) for share in others) for key in known}
            for group, mine in zip(groups, result[index], strict=True):
                mine *= max(pooled[key] for key in keys(group))
    return result


def _product(shares: Iterable[float]) -> float:
    result = 1.0
    for share in shares:
        result *= (1 - UNLIKE) * share + UNLIKE
    return result


def _shares(
    groups: Sequence[Group], weights: Sequence[Floats], keys: Callable[[Group], tuple[str, ...]]
) -> dict[str, float]:
    """How a quantity's weight is spread; what fits several keys counts for each."""
    total = sum(float(each.sum()) for each in weights)
    result: dict[str, float] = {}
    for group, mine in zip(groups, weights, strict=True):
        for key in keys(group):
            result[key] = result.get(key, 0.0) + float(mine.sum()) / (total or 1.0)
    return result


def _order_keys(group: Group) -> tuple[str, ...]:
    return group.form.orders_alike


def _table_keys(group: Group) -> tuple[str, ...]:
    return (group.table,)


def _type_keys(group: Group) -> tuple[str, ...]:
    return (group.form.name,)
