"""The last gate: nothing but reads leaves, whatever is asked for."""

from __future__ import annotations

from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.survey.truths import HOST, S, Truth, device_of

from wherry.plan.model import Framing
from wherry.protocol.crc import with_crc
from wherry.protocol.mbap import encode_adu
from wherry.protocol.pdu import (
    Diagnostics,
    FileData,
    MaskWriteRegister,
    ReadFifoQueue,
    ReadHoldingRegisters,
    ReadWriteMultipleRegisters,
    Request,
    SubFunction,
    WriteFileRecord,
    WriteMultipleCoils,
    WriteMultipleRegisters,
    WriteSingleCoil,
    WriteSingleRegister,
)
from wherry.protocol.prepared import prepare
from wherry.simulate.virtual_loop import run_virtual
from wherry.survey import guard
from wherry.survey.asking import Exchange, Kind
from wherry.survey.guard import NotAReadError
from wherry.survey.runner import Runner
from wherry.transports.memory import MemoryNetwork

ALLOWED = {0x01, 0x02, 0x03, 0x04, 0x07, 0x08, 0x0B, 0x11, 0x2B}
FRAMINGS = (Framing.MBAP, Framing.RTU)


def framed(framing: Framing, pdu: bytes) -> bytes:
    return with_crc(b"\x01" + pdu) if framing is Framing.RTU else encode_adu(7, 1, pdu)


@pytest.mark.parametrize("framing", FRAMINGS)
@given(st.binary(min_size=1, max_size=30))
def test_only_these_functions_pass(framing: Framing, pdu: bytes) -> None:
    if guard.permits(framed(framing, pdu), framing):
        assert pdu[0] in ALLOWED
        assert pdu[0] != 0x08 or pdu[1:3] == b"\x00\x00"
        assert pdu[0] != 0x2B or pdu[1] == 0x0E


@pytest.mark.parametrize("framing", FRAMINGS)
@given(st.sampled_from([0x01, 0x02, 0x03, 0x04]), st.binary(min_size=4, max_size=4))
def test_every_read_of_a_table_passes(framing: Framing, function: int, rest: bytes) -> None:
    assert guard.permits(framed(framing, bytes((function,)) + rest), framing)


@pytest.mark.parametrize("pdu", [b"\x07", b"\x0b", b"\x11", b"\x08\x00\x00ab", b"\x2b\x0e\x01\x00"])
def test_what_asks_who_it_is_passes(pdu: bytes) -> None:
    assert guard.permits(encode_adu(1, 1, pdu), Framing.MBAP)


def test_a_frame_with_something_behind_it_does_not_pass() -> None:
    frame = encode_adu(1, 1, b"\x03\x00\x00\x00\x01")
    assert guard.permits(frame, Framing.MBAP)
    assert not guard.permits(frame + encode_adu(2, 1, b"\x06\x00\x00\x00\x01"), Framing.MBAP)
    assert not guard.permits(frame[:-1], Framing.MBAP)
    assert not guard.permits(b"\x00\x01\x00\x07" + frame[4:], Framing.MBAP)


WRITES: tuple[Request, ...] = (
    WriteSingleCoil(0, True),
    WriteSingleRegister(0, 1),
    WriteMultipleCoils(0, 1, b"\x01"),
    WriteMultipleRegisters(0, b"\x00\x01"),
    WriteFileRecord((FileData(1, 0, b"\x00\x01"),)),
    MaskWriteRegister(0, 0, 1),
    ReadWriteMultipleRegisters(0, 1, 0, b"\x00\x01"),
    ReadFifoQueue(0),
    Diagnostics(SubFunction.RESTART_COMMUNICATIONS),
    Diagnostics(SubFunction.CLEAR_COUNTERS),
)


@pytest.mark.parametrize("request_", WRITES, ids=lambda each: type(each).__name__)
def test_what_is_no_read_never_leaves(request_: Request) -> None:
    async def main() -> None:
        network = MemoryNetwork(Random(1))
        device = device_of(Truth("any", (10,)))
        await device.start(network, HOST, 502)
        sent: list[bytes] = []
        runner = Runner(
            network,
            HOST,
            502,
            Framing.MBAP,
            rate=10,
            timeout_ns=S,
            on_sent=lambda _at_ns, frame: sent.append(frame),
        )
        answer = await runner.do(Exchange(prepare(1, ReadHoldingRegisters(0, 10))))
        assert answer.kind is Kind.DATA
        with pytest.raises(NotAReadError):
            await runner.do(Exchange(prepare(1, request_)))
        await runner.close()
        assert [frame[7] for frame in sent] == [3]
        assert device.counts.request_count == 1
        await device.stop()

    run_virtual(main)
