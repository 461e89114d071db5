"""The guard lets nothing through that the plan does not declare, whatever built the frame."""

from __future__ import annotations

import random
import struct

import pytest

from wherry.engine.guard import Guard
from wherry.plan.model import Controller, Framing, Span, Table

SPANS = (Span(Table.HOLDING, 90, 4), Span(Table.HOLDING, 94, 6), Span(Table.HOLDING, 200, 1), Span(Table.COIL, 5, 3))
MASKS = {300: 0b0000_0000_0000_1010}
HOLDING = {*range(90, 100), 200}
COILS = {5, 6, 7}


def guard(*, armed: bool = True, framing: Framing = Framing.MBAP) -> Guard:
    return Guard(Controller("hall", "127.0.0.1", unit=7, framing=framing), SPANS, MASKS, armed=armed)


def adu(pdu: bytes, unit: int = 7, transaction: int = 1) -> bytes:
    return struct.pack(">HHHB", transaction, 0, len(pdu) + 1, unit) + pdu


def write_registers(address: int, count: int) -> bytes:
    return struct.pack(">BHHB", 0x10, address, count, 2 * count) + bytes(2 * count)


def write_coils(address: int, count: int) -> bytes:
    size = (count + 7) // 8
    return struct.pack(">BHHB", 0x0F, address, count, size) + bytes(size)


@pytest.mark.parametrize(
    "pdu",
    [
        write_registers(90, 10),
        write_registers(93, 2),
        write_registers(200, 1),
        write_coils(5, 3),
        bytes.fromhex("0600C80001"),
        bytes.fromhex("050006FF00"),
        bytes.fromhex("16012CFFF50002"),
    ],
)
def test_declared_places_may_be_written_while_armed(pdu: bytes) -> None:
    assert guard().permits(adu(pdu))
    assert guard().permits(adu(pdu))
    assert not guard(armed=False).permits(adu(pdu))


@pytest.mark.parametrize(
    "pdu",
    [
        write_registers(89, 2),
        write_registers(99, 2),
        write_registers(0, 123),
        write_registers(200, 2),
        write_coils(4, 2),
        write_coils(5, 4),
        bytes.fromhex("0600C90001"),
        bytes.fromhex("05000600FF"),
        bytes.fromhex("050008FF00"),
        bytes.fromhex("16012CFFF40002"),
        bytes.fromhex("16012CFFF50003"),
        bytes.fromhex("16012CFFFF0000"),
        bytes.fromhex("170000000100C80001020000"),
        bytes.fromhex("150D0600040007000306AF04BE100D"),
        bytes.fromhex("0800010000"),
        bytes.fromhex("10005A0002030000"),
        bytes.fromhex("10005A000204000000"),
        b"",
        b"\x10",
        b"\x63\x00\x5a\x00\x01",
    ],
)
def test_anything_else_is_refused(pdu: bytes) -> None:
    under_test = guard()
    assert not under_test.permits(adu(pdu))
    assert under_test.refused == 1


def test_another_unit_and_a_broadcast_are_refused() -> None:
    assert not guard().permits(adu(write_registers(90, 4), unit=0))
    assert not guard().permits(adu(write_registers(90, 4), unit=8))


def test_a_head_once_permitted_does_not_let_a_different_frame_through() -> None:
    under_test = guard()
    frame = adu(write_registers(90, 4))
    assert under_test.permits(frame)
    assert not under_test.permits(frame + b"\0\0")
    assert not under_test.permits(frame[:2] + b"\0\1" + frame[4:])
    assert not under_test.permits(frame[:-2])
    under_test.disarm()
    assert not under_test.permits(frame)


def test_reads_pass_unarmed() -> None:
    under_test = guard(armed=False)
    for function in (1, 2, 3, 4):
        assert under_test.permits(adu(struct.pack(">BHH", function, 0, 10)))
        assert under_test.permits(adu(struct.pack(">BHH", function, 0, 10), transaction=2))


def test_rtu_frames_are_judged_alike() -> None:
    under_test = guard(framing=Framing.RTU)
    assert under_test.permits(b"\x07" + write_registers(90, 4) + b"\0\0")
    assert not under_test.permits(b"\x07" + write_registers(89, 4) + b"\0\0")
    assert not under_test.permits(b"\x00" + write_registers(90, 4) + b"\0\0")


def test_of_a_hundred_thousand_random_writes_none_outside_the_plan_passes() -> None:
    """The oracle decodes by itself and knows only the set of declared items."""
    rng = random.Random(20261125)
    under_test = guard()
    passed = 0
    for _ in range(100_000):
        function = rng.choice((0x05, 0x06, 0x0F, 0x10, 0x16, 0x17, 0x15, rng.randrange(256)))
        address = rng.choice((rng.randrange(65536), rng.randrange(85, 105), rng.randrange(0, 10), 200, 300))
        count = rng.choice((1, 1, 2, 3, 4, rng.randrange(1, 124)))
        if function == 0x10:
            pdu, touched = write_registers(address, count), set(range(address, address + count))
            allowed = touched <= HOLDING
        elif function == 0x0F:
            pdu, touched = write_coils(address, count), set(range(address, address + count))
            allowed = touched <= COILS
        elif function == 0x06:
            pdu = struct.pack(">BHH", 6, address, rng.randrange(65536))
            allowed = address in HOLDING
        elif function == 0x05:
            word = rng.choice((0x0000, 0xFF00, rng.randrange(65536)))
            pdu = struct.pack(">BHH", 5, address, word)
            allowed = address in COILS and word in (0, 0xFF00)
        elif function == 0x16:
            keep, put = rng.randrange(65536), rng.randrange(65536)
            pdu = struct.pack(">BHHH", 0x16, address, keep, put)
            changed = keep ^ 0xFFFF
            owned = 0xFFFF if address in HOLDING else MASKS.get(address, 0)
            allowed = changed > 0 and changed | owned == owned and put | changed == changed
        else:
            pdu = bytes([function]) + rng.randbytes(rng.randrange(0, 12))
            allowed = False
            if function in (1, 2, 3, 4, 0x2B):
                continue
        unit = rng.choice((7, 7, 7, 0, rng.randrange(256)))
        verdict = under_test.permits(adu(pdu, unit, rng.randrange(65536)))
        assert verdict == (allowed and unit == 7), (pdu.hex(), unit)
        passed += verdict
    assert passed > 1000, "the test must also see writes that are allowed"
