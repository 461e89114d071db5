"""Lengths of answers that the tap must find out from the answer itself."""

from __future__ import annotations

from wherry.protocol.identification import Identity, identify
from wherry.rehearse.tap import identification_bytes


def test_the_length_of_an_identification_is_known_once_enough_of_it_has_come() -> None:
    whole = identify(Identity({0: b"Hatch Works", 1: b"RS-4", 2: b""}), b"\x2b\x0e\x01\x00")
    assert isinstance(whole, bytes)
    for size in range(1, len(whole)):
        assert identification_bytes(whole[:size]) > size
    assert identification_bytes(whole) == identification_bytes(whole + b"\x00\x00") == len(whole)
