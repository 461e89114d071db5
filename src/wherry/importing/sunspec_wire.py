"""The reading of a SunSpec device on the survey's runner: one connection, its pace, and its guard that lets only reads
leave."""

from __future__ import annotations

from typing import Final

from wherry.errors import LinkError
from wherry.importing.sunspec_read import Device
from wherry.importing.sunspec_read import Procedure as Reading
from wherry.protocol.pdu_data import ReadHoldingRegisters
from wherry.protocol.prepared import prepare
from wherry.survey.asking import Exchange, Kind, Procedure

SILENCES_MAX: Final = 3
"""Requests in a row that are not answered, after which the device is left alone."""


def on_wire(reading: Reading, unit: int) -> Procedure[Device]:
    """The same procedure with requests in the place of what it asks for. LinkError when the device resets the
    connection, or answers nothing."""
    silences = 0
    try:
        read = next(reading)
        while True:
            answer = yield Exchange(prepare(unit, ReadHoldingRegisters(read.address, read.count)), may_fail=True)
            if answer.kind is Kind.LOST:
                raise LinkError(f"the connection was lost: {answer.why}; nothing more was asked")
            silences = silences + 1 if answer.kind is Kind.SILENT else 0
            if silences >= SILENCES_MAX:
                raise LinkError(f"unit {unit} answered none of {silences} requests in a row; nothing more was asked")
            read = reading.send(answer.payload if answer.is_data else answer.code)
    except StopIteration as over:
        device: Device = over.value
        return device
