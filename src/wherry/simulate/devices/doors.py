"""S7 and S8: one connection that must not be made too often, and a gateway with units that are not there."""

from __future__ import annotations

from typing import Final

from wherry.clock import NS_PER_MS, NS_PER_S
from wherry.protocol.functions import ExceptionCode
from wherry.simulate.controller import SimulatedController
from wherry.simulate.device import Door, Fault
from wherry.simulate.devices.base import Device, Victim

IDLE_NS: Final = 10 * NS_PER_S
HELD_NS: Final = 60 * NS_PER_S
CONNECTS_PER_HOUR_MAX: Final = 30
DIES_NS: Final = 1800 * NS_PER_S
"""Mean time until a connection dies by itself."""


def _dies_now_and_then(victim: Victim, mean_ns: int) -> None:
    simulated, rng = victim.simulated, victim.rng

    def again() -> None:
        simulated.call_in(round(rng.expovariate(1 / mean_ns)), die)

    def die() -> None:
        simulated.station.lose_connections()
        again()

    simulated.on_started.append(again)


def _one_connection(victim: Victim) -> None:
    victim.simulated.door = Door(
        connections_max=1, idle_ns=IDLE_NS, held_ns=HELD_NS, connects_per_hour_max=CONNECTS_PER_HOUR_MAX
    )
    _dies_now_and_then(victim, DIES_NS)


S7: Final = Device(
    "S7",
    "one connection, and not too often",
    "One connection at a time. It is closed when nothing was asked for 10 s. One that died (here by itself every "
    "half hour or so) keeps the only place for another 60 s, in which new ones are closed at once. And after "
    "more than 30 connections within an hour the device locks up: it accepts connections and answers nothing until "
    "its power is switched off and on.",
    "Never more connections than the plan's limits say, however long the place is taken; the device never locks up;"
    " the reason says what is happening; all is Good again soon after the place is free.",
    {"one connection": _one_connection},
    """\
title = "Hatchery oxygen"

[controller.skid]
connect = "tcp://10.20.0.11"
limits = { timeout = "500 ms", connects = 20, idle = "10 s" }
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
every = "5 s"
max_age = "20 s"
on_loss = "hold"
status = "holding 90"
values = [
  { name = "water made good", take = "holding 0 uint32", put = "holding 100 uint32" },
  { name = "oxygen given", take = "holding 40 uint32", put = "holding 102 uint32" },
]
""",
    {"skid": "S7"},
)

# A gateway.

UNITS: Final = 20
DEAD: Final = (4, 11, 17)
DEAD_NS: Final = 3 * NS_PER_S
QUEUE_MAX: Final = 3
GATEWAY_PERIOD_NS: Final = 5 * NS_PER_S
GATEWAY_DIES_NS: Final = 240 * NS_PER_S


def _gateway(victim: Victim) -> None:
    victim.simulated.door = Door(queue_max=QUEUE_MAX, answers_late=True)
    _dies_now_and_then(victim, GATEWAY_DIES_NS)


def _dead_unit(victim: Victim) -> None:
    fault = Fault(exception=ExceptionCode.GATEWAY_TARGET_FAILED, delay_ns=DEAD_NS, holds_up=True)
    victim.simulated.fault = lambda _number, _unit, _pdu: fault


def is_dead(simulated: SimulatedController) -> bool:
    """Whether this unit of the gateway is one that is not there."""
    return simulated.fault is not None


def _unit_name(unit: int) -> str:
    return f"tank{unit}"


_GATEWAY_UNITS: Final = "".join(
    f"""
[controller.{_unit_name(unit)}]
connect = "tcp://10.20.0.11"
unit = {unit}
limits = {{ timeout = "4 s", in_flight = 5, gateway_timeout = "3 s" }}
response = {{ fixed = "60 ms", per_register = "1 ms" }}
simulate.signals = [{{ at = "holding 0 uint32", shape = "counter", low = {unit * 100_000_000}, period = "20 ms" }}]
"""
    for unit in range(1, UNITS + 1)
)
_GATEWAY_TRANSFERS: Final = "".join(
    f"""
[transfer.{_unit_name(unit)}]
from = "{_unit_name(unit)}"
to = "hall"
every = "{GATEWAY_PERIOD_NS // NS_PER_MS} ms"
max_age = "15 s"
on_loss = "hold"
status = "holding {1000 + 4 * unit}"
values = [{{ name = "oxygen {unit}", take = "holding 0 uint32", put = "holding {100 + 2 * unit} uint32" }}]
"""
    for unit in range(1, UNITS + 1)
)

S8: Final = Device(
    "S8",
    "a gateway with units that are not there",
    "A gateway with twenty units on a serial line, one request at a time. Three of the units are not there: asking "
    "one of them takes the line for three seconds, and ends with exception 0B. When more than three requests wait, "
    "a further one is refused with 06 (busy). The connection dies now and then, and what was asked on it is then "
    "answered on the next.",
    "The units that are there keep their period (within 1.3 of it, all in all). A busy gateway (06) is asked again "
    "after a pause; the three are reported as what they are; no answer to an old request is taken. A time-out "
    "shorter than the gateway's own is found by `wherry check`.",
    {"gateway": _gateway, "dead unit": _dead_unit},
    f"""\
title = "Hatchery tanks behind a gateway"
{_GATEWAY_UNITS}
[controller.hall]
connect = "tcp://10.20.0.12"
storage = "volatile"
limits = {{ in_flight = 4 }}
{_GATEWAY_TRANSFERS}""",
    {_unit_name(1): "S8:gateway", **{_unit_name(unit): "S8:dead unit" for unit in DEAD}},
)
