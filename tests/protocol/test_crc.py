"""CRC-16: the standard's worked example, real frames, and printed frames that are known to be wrong."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wherry.protocol.crc import crc16, has_good_crc, with_crc

VECTORS: dict[str, Any] = json.loads((Path(__file__).parents[1] / "vectors" / "crc.json").read_text())


@pytest.mark.parametrize("vector", VECTORS["registers"], ids=lambda vector: vector["message_hex"])
def test_register_of_known_messages(vector: dict[str, str]) -> None:
    assert crc16(bytes.fromhex(vector["message_hex"])) == int(vector["register_hex"], 16)


def test_low_byte_is_sent_first() -> None:
    """Serial Line V1.02, figure 30: register 1241h goes as 41h, 12h."""
    assert with_crc(bytes.fromhex("0207")) == bytes.fromhex("02074112")


@pytest.mark.parametrize("vector", VECTORS["good_frames"], ids=lambda vector: vector["frame_hex"])
def test_good_frames(vector: dict[str, str]) -> None:
    assert has_good_crc(bytes.fromhex(vector["frame_hex"]))


@pytest.mark.parametrize("vector", VECTORS["bad_frames"], ids=lambda vector: vector["frame_hex"])
def test_bad_frames_and_what_would_be_right(vector: dict[str, str]) -> None:
    frame = bytes.fromhex(vector["frame_hex"])
    assert not has_good_crc(frame)
    assert crc16(frame[:-2]) == int(vector["right_register_hex"], 16)
    assert has_good_crc(with_crc(frame[:-2]))


def bit_by_bit(data: bytes) -> int:
    """The standard's own procedure (Serial Line V1.02, page 39), without a table."""
    register = 0xFFFF
    for byte in data:
        register ^= byte
        for _ in range(8):
            carry = register & 1
            register >>= 1
            if carry:
                register ^= 0xA001
    return register


@given(st.binary(max_size=300))
@settings(deadline=None, max_examples=100)
def test_same_as_bit_by_bit(data: bytes) -> None:
    assert crc16(data) == bit_by_bit(data)


@given(st.binary(min_size=2, max_size=60), st.integers(0), st.integers(1, 255))
@settings(deadline=None, max_examples=100)
def test_one_changed_byte_is_always_seen(data: bytes, place: int, change: int) -> None:
    frame = bytearray(with_crc(data))
    frame[place % len(frame)] ^= change
    assert not has_good_crc(frame)


@given(st.binary(max_size=40), st.binary(max_size=40))
@settings(deadline=None, max_examples=50)
def test_goes_on_from_a_register(first: bytes, second: bytes) -> None:
    assert crc16(second, crc16(first)) == crc16(first + second)
