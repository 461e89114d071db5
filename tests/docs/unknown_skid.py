"""A controller that nobody described, on loopback: its registers are known to this file and to nobody else."""

from __future__ import annotations

import asyncio
import struct
import threading
from collections.abc import Mapping
from random import Random
from typing import Final

from wherry.plan import loads
from wherry.plan.model import Table
from wherry.simulate.controller import Simulated, SimulatedController, simulate_plan
from wherry.transports.tcp import TcpNetwork

PLAN: Final = """
[controller.skid]
connect = "tcp://10.20.0.11"
unit = 2
limits = { read = 24, connections = 2 }
response = { fixed = "2 ms", per_register = "20 us" }
readable = ["holding 100..131", "holding 140..147", "holding 300..309"]
simulate.signals = [{ at = "holding 100", shape = "counter", period = "100 ms" }]

[controller.hall]
connect = "tcp://10.20.0.12"
readable = ["holding 0..299"]
response = { fixed = "2 ms", per_register = "20 us" }

[transfer.water]
from = "skid"
to = "hall"
every = "1 s"
copy = { take = "holding 100", put = "holding 0" }
"""

MORNING: Final = {"oxygen": 8.4237, "flow": 41.7264, "temperature": 11.6, "level": 3.72}
NOON: Final = {"oxygen": 6.9051, "flow": 38.0518, "temperature": 12.3, "level": 3.05}
EVENING: Final = {"oxygen": 9.2168, "flow": 44.9031, "temperature": 10.4, "level": 4.11}


def words_of(state: Mapping[str, float]) -> dict[int, int]:
    """What the skid holds while the water is as told: floats low word first, whole numbers in tenths and hundredths."""
    found: dict[int, int] = {}
    for address, name in ((104, "oxygen"), (106, "flow")):
        high, low = struct.unpack(">HH", struct.pack(">f", state[name]))
        found |= {address: low, address + 1: high}
    return found | {110: round(10 * state["temperature"]), 111: round(100 * state["level"])}


class Plant:
    """The skid and the hall, served until it is stopped."""

    def __init__(self) -> None:
        self._loop = asyncio.new_event_loop()
        self._ready = threading.Event()
        self._over: asyncio.Event | None = None
        self._simulated: Simulated | None = None
        self._thread = threading.Thread(target=lambda: self._loop.run_until_complete(self._serve()))
        self._thread.start()
        assert self._ready.wait(20)

    async def _serve(self) -> None:
        self._over = asyncio.Event()
        self._simulated = await simulate_plan(loads(PLAN).plan, TcpNetwork(), any_port=True, declared_only=True)
        self._ready.set()
        await self._over.wait()
        await self._simulated.stop()

    def controller(self, name: str) -> SimulatedController:
        """One of the two."""
        assert self._simulated is not None
        return self._simulated.controllers[name]

    def place(self, name: str) -> str:
        """Where it is."""
        controller = self.controller(name)
        return f"{controller.host}:{controller.port}"

    def hold(self, words: Mapping[int, int]) -> None:
        """Let the skid hold these words."""
        done = threading.Event()

        def write() -> None:
            for address, word in words.items():
                self.controller("skid").store.write_registers(Table.HOLDING, address, word.to_bytes(2, "big"))
            done.set()

        self._loop.call_soon_threadsafe(write)
        assert done.wait(20)

    def stop(self) -> None:
        """End both."""
        assert self._over is not None
        self._loop.call_soon_threadsafe(self._over.set)
        self._thread.join()
        self._loop.close()


def unknown_words() -> dict[int, int]:
    """Whatever else is in the skid: settings, states, and what nobody knows any more."""
    rng = Random(20)
    found: dict[int, int] = {}
    for low, high in ((101, 132), (140, 148), (300, 310)):
        found |= {at: rng.choice((0, 0, 1, rng.randrange(100), rng.randrange(2000))) for at in range(low, high)}
    text = b"RS-7 rev B".ljust(16, b"\0")
    return found | {140 + at // 2: int.from_bytes(text[at : at + 2], "big") for at in range(0, 16, 2)}
