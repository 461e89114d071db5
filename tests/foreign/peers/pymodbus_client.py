"""A client on pymodbus, for tests: pymodbus_client.py [--framing mbap|rtu] PORT UNIT REQUEST...

Takes the same requests as c_client and prints the same lines of JSON; it knows more functions:

    08:SUBFUNCTION:VALUE    diagnostics: 0 gives back the value, 10 clears the counters, 11 is the bus message counter
    18:ADDRESS              read FIFO queue
    14:FILE:RECORD:COUNT    read file record
    15:FILE:RECORD:VALUES   write file record
    2B:CODE:OBJECT          read device identification
"""

from __future__ import annotations

import argparse
import asyncio
import json
from typing import Any

from pymodbus import FramerType
from pymodbus.client import AsyncModbusTcpClient
from pymodbus.pdu import ExceptionResponse
from pymodbus.pdu.file_message import FileRecord

FRAMINGS = {"mbap": FramerType.SOCKET, "rtu": FramerType.RTU}


async def carry_out(client: AsyncModbusTcpClient, unit: int, text: str) -> dict[str, Any]:
    """One request and its answer."""
    function, *words = text.split(":")
    lists = [[int(number) for number in word.split(",")] for word in words]
    first = [each[0] for each in lists]
    answer = await ask(client, unit, int(function, 16), first, lists)
    if isinstance(answer, ExceptionResponse):
        return {"exception": answer.exception_code}
    return {"values": values_of(int(function, 16), answer, first)}


async def ask(client: AsyncModbusTcpClient, unit: int, function: int, first: list[int], lists: list[list[int]]) -> Any:
    """Send one request. ``first`` are the numbers of the request, ``lists`` the same with all numbers of each."""
    if function in (0x01, 0x02, 0x03, 0x04):
        read = (client.read_coils, client.read_discrete_inputs, client.read_holding_registers)
        method = (*read, client.read_input_registers)[function - 1]
        return await method(first[0], count=first[1], device_id=unit)
    if function == 0x05:
        return await client.write_coil(first[0], bool(first[1]), device_id=unit)
    if function == 0x06:
        return await client.write_register(first[0], first[1], device_id=unit)
    if function == 0x0F:
        return await client.write_coils(first[0], [bool(bit) for bit in lists[1]], device_id=unit)
    if function == 0x10:
        return await client.write_registers(first[0], lists[1], device_id=unit)
    if function == 0x16:
        return await client.mask_write_register(address=first[0], and_mask=first[1], or_mask=first[2], device_id=unit)
    if function == 0x17:
        return await client.readwrite_registers(
            read_address=first[0], read_count=first[1], write_address=first[2], values=lists[3], device_id=unit
        )
    return await ask_rarer(client, unit, function, first, lists)


async def ask_rarer(
    client: AsyncModbusTcpClient, unit: int, function: int, first: list[int], lists: list[list[int]]
) -> Any:
    """The functions that fewer devices have."""
    if function == 0x07:
        return await client.read_exception_status(device_id=unit)
    if function == 0x08 and first[0] == 0:
        return await client.diag_query_data(first[1].to_bytes(2, "big"), device_id=unit)
    if function == 0x08 and first[0] == 10:
        return await client.diag_clear_counters(device_id=unit)
    if function == 0x08 and first[0] == 11:
        return await client.diag_read_bus_message_count(device_id=unit)
    if function == 0x0B:
        return await client.diag_get_comm_event_counter(device_id=unit)
    if function == 0x0C:
        return await client.diag_get_comm_event_log(device_id=unit)
    if function == 0x11:
        return await client.report_device_id(device_id=unit)
    if function == 0x14:
        record = FileRecord(file_number=first[0], record_number=first[1], record_length=2 * first[2])
        return await client.read_file_record([record], device_id=unit)
    if function == 0x15:
        data = b"".join(number.to_bytes(2, "big") for number in lists[2])
        record = FileRecord(file_number=first[0], record_number=first[1], record_data=data)
        return await client.write_file_record([record], device_id=unit)
    if function == 0x18:
        return await client.read_fifo_queue(address=first[0], device_id=unit)
    assert function == 0x2B, function
    return await client.read_device_information(read_code=first[0], object_id=first[1], device_id=unit)


def values_of(function: int, answer: Any, first: list[int]) -> list[int]:
    """What was read, as plain numbers."""
    if function in (0x01, 0x02):
        return [int(bit) for bit in answer.bits[: first[1]]]
    if function in (0x03, 0x04, 0x17):
        return list(answer.registers)
    if function == 0x07:
        return [answer.status]
    if function == 0x08:
        message = answer.message
        data = (
            message if isinstance(message, bytes) else b"".join(int(word).to_bytes(2, "big") for word in words(message))
        )
        return [int.from_bytes(data[:2], "big")]
    if function == 0x0B:
        return [int(not answer.status), answer.count]
    if function == 0x0C:
        return [answer.event_count, answer.message_count, len(answer.events)]
    if function == 0x11:
        return [*answer.identifier, int(answer.status)]
    if function == 0x14:
        return [number for record in answer.records for number in pairs(record.record_data)]
    if function == 0x18:
        return list(answer.values)
    if function == 0x2B:
        return [number for key in sorted(answer.information) for number in answer.information[key]]
    return []


def words(message: Any) -> list[int]:
    return list(message) if isinstance(message, list | tuple) else [message]


def pairs(data: bytes) -> list[int]:
    return [int.from_bytes(data[at : at + 2], "big") for at in range(0, len(data), 2)]


async def run(port: int, unit: int, requests: list[str], framing: str) -> None:
    client = AsyncModbusTcpClient(
        "127.0.0.1", port=port, framer=FRAMINGS[framing], timeout=5, retries=0, reconnect_delay=0
    )
    assert await client.connect(), "no connection"
    for each in requests:
        print(json.dumps(await carry_out(client, unit, each)), flush=True)
    client.close()


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--framing", choices=FRAMINGS, default="mbap")
    parser.add_argument("port", type=int)
    parser.add_argument("unit", type=int)
    parser.add_argument("requests", nargs="+")
    given = parser.parse_args()
    asyncio.run(run(given.port, given.unit, given.requests, given.framing))


if __name__ == "__main__":
    main()
