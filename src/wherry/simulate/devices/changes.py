"""S14 and S15: a device that comes back as another one, and a network that plays tricks."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from wherry.clock import NS_PER_MS, NS_PER_S
from wherry.protocol.identification import Identity
from wherry.simulate.device import Fault
from wherry.simulate.devices.base import Device, Victim
from wherry.simulate.devices.writes import touches

REBOOT_AFTER_NS: Final = 60 * NS_PER_S
REBOOT_NS: Final = 2 * NS_PER_S
ZEROS_NS: Final = 30 * NS_PER_S
_READS: Final = (1, 2, 3, 4)
_WITH_ADDRESS: Final = (1, 2, 3, 4, 5, 6, 15, 16, 22)


@dataclass
class Rebooting:
    """Where a device that reboots stands."""

    reboots_ns: int | None = None
    """When it was first reached by a write late enough; None: not yet."""

    def is_other(self) -> bool:
        """Whether it has come back as another one."""
        return self.reboots_ns is not None


def _reboots(victim: Victim) -> None:
    simulated, usual = victim.simulated, victim.simulated.respond
    state = Rebooting()
    puts = [each.put for each in victim.given]
    before = dict(simulated.responder.device.identity.objects)
    if not before[2]:
        before |= {0: b"hatchery works", 1: victim.name.encode(), 2: b"2.0"}
        simulated.responder.device.identity = Identity(before)
    after = Identity({**before, 2: before[2] + b" B"})
    started_ns = 0

    def now_ns() -> int:
        return simulated.station.clock.now_ns()

    def begin() -> None:
        nonlocal started_ns
        if state.reboots_ns is None:
            started_ns = now_ns()

    def reboot() -> None:
        simulated.kill()
        simulated.responder.device.identity = after
        simulated.call_in(REBOOT_NS, simulated.revive)

    def respond(unit: int, pdu: bytes) -> bytes | None:
        if state.reboots_ns is None:
            if now_ns() - started_ns >= REBOOT_AFTER_NS and any(touches(pdu, each) for each in puts):
                state.reboots_ns = now_ns()
                simulated.call_in(0, reboot)
                return None
            return usual(unit, pdu)
        if pdu[0] in _READS and now_ns() - state.reboots_ns < REBOOT_NS + ZEROS_NS:
            answer = usual(unit, pdu)
            return answer if answer is None or answer[0] & 0x80 else answer[:2] + bytes(len(answer) - 2)
        answer = usual(unit, _shifted(pdu))
        is_echo = pdu[0] not in _READS and pdu[0] in _WITH_ADDRESS
        return answer if answer is None or answer[0] & 0x80 or not is_echo else answer[:1] + pdu[1:3] + answer[3:]

    simulated.respond = respond
    simulated.on_started.append(begin)


def _shifted(pdu: bytes) -> bytes:
    """The request as the new map understands it: everything stands one place further down than it did."""
    if pdu[0] not in _WITH_ADDRESS or len(pdu) < 3:
        return pdu
    address = int.from_bytes(pdu[1:3], "big")
    return pdu[:1] + max(0, address - 1).to_bytes(2, "big") + pdu[3:]


S14: Final = Device(
    "S14",
    "a device that comes back as another one",
    "After a minute it reboots in the middle of a write. Two seconds later it answers again; all its values are 0 "
    "for half a minute, and its map has moved by one register: what was at 100 is at 101. The revision in its "
    "identification is another one than before.",
    "With `identity` in the plan nothing is written after the change, its values are Uncertain, and what has to be "
    "tested anew is listed.",
    {"reboots": _reboots},
    """\
title = "Hatchery hall"

[controller.skid]
connect = "tcp://10.20.0.11"
simulate.signals = [{ at = "holding 0 uint32", shape = "counter", low = 100000000, period = "20 ms" }]

[controller.hall]
connect = "tcp://10.20.0.12"
storage = "volatile"
identity = { vendor = "hatchery works", product = "hall", revision = "2.0" }

[controller.oxygen]
connect = "tcp://10.20.0.13"
storage = "volatile"

[transfer.water]
from = "skid"
to = "hall"
every = "500 ms"
max_age = "2 s"
on_loss = "hold"
status = "holding 90"
values = [{ name = "water made good", take = "holding 0 uint32", put = "holding 100 uint32" }]

[transfer.demand]
from = "hall"
to = "oxygen"
every = "500 ms"
max_age = "2 s"
on_loss = "hold"
status = "holding 20"
values = [{ name = "oxygen demand", take = "holding 200 uint32", put = "holding 10 uint32" }]
""",
    {"hall": "S14"},
)

# The network.

SILENT_AFTER_NS: Final = 60 * NS_PER_S
SILENT_NS: Final = 600 * NS_PER_S
JITTER_NS: Final = 600 * NS_PER_MS
TWIN_NS: Final = 30 * NS_PER_S


def _silent(victim: Victim) -> None:
    """Nothing is answered for ten minutes, and every connection stands, or is made, as if all were well."""
    simulated = victim.simulated
    started_ns = 0

    def begin() -> None:
        nonlocal started_ns
        started_ns = simulated.station.clock.now_ns()

    def hook(_number: int, _unit: int, _pdu: bytes) -> Fault | None:
        passed_ns = simulated.station.clock.now_ns() - started_ns - SILENT_AFTER_NS
        return Fault(is_silent=True) if 0 <= passed_ns < SILENT_NS else None

    simulated.on_started.append(begin)
    simulated.fault = hook


def _jitter(victim: Victim) -> None:
    rng = victim.rng
    victim.simulated.fault = lambda _number, _unit, _pdu: Fault(delay_ns=rng.randrange(JITTER_NS), holds_up=True)


def _twin(victim: Victim) -> None:
    """Every other connection leads to another device of the same address, with other contents."""
    simulated, usual = victim.simulated, victim.simulated.respond
    own = simulated.responder.device.identity
    if not own.objects[1]:
        own = Identity({0: b"hatchery works", 1: victim.name.encode(), 2: b"2.0"})
    other = Identity({**own.objects, 1: b"drum filter"})

    def respond(unit: int, pdu: bytes) -> bytes | None:
        is_other = simulated.counts.connections % 2 == 0
        simulated.responder.device.identity = other if is_other else own
        answer = usual(unit, pdu)
        if is_other and answer is not None and answer[0] in _READS:
            return answer[:2] + bytes(each ^ 0xFF for each in answer[2:])
        return answer

    def change_over() -> None:
        simulated.station.lose_connections()
        again()

    def again() -> None:
        simulated.call_in(TWIN_NS, change_over)

    simulated.respond = respond
    simulated.on_started.append(again)


S15: Final = Device(
    "S15",
    "a network that plays tricks",
    "`silent`: after a minute nothing is answered for ten minutes, and the connections stand as if all were well. "
    "`jitter`: every answer takes up to 600 ms more. `twin`: two devices have the same address, and every 30 s the "
    "other one answers, with another product name in its identification and other contents in its registers.",
    "`silent`: told within the time-outs that the plan declares, and Good again within two periods and a "
    "connection. `jitter`: nothing but older values. `twin`: with `identity` what is taken from the other "
    "device is Uncertain at best, and nothing is written to it.",
    {"silent": _silent, "jitter": _jitter, "twin": _twin},
    """\
title = "Hatchery water exchange"

[controller.skid]
connect = "tcp://10.20.0.11"
limits = { timeout = "1 s" }
identity = { vendor = "hatchery works", product = "skid", revision = "2.0" }
simulate.signals = [
  { at = "holding 0 uint32", shape = "counter", low = 100000000, period = "20 ms" },
  { at = "holding 40 uint32", shape = "counter", low = 300000000, period = "20 ms" },
]

[controller.hall]
connect = "tcp://10.20.0.12"
storage = "volatile"

[transfer.water]
from = "skid"
to = "hall"
every = "2 s"
max_age = "8 s"
on_loss = "hold"
status = "holding 90"
values = [
  { name = "water made good", take = "holding 0 uint32", put = "holding 100 uint32" },
  { name = "oxygen given", take = "holding 40 uint32", put = "holding 102 uint32" },
]
""",
    {"skid": "S15:silent"},
)
