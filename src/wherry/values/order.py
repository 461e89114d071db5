"""Orders of bytes on the wire, for values of two, four and eight bytes.

A is the most significant byte. ``ABCD`` is the big-endian form that Modbus itself uses inside a register (Application
Protocol V1.1b3, 4.2); the order of words is not defined by the standard. ``CDAB`` reverses the words, ``BADC`` the two
bytes of each word, ``DCBA`` both. Eight-byte values go alike: the words in reverse, the bytes of each word in reverse,
or both. All four are their own inverse.
"""

from __future__ import annotations

from wherry.values.types import Order


def reorder(data: bytes, order: Order) -> bytes:
    """From the given order to the big-endian one, or back. ``data`` is whole words."""
    assert len(data) % 2 == 0, len(data)
    if order is Order.ABCD:
        return data
    if order is Order.DCBA:
        return data[::-1]
    words = [data[at : at + 2] for at in range(0, len(data), 2)]
    if order is Order.CDAB:
        words.reverse()
        return b"".join(words)
    return b"".join(word[::-1] for word in words)
