"""How likely each way that is left is: a stated prior, divided by the chance of such a match by accident.

If one way is the true one, all other matches are accidents; so a way weighs its prior divided by how often matches of
its form and scale come about by accident here. Ranking never decides anything.

The priors (common practice, no source): how often devices keep a number in a type, in an order, on a scale (scales.py),
and that a document's address is right, or wrong by one.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt

from wherry.fit.bounds import number_bounds, within
from wherry.fit.chance import Chance
from wherry.fit.facts import Quantity
from wherry.fit.forms import Family, Form
from wherry.fit.registers import Registers
from wherry.fit.search import Field, Group, scales_of
from wherry.values.types import Order

Floats = npt.NDArray[np.float64]

TYPE_WEIGHT: Final = {
    "int16": 0.22, "uint16": 0.22, "float32": 0.24, "int32": 0.09, "uint32": 0.11, "bcd16": 0.015, "bcd32": 0.01,
    "int64": 0.02, "uint64": 0.02, "float64": 0.03,
}  # fmt: skip
MODULO_WEIGHT: Final = 0.005
ORDER_WEIGHT: Final = {Order.ABCD: 0.55, Order.CDAB: 0.33, Order.BADC: 0.04, Order.DCBA: 0.08}
GUESS_RIGHT: Final = 0.6
GUESS_OFF_BY_ONE: Final = 0.15
"""To either side. The rest is spread over all other addresses."""
CUT_NOT_ROUNDED: Final = 0.2
"""The weight of a way that fits only if the display cuts digits off: few displays do."""
NONE_WEIGHT: Final = 0.05
"""That the quantity is kept in none of the ways that were searched."""


def form_weight(form: Form) -> float:
    """The prior of a form. With one word, an order of words says nothing, and those alike count together."""
    kind = MODULO_WEIGHT if form.family is Family.MODULO else TYPE_WEIGHT[form.name]
    return kind * sum(ORDER_WEIGHT[order] for order in form.orders_alike)


def group_weights(field: Field, quantity: Quantity, group: Group, chance: Chance) -> Floats:
    """The weight of each address of a group, against each other and against those of other groups."""
    registers = field.tables[group.table]
    weight = form_weight(group.form)
    if group.scale is not None:
        index = scales_of(quantity, group.form).index(group.scale)
        weight *= group.scale.weight
        if chance.total is not None:
            weight /= chance.of(group.table, group.form, index)
    result = np.full(len(group.addresses), weight) * _address_weights(quantity, group, registers.size)
    if group.scale is not None:
        result *= _rounding_weights(registers, quantity, group)
    return result


def _address_weights(quantity: Quantity, group: Group, size: int) -> Floats:
    if quantity.guess is None:
        return np.ones(len(group.addresses))
    rest = (1 - GUESS_RIGHT - 2 * GUESS_OFF_BY_ONE) / max(1, size)
    result = np.full(len(group.addresses), rest)
    if quantity.guess[0] is group.table:
        away = np.abs(group.addresses - quantity.guess[1])
        result[away == 0] = GUESS_RIGHT
        result[away == 1] = GUESS_OFF_BY_ONE
    return result


def _rounding_weights(registers: Registers, quantity: Quantity, group: Group) -> Floats:
    assert group.scale is not None
    rounded = np.ones(len(group.addresses), dtype=np.bool_)
    for reading, seen in quantity.shows.items():
        values, valid, whole = registers.numbers(group.form, reading, group.addresses)
        rounded &= (valid & within(values, number_bounds(group.form, seen.rounded, group.scale))) | ~whole
    return np.where(rounded, 1.0, CUT_NOT_ROUNDED)
