"""The store in memory, against lists of single items."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wherry.errors import LocalError
from wherry.protocol.functions import Table
from wherry.protocol.message import pack_bits, pack_registers, unpack_bits, unpack_registers
from wherry.protocol.store import MemoryStore

SIZE = 60
runs = st.tuples(st.integers(0, SIZE - 1), st.integers(1, SIZE)).map(lambda run: (run[0], min(run[1], SIZE - run[0])))


@given(st.lists(st.tuples(runs, st.lists(st.booleans(), min_size=SIZE, max_size=SIZE)), max_size=8), runs)
@settings(deadline=None, max_examples=150)
def test_bits(writes: list[tuple[tuple[int, int], list[bool]]], read: tuple[int, int]) -> None:
    store = MemoryStore({Table.COIL: [(3, SIZE)]})
    model = [False] * SIZE
    for (start, count), bits in writes:
        model[start : start + count] = bits[:count]
        store.write_bits(Table.COIL, 3 + start, count, pack_bits(bits[:count]))
    start, count = read
    assert unpack_bits(store.read_bits(Table.COIL, 3 + start, count), count) == tuple(model[start : start + count])
    assert store.read_bits(Table.COIL, 3 + start, count) == pack_bits(model[start : start + count])


@given(st.lists(st.tuples(runs, st.integers(0, 65535)), max_size=8), runs)
@settings(deadline=None, max_examples=100)
def test_registers(writes: list[tuple[tuple[int, int], int]], read: tuple[int, int]) -> None:
    store = MemoryStore({Table.HOLDING: [(100, SIZE)]})
    model = [0] * SIZE
    for (start, count), value in writes:
        model[start : start + count] = [value] * count
        store.write_registers(Table.HOLDING, 100 + start, pack_registers([value] * count))
    start, count = read
    found = store.read_registers(Table.HOLDING, 100 + start, count)
    assert unpack_registers(found) == tuple(model[start : start + count])


@given(st.lists(runs, max_size=6), st.lists(runs, max_size=6), runs)
@settings(deadline=None, max_examples=300)
def test_what_exists(spans: list[tuple[int, int]], holes: list[tuple[int, int]], asked: tuple[int, int]) -> None:
    store = MemoryStore({Table.INPUT: spans}, {Table.INPUT: holes})
    items = {each for start, count in spans for each in range(start, start + count)}
    items -= {each for start, count in holes for each in range(start, start + count)}
    exists = set(range(asked[0], sum(asked))) <= items
    assert (store.refusal(Table.INPUT, *asked, is_write=False) == 0) == exists
    assert store.refusal(Table.COIL, *asked, is_write=False) == 2, "a table that is not named is empty"


def test_the_whole_of_every_table() -> None:
    store = MemoryStore()
    for table in Table:
        assert store.refusal(table, 0, 65536, is_write=False) == 0
    store.write_registers(Table.HOLDING, 65535, b"\x12\x34")
    assert store.read_registers(Table.HOLDING, 65534, 2) == b"\x00\x00\x12\x34"
    assert store.read_registers(Table.INPUT, 65535, 1) == b"\x00\x00", "the tables do not overlay"


def test_what_cannot_be() -> None:
    store = MemoryStore({Table.HOLDING: [(10, 5)], Table.COIL: [(10, 5)]})
    with pytest.raises(LocalError, match="holding 14"):
        store.read_registers(Table.HOLDING, 14, 2)
    with pytest.raises(LocalError, match="3 bytes"):
        store.write_registers(Table.HOLDING, 10, bytes(3))
    with pytest.raises(LocalError, match="coil 9"):
        store.read_bits(Table.COIL, 9, 1)
    with pytest.raises(LocalError, match="2 bytes for 3 bits"):
        store.write_bits(Table.COIL, 10, 3, bytes(2))
    for run in ((0, 0), (-1, 2), (65535, 2)):
        with pytest.raises(LocalError, match="items from address"):
            MemoryStore({Table.COIL: [run]})
