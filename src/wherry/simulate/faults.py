"""Faults come over simulated controllers and their network, and go again, at planned instants of the running loop.

What is in force is worked out anew from all active faults whenever one begins or ends, so that they may overlap
and nothing is left behind.

Corruption only hits what somebody can notice. A bit that is turned over in the data of a frame without a CRC (plain
Modbus TCP), an address in a request, or a low transaction id that becomes that of another request under way can be
noticed by nobody who reads the frames: TCP's checksum is all there is against it.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from random import Random
from typing import Final

from wherry.clock import LoopClock
from wherry.limits import MBAP_BYTES
from wherry.plan.model import Framing
from wherry.protocol.functions import FUNCTIONS
from wherry.simulate.controller import Simulated, SimulatedController
from wherry.simulate.device import Fault, FaultHook
from wherry.simulate.fault_draw import draw as draw
from wherry.simulate.fault_draw import liveness_ns as liveness_ns
from wherry.simulate.fault_kinds import (
    MENUS,
    FaultKind,
    FaultParameters,
    FaultPlan,
    Menu,
    PlannedFault,
)
from wherry.transports.behaviour import flip_bit
from wherry.transports.memory import MemoryNetwork, Route

__all__ = [
    "MENUS",
    "AppliedFaults",
    "FaultKind",
    "FaultParameters",
    "FaultPlan",
    "Menu",
    "OnChange",
    "PlannedFault",
    "apply",
    "draw",
    "liveness_ns",
]

OnChange = Callable[[PlannedFault, bool], None]
"""Told of each fault: True as it begins, False as it ends."""

_FAR_ID: Final = 0x4000
"""Added to a transaction id, it leads to one that no request under way has."""

# Bytes of a Modbus TCP frame in which nobody overlooks a change: the high byte of the transaction id, protocol id,
# length, unit id and function code. The low byte of the id is left alone: with several requests under way it could
# become another one's.
_NOTICED: Final = (0, 2, 3, 4, 5, 6, 7)
_LAST_OF_HEAD: Final = _NOTICED[-1]


def apply(
    fault_plan: FaultPlan,
    simulated: Simulated,
    network: MemoryNetwork,
    on_change: OnChange | None = None,
    *,
    rng: Random | None = None,
) -> AppliedFaults:
    """Schedule the faults on the running loop, counted from now. Those at controllers that are not simulated are left
    out. ``rng`` decides which messages are hit; without one the network's chance does."""
    applied = AppliedFaults(simulated, network, on_change, rng or Random(network.rng.getrandbits(64)))
    applied.schedule(fault_plan)
    return applied


@dataclass
class _Address:
    """One address with its link, as it was before any fault."""

    host: str
    port: int
    route: Route
    devices: list[_Device]
    base: Route
    active: list[PlannedFault] = field(default_factory=list)


@dataclass
class _Device:
    """One controller, and the fault hook it had before."""

    simulated: SimulatedController
    rng: Random
    hook: FaultHook | None
    active: list[PlannedFault] = field(default_factory=list)
    is_gone: bool = False
    is_frozen: bool = False


class AppliedFaults:
    """Faults under way. ``active`` are those in force now."""

    def __init__(self, simulated: Simulated, network: MemoryNetwork, on_change: OnChange | None, rng: Random) -> None:
        self.active: list[PlannedFault] = []
        self._network = network
        self._on_change = on_change
        self._clock = LoopClock(asyncio.get_running_loop())
        self._timers: dict[asyncio.TimerHandle, None] = {}
        self._devices: dict[str, _Device] = {}
        self._addresses: dict[tuple[str, int], _Address] = {}
        for name, each in simulated.controllers.items():
            device = _Device(each, Random(rng.getrandbits(64)), each.fault)
            self._devices[name] = device
            key = (each.host, each.port)
            if key not in self._addresses:
                route = network.route(*key)
                base = replace(route, to_server=replace(route.to_server), to_client=replace(route.to_client))
                self._addresses[key] = _Address(*key, route, [], base)
            self._addresses[key].devices.append(device)

    def schedule(self, fault_plan: Sequence[PlannedFault]) -> None:
        """Let these begin and end, counted from now."""
        now_ns = self._clock.now_ns()
        for fault in fault_plan:
            assert fault.start_ns < fault.end_ns, fault
            if fault.controller in self._devices:
                self._call_at(now_ns + fault.start_ns, lambda fault=fault: self.begin(fault))  # type: ignore[misc]
                self._call_at(now_ns + fault.end_ns, lambda fault=fault: self.end(fault))  # type: ignore[misc]

    def stop(self) -> None:
        """End what is in force, and let nothing more begin."""
        for timer in self._timers:
            timer.cancel()
        self._timers.clear()
        for fault in list(self.active):
            self.end(fault)

    def begin(self, fault: PlannedFault) -> None:
        """A fault begins now, whatever its times say."""
        device = self._devices[fault.controller]
        address = self._address_of(device)
        for active in (self.active, device.active, address.active):
            active.append(fault)
        if self._on_change is not None:
            self._on_change(fault, True)
        if fault.kind in (FaultKind.RESET, FaultKind.REFUSED):
            self._reset(address)
            if fault.kind is FaultKind.RESET and fault.parameters.delay_ns:
                self._reset_again(fault, address)
        elif fault.kind is FaultKind.CLOGGED:
            for connection in self._network.connections(address.host, address.port):
                connection.hold()
        self._settle(address, device)

    def end(self, fault: PlannedFault) -> None:
        """A fault that began is over."""
        device = self._devices[fault.controller]
        address = self._address_of(device)
        for active in (self.active, device.active, address.active):
            active.remove(fault)
        self._settle(address, device)
        kinds = [each.kind for each in address.active]
        if fault.kind is FaultKind.CLOGGED and FaultKind.CLOGGED not in kinds:
            for connection in self._network.connections(address.host, address.port):
                connection.release()
        elif fault.kind is FaultKind.HALF_OPEN and FaultKind.HALF_OPEN not in kinds:
            # What is left of the old connections: one end may have given up long ago, and the other never heard.
            self._reset(address)
        if self._on_change is not None:
            self._on_change(fault, False)

    # At one address.

    def _address_of(self, device: _Device) -> _Address:
        return self._addresses[device.simulated.host, device.simulated.port]

    def _reset(self, address: _Address) -> None:
        for connection in self._network.connections(address.host, address.port):
            connection.reset()

    def _reset_again(self, fault: PlannedFault, address: _Address) -> None:
        def again() -> None:
            if fault in self.active:
                self._reset(address)
                self._reset_again(fault, address)

        self._call_at(self._clock.now_ns() + fault.parameters.delay_ns, again)

    def _settle(self, address: _Address, device: _Device) -> None:
        """Bring link and device to what the active faults want, and nothing else."""
        kinds = {each.kind for each in address.active}
        route, was = address.route, address.base
        route.refuses = was.refuses or FaultKind.REFUSED in kinds
        route.hangs = was.hangs or not kinds.isdisjoint((FaultKind.HALF_OPEN, FaultKind.CLOGGED))
        is_rtu = device.simulated.controller.framing is Framing.RTU
        for behaviour, base in ((route.to_server, was.to_server), (route.to_client, was.to_client)):
            behaviour.half_open = base.half_open or FaultKind.HALF_OPEN in kinds
            behaviour.drop_share = max(base.drop_share, _share(address.active, FaultKind.LOSS))
            behaviour.split_share = max(base.split_share, _share(address.active, FaultKind.PIECES))
            behaviour.joins = base.joins or FaultKind.PIECES in kinds
            if is_rtu:
                behaviour.corrupt_share = max(base.corrupt_share, _share(address.active, FaultKind.CORRUPTION))
        self._settle_device(device, is_rtu=is_rtu)

    def _settle_device(self, device: _Device, *, is_rtu: bool) -> None:
        kinds = {each.kind for each in device.active}
        simulated = device.simulated
        is_gone = not kinds.isdisjoint((FaultKind.SOURCE_KILLED, FaultKind.RECEIVER_KILLED))
        if is_gone is not device.is_gone:
            device.is_gone = is_gone
            if is_gone:
                simulated.kill()
            else:
                simulated.revive()
        if (FaultKind.FROZEN in kinds) is not device.is_frozen:
            device.is_frozen = not device.is_frozen
            if device.is_frozen:
                simulated.freeze()
            else:
                simulated.thaw()
        makers = [(each.parameters, _MAKERS[each.kind]) for each in device.active if each.kind in _MAKERS]
        if is_rtu:
            makers = [each for each in makers if each[1] is not _corrupted]
        simulated.fault = _hook(makers, device) if makers else device.hook

    def _call_at(self, at_ns: int, action: Callable[[], None]) -> None:
        def call() -> None:
            del self._timers[timer]
            action()

        timer = self._clock.call_at(at_ns, call)
        self._timers[timer] = None


def _share(active: Sequence[PlannedFault], kind: FaultKind) -> float:
    return max((each.parameters.share for each in active if each.kind is kind), default=0.0)


# What becomes of single messages.

_Maker = Callable[[FaultParameters, Random, int, bytes], Fault]


def _hook(makers: Sequence[tuple[FaultParameters, _Maker]], device: _Device) -> FaultHook:
    """The controller's own fault comes first; else the first of those in force that hits."""
    own, rng = device.hook, device.rng

    def hook(number: int, unit: int, pdu: bytes) -> Fault | None:
        fault = None if own is None else own(number, unit, pdu)
        if fault is not None:
            return fault
        for parameters, maker in makers:
            if rng.random() < parameters.share:
                return maker(parameters, rng, unit, pdu)
        return None

    return hook


def _corrupted(_parameters: FaultParameters, rng: Random, _unit: int, pdu: bytes) -> Fault:
    row = FUNCTIONS.get(pdu[0])
    # The answer to a write repeats the request's address and quantity (or value), which is held against the request.
    is_echo = row is not None and row.is_write and pdu[0] != 0x17
    noticed = (*_NOTICED, 8, 9, 10, 11) if is_echo else _NOTICED
    at, bit = rng.choice(noticed), rng.randrange(8)

    def alter(adu: bytes) -> bytes:
        # The code of an exception can be changed unnoticed, and is left alone.
        is_refusal = len(adu) == MBAP_BYTES + 2
        return flip_bit(adu, 8 * (min(at, _LAST_OF_HEAD) if is_refusal else at) + bit)

    return Fault(alter=alter)


def _repeated(_parameters: FaultParameters, rng: Random, _unit: int, _pdu: bytes) -> Fault:
    return Fault(repeats=rng.randint(1, 2), repeat_ns=rng.choice((0, rng.randrange(1, 2_000_000_000))))


def _overtaken(parameters: FaultParameters, rng: Random, _unit: int, _pdu: bytes) -> Fault:
    return Fault(delay_ns=rng.randint(0, parameters.delay_ns))


def _delayed(parameters: FaultParameters, rng: Random, _unit: int, _pdu: bytes) -> Fault:
    return Fault(delay_ns=round(parameters.delay_ns * rng.uniform(1, 1.5)))


def _slowed(parameters: FaultParameters, _rng: Random, _unit: int, _pdu: bytes) -> Fault:
    return Fault(delay_ns=parameters.delay_ns, holds_up=True)


def _inserted(_parameters: FaultParameters, rng: Random, _unit: int, _pdu: bytes) -> Fault:
    is_before = rng.random() < 0.5

    def alter(adu: bytes) -> bytes:
        transaction = (int.from_bytes(adu[:2], "big") + _FAR_ID) & 0xFFFF
        stranger = transaction.to_bytes(2, "big") + adu[2:]
        return stranger + adu if is_before else adu + stranger

    return Fault(alter=alter)


def _masked(_parameters: FaultParameters, rng: Random, _unit: int, pdu: bytes) -> Fault:
    """A whole and well-formed answer, but to another request: another function, or another number of registers."""
    function = pdu[0] if rng.random() < 0.5 else rng.choice([each for each in (1, 2, 3, 4) if each != pdu[0]])
    count = int.from_bytes(pdu[3:5], "big")
    asked = 2 * count if pdu[0] in (3, 4, 0x17) else (count + 7) // 8
    size = rng.choice([each for each in (2, 4, 10, 20) if each != asked])
    return Fault(pdu=bytes((function, size)) + rng.randbytes(size))


def _misaddressed(_parameters: FaultParameters, rng: Random, unit: int, _pdu: bytes) -> Fault:
    return Fault(unit=(unit + rng.randint(1, 255)) % 256)


_MAKERS: Final[dict[FaultKind, _Maker]] = {
    FaultKind.CORRUPTION: _corrupted,
    FaultKind.REPETITION: _repeated,
    FaultKind.SEQUENCE: _overtaken,
    FaultKind.DELAY: _delayed,
    FaultKind.INSERTION: _inserted,
    FaultKind.MASQUERADE: _masked,
    FaultKind.ADDRESSING: _misaddressed,
    FaultKind.SLOW: _slowed,
}
