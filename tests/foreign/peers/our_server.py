"""Our own responder on a socket, for foreign clients: our_server.py [--framing mbap|rtu]

Same contents and same lines as the foreign servers; 200 items of each table, all functions, any unit.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import sys
from typing import cast

from wherry.protocol.functions import Table
from wherry.protocol.message import pack_bits, pack_registers
from wherry.protocol.responder import Device, Identity, MemoryStore, Responder
from wherry.protocol.server import ServerSession

ITEMS = 200


def make_store() -> MemoryStore:
    store = MemoryStore({table: [(0, ITEMS)] for table in Table})
    items = range(ITEMS)
    store.write_bits(Table.COIL, 0, ITEMS, pack_bits([i % 3 == 0 for i in items]))
    store.write_bits(Table.DISCRETE, 0, ITEMS, pack_bits([i % 5 == 0 for i in items]))
    store.write_registers(Table.HOLDING, 0, pack_registers(0x1000 + i for i in items))
    store.write_registers(Table.INPUT, 0, pack_registers(0x2000 + i for i in items))
    return store


class Connection(asyncio.Protocol):
    """One client."""

    def __init__(self, responder: Responder, framing: str) -> None:
        self.session = ServerSession(responder, framing=framing)
        self.requests = 0

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self.transport = cast("asyncio.Transport", transport)

    def data_received(self, data: bytes) -> None:
        for answer in self.session.receive(data):
            self.transport.write(answer)
        if self.session.must_reset:
            self.transport.abort()


async def serve(framing: str) -> None:
    loop = asyncio.get_running_loop()
    device = Device(
        identity=Identity({0: b"hatchery", 1: b"skid", 2: b"1.0"}),
        server_id=b"\x2a",
        exception_status=0x6D,
        files={4: bytearray(b"".join((0x3000 + i).to_bytes(2, "big") for i in range(20)))},
        queues={30: [0x01B8, 0x1284]},
    )
    responder = Responder(make_store(), device=device)
    server = await loop.create_server(lambda: Connection(responder, framing), "127.0.0.1", 0)
    print(json.dumps({"port": server.sockets[0].getsockname()[1]}), flush=True)
    over = asyncio.Event()
    loop.add_reader(sys.stdin, over.set)
    await over.wait()
    server.close()


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--framing", choices=("mbap", "rtu"), default="mbap")
    given = parser.parse_args()
    asyncio.run(serve(given.framing))


if __name__ == "__main__":
    main()
