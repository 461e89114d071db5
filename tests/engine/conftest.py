"""A plant in memory: devices that answer as told and write down what they saw, with nothing shared with the engine."""

from __future__ import annotations

import asyncio
import random
import struct
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import pytest

from wherry.engine.events import Event, Listener
from wherry.engine.ledger import Ledger
from wherry.engine.runner import Engine
from wherry.plan.model import Controller, Framing, Limits, OnLoss, Plan, Point, Span, Table, Transfer, Value
from wherry.protocol.responder import Responder
from wherry.protocol.server import Indication, ServerSession
from wherry.protocol.store import MemoryStore
from wherry.transports.memory import MemoryNetwork
from wherry.values.types import UINT16

MS = 1_000_000
S = 1000 * MS
WRITES = frozenset({0x05, 0x06, 0x0F, 0x10, 0x15, 0x16, 0x17})


@dataclass
class Seen:
    """One request as a device saw it."""

    at_ns: int
    pdu: bytes
    index: int

    @property
    def is_write(self) -> bool:
        return self.pdu[0] in WRITES


Answer = Callable[["Device", Seen, bytes | None], "tuple[int, bytes | None] | None"]
"""(device, request, plain answer ADU) -> (delay in ns, ADU or None for silence), or None for the plain way."""


@dataclass
class Device:
    """One controller of the plant. ``before`` is called before each request is carried out."""

    delay_ns: int = 5 * MS
    before: Callable[[Device, Seen], None] | None = None
    answer: Answer | None = None
    ignores: Callable[[Device, Seen], bool] | None = None
    """Whether a request is lost on its way: it is seen by the test, not by the device."""
    store: MemoryStore = field(default_factory=MemoryStore)
    seen: list[Seen] = field(default_factory=list)
    reads_seen: int = 0
    connects_ns: list[int] = field(default_factory=list)
    is_dead: bool = False
    waiting: int = 0
    waiting_max: int = 0
    open_max: int = 0
    open: list[asyncio.Transport] = field(default_factory=list)

    def now_ns(self) -> int:
        return int(asyncio.get_running_loop().now_ns)  # type: ignore[attr-defined]

    async def serve(self, network: MemoryNetwork, host: str, framing: Framing) -> None:
        responder = Responder(self.store)
        await network.serve(lambda: _Served(self, ServerSession(responder, framing=framing)), host, 502)

    def kill(self) -> None:
        """Silent from now on, and every connection is reset."""
        self.is_dead = True
        for transport in list(self.open):
            transport.abort()

    def registers(self, address: int, count: int) -> list[int]:
        data = self.store.read_registers(Table.HOLDING, address, count)
        return list(struct.unpack(f">{count}H", data))

    def set_registers(self, address: int, values: Sequence[int]) -> None:
        self.store.write_registers(Table.HOLDING, address, struct.pack(f">{len(values)}H", *values))

    @property
    def writes(self) -> list[Seen]:
        return [each for each in self.seen if each.is_write]

    @property
    def reads(self) -> list[Seen]:
        return [each for each in self.seen if not each.is_write]


class _Served(asyncio.Protocol):
    def __init__(self, device: Device, session: ServerSession) -> None:
        self.device = device
        self.session = session
        self.transport: asyncio.Transport | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)
        self.transport = transport
        self.device.connects_ns.append(self.device.now_ns())
        self.device.open.append(transport)
        self.device.open_max = max(self.device.open_max, len(self.device.open))
        if self.device.is_dead:
            transport.abort()

    def connection_lost(self, exc: Exception | None) -> None:
        assert self.transport is not None
        self.device.open.remove(self.transport)

    def data_received(self, data: bytes) -> None:
        for indication in self.session.take(data):
            self._serve(indication)

    def _serve(self, indication: Indication) -> None:
        device = self.device
        seen = Seen(device.now_ns(), indication.pdu, len(device.seen))
        device.seen.append(seen)
        device.reads_seen += not seen.is_write
        if device.is_dead or (device.ignores is not None and device.ignores(device, seen)):
            return
        if device.before is not None:
            device.before(device, seen)
        adu = self.session.answer(indication)
        chosen = device.answer(device, seen, adu) if device.answer is not None else None
        delay_ns, adu = chosen if chosen is not None else (device.delay_ns, adu)
        if adu is None:
            return
        device.waiting += 1
        device.waiting_max = max(device.waiting_max, device.waiting)
        asyncio.get_running_loop().call_later(delay_ns / 1e9, self._reply, adu)

    def _reply(self, adu: bytes) -> None:
        self.device.waiting -= 1
        if not self.device.is_dead and self.transport is not None and not self.transport.is_closing():
            self.transport.write(adu)


@dataclass
class Plant:
    """Two devices, a plan between them, and an engine on it."""

    plan: Plan
    network: MemoryNetwork
    source: Device
    receiver: Device
    engine: Engine
    events: list[Event]

    @property
    def carry(self) -> Any:
        return self.engine.carries[0]

    def counts_are_exact(self) -> bool:
        return all(
            each.scheduled == each.delivered + each.skipped + each.failed and each.is_at_rest
            for each in self.engine.carries
        )


def words(count: int, *, take: int = 0, put: int = 100) -> tuple[Value, ...]:
    """``count`` plain words."""
    return tuple(
        Value(f"word {index}", Point(Table.HOLDING, take + index, UINT16), Point(Table.HOLDING, put + index, UINT16))
        for index in range(count)
    )


@dataclass
class Kit:
    """What the tests build plants from."""

    device = Device
    words = staticmethod(words)

    async def plant(
        self,
        values: Sequence[Value] = words(10),
        *,
        period_ns: int = 200 * MS,
        max_age_ns: int = S,
        status: int | None = 90,
        alive: Point | None = None,
        on_loss: OnLoss = OnLoss.HOLD,
        armed: bool = True,
        limits: Limits | None = None,
        receiver_limits: Limits | None = None,
        write_single: bool = False,
        source: Device | None = None,
        receiver: Device | None = None,
        transfers: Sequence[Transfer] | None = None,
        framing: Framing = Framing.MBAP,
        listeners: Sequence[Listener] = (),
        receiver_is: Mapping[str, Any] | None = None,
        seed: int = 1,
        ledger: Ledger | None = None,
    ) -> Plant:
        """A running plant: skid at 10.20.0.11, hall at 10.20.0.12 (in memory)."""
        span = None if status is None else Span(Table.HOLDING, status, 4)
        made = Transfer("water", "skid", "hall", period_ns, max_age_ns, tuple(values), on_loss, True, alive, span)
        plan = Plan(
            "Hatchery water exchange",
            (
                Controller("skid", "10.20.0.11", framing=framing, limits=limits or Limits()),
                Controller(
                    "hall",
                    "10.20.0.12",
                    framing=framing,
                    limits=receiver_limits or Limits(),
                    write_single=write_single,
                    **(receiver_is or {}),
                ),
            ),
            tuple(transfers) if transfers is not None else (made,),
        )
        network = MemoryNetwork(random.Random(seed))
        source, receiver = source or Device(), receiver or Device()
        await source.serve(network, "10.20.0.11", framing)
        await receiver.serve(network, "10.20.0.12", framing)
        events: list[Event] = []
        engine = Engine(
            plan,
            network,
            armed=["hall"] if armed else [],
            listeners=[*listeners, events.append],
            seed=seed,
            ledger=ledger,
        )
        engine.start()
        return Plant(plan, network, source, receiver, engine, events)


@pytest.fixture
def kit() -> Kit:
    return Kit()
