"""Reading a controller for the search, without a connection: what is asked, in what pieces, and what becomes of it."""

from __future__ import annotations

import pytest

from wherry.errors import LinkError
from wherry.fit.live import read_rounds
from wherry.fit.readings import rounds
from wherry.plan.model import Span, Table
from wherry.protocol.pdu_data import ReadCoils, ReadHoldingRegisters
from wherry.survey.asking import Answer, Exchange, Kind, Phase, Procedure, Rest
from wherry.survey.snapshot import Snapshot

HOLDING = [Span(Table.HOLDING, 0, 40)]


class Device:
    """Holds its addresses as numbers, but for a hole; refuses what touches it, and more than ``most`` at once."""

    def __init__(self, hole: range = range(0), most: int = 125, silent_after: int = 10**6) -> None:
        self.hole, self.most, self.silent_after = hole, most, silent_after
        self.closes_after_ns = 10**15
        self.now_ns = 0
        self.asked: list[tuple[str, int, int]] = []
        self.rests: list[int] = []

    def answer(self, ask: object) -> Answer:
        if isinstance(ask, Rest):
            self.rests.append(ask.duration_ns)
            rested_ns = min(ask.duration_ns, self.closes_after_ns)
            self.now_ns += rested_ns
            return Answer(Kind.DATA if rested_ns == ask.duration_ns else Kind.LOST, at_ns=self.now_ns)
        if isinstance(ask, Phase):
            return Answer(Kind.DATA)
        assert isinstance(ask, Exchange), ask
        request = ask.prepared.request
        assert isinstance(request, ReadHoldingRegisters | ReadCoils)
        self.asked.append((type(request).__name__, request.address, request.count))
        if len(self.asked) > self.silent_after:
            return Answer(Kind.SILENT)
        touched = range(request.address, request.address + request.count)
        if request.count > self.most or any(address in self.hole for address in touched):
            return Answer(Kind.REFUSED, code=2)
        if isinstance(request, ReadCoils):
            return Answer(
                Kind.DATA, sum((address % 2) << index for index, address in enumerate(touched)).to_bytes(2, "little")
            )
        return Answer(Kind.DATA, b"".join(address.to_bytes(2, "big") for address in touched))


def carried_out(procedure: Procedure[Snapshot], device: Device) -> Snapshot:
    try:
        ask = next(procedure)
        while True:
            ask = procedure.send(device.answer(ask))
    except StopIteration as over:
        snapshot: Snapshot = over.value
        return snapshot


def test_a_span_is_read_in_as_few_requests_as_it_takes() -> None:
    device = Device()
    snapshot = carried_out(read_rounds(HOLDING, 1, 1, 0, 25), device)
    assert device.asked == [("ReadHoldingRegisters", 0, 25), ("ReadHoldingRegisters", 25, 15)]
    (one,) = rounds([snapshot])
    assert one.tables[Table.HOLDING] == {address: address for address in range(40)}


def test_holes_are_left_out_and_not_asked_for_again() -> None:
    device = Device(hole=range(17, 20))
    snapshot = carried_out(read_rounds(HOLDING, 1, 2, 5_000_000_000, 125), device)
    first, second = rounds([snapshot])
    present = {address: address for address in range(40) if address not in device.hole}
    assert first.tables[Table.HOLDING] == second.tables[Table.HOLDING] == present
    alone = [address for _, address, count in device.asked if count == 1 and address in device.hole]
    assert sorted(alone) == [17, 18, 19]
    assert device.rests == [5_000_000_000]


def test_a_device_that_gives_less_at_once() -> None:
    device = Device(most=10)
    (one,) = rounds([carried_out(read_rounds(HOLDING, 1, 1, 0, 125), device)])
    assert len(one.tables[Table.HOLDING]) == 40
    assert len(device.asked) < 10


def test_bits() -> None:
    device = Device()
    (one,) = rounds([carried_out(read_rounds([Span(Table.COIL, 3, 10)], 1, 1, 0, 125), device)])
    assert one.tables[Table.COIL] == {address: address % 2 for address in range(3, 13)}


def test_somebody_is_asked_before_each_reading() -> None:
    device, asked = Device(), list[int]()
    carried_out(read_rounds(HOLDING, 1, 3, 0, 125, asked.append), device)
    assert asked == [0, 1, 2]


def test_a_device_that_closes_a_quiet_connection_is_waited_for_all_the_same() -> None:
    device = Device()
    device.closes_after_ns = 4_000_000_000
    carried_out(read_rounds(HOLDING, 1, 2, 10_000_000_000, 125), device)
    assert device.rests == [10_000_000_000, 6_000_000_000, 2_000_000_000]
    assert device.now_ns == 10_000_000_000


def test_a_silent_device_is_left_alone() -> None:
    device = Device(silent_after=1, hole=range(5, 6))
    with pytest.raises(LinkError, match="unit 1 answered none of 3 requests in a row; nothing more was asked"):
        carried_out(read_rounds(HOLDING, 1, 1, 0, 125), device)
    assert len(device.asked) == 4
