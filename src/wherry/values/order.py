"""Orders of bytes on the wire, for values of two, four and eight bytes, and for text.

A is the most significant byte. ``ABCD`` is the big-endian form that Modbus itself uses inside a register (Application
Protocol V1.1b3, 4.2); the order of words is not defined by the standard. ``CDAB`` reverses the words, ``BADC`` the two
bytes of each word, ``DCBA`` both. Eight-byte values and text go alike, over the whole field: the words in reverse, the
bytes of each word in reverse, or both. Each of the four is its own inverse.
"""

from __future__ import annotations

from wherry.values.types import Order


def reverse_words(data: bytes) -> bytes:
    """The words in reverse, each as it is. ``data`` is whole words."""
    size = len(data)
    assert size % 2 == 0, size
    if size == 4:
        return data[2:] + data[:2]
    if size == 8:
        return data[6:] + data[4:6] + data[2:4] + data[:2]
    return b"".join([data[at : at + 2] for at in range(size - 2, -2, -2)])


def reorder(data: bytes, order: Order) -> bytes:
    """From the given order to the big-endian one, or back. ``data`` is whole words."""
    assert len(data) % 2 == 0, len(data)
    if order is Order.ABCD:
        return data
    if order is Order.DCBA:
        return data[::-1]
    if order is Order.CDAB:
        return reverse_words(data)
    return reverse_words(data)[::-1]
