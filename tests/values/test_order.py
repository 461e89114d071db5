"""Orders of bytes: letters show what goes where."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wherry.values.order import reorder, reverse_words
from wherry.values.types import Order

FORMS = {
    Order.ABCD: {2: "AB", 4: "ABCD", 8: "ABCDEFGH", 6: "ABCDEF"},
    Order.CDAB: {2: "AB", 4: "CDAB", 8: "GHEFCDAB", 6: "EFCDAB"},
    Order.BADC: {2: "BA", 4: "BADC", 8: "BADCFEHG", 6: "BADCFE"},
    Order.DCBA: {2: "BA", 4: "DCBA", 8: "HGFEDCBA", 6: "FEDCBA"},
}


@pytest.mark.parametrize("order", Order)
@pytest.mark.parametrize("size", [2, 4, 6, 8])
def test_letters(order: Order, size: int) -> None:
    assert reorder(b"ABCDEFGH"[:size], order).decode() == FORMS[order][size]


@given(words=st.integers(0, 12), order=st.sampled_from(Order), data=st.data())
def test_each_order_is_its_own_inverse(words: int, order: Order, data: st.DataObject) -> None:
    content = data.draw(st.binary(min_size=2 * words, max_size=2 * words))
    assert reorder(reorder(content, order), order) == content


def test_half_a_word_is_our_own_mistake() -> None:
    for order in Order:
        with pytest.raises(AssertionError):
            reorder(b"ABC", order)
    with pytest.raises(AssertionError):
        reverse_words(b"A")
