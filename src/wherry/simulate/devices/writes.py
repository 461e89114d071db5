"""S9 to S11: writes that are answered but not carried out, that wear the memory out, and that must not stop."""

from __future__ import annotations

import contextlib
from collections import Counter
from collections.abc import Callable, Sequence
from typing import Final

from wherry.clock import NS_PER_S
from wherry.errors import LocalError
from wherry.plan.model import Point, Table, Value
from wherry.simulate.devices.base import Attach, Device, Victim
from wherry.values.codec import Value as Content
from wherry.values.codec import reader, writer

CLAMP: Final = 1000
LATE_NS: Final = 5 * NS_PER_S
REVERT_NS: Final = 60 * NS_PER_S
SECOND_WRITER_NS: Final = 30 * NS_PER_S
FOREIGN: Final = 777


class Registers:
    """Registers of a device from inside: what is done here is no write of a client's."""

    def __init__(self, victim: Victim) -> None:
        self._moving = victim.simulated.moving

    def read(self, point: Point) -> bytes:
        """The bytes of a point as they travel."""
        if point.table.is_bits:
            return self._moving.memory.read_bits(point.table, point.address, point.count)
        return self._moving.memory.read_registers(point.table, point.address, point.count)

    def put(self, point: Point, data: bytes) -> None:
        """Set them."""
        if point.table.is_bits:
            self._moving.memory.write_bits(point.table, point.address, point.count, data)
        else:
            self._moving.memory.write_registers(point.table, point.address, data)


def number_data(point: Point, number: float) -> bytes | None:
    """A number as a point holds it; None when it does not hold this one, or no numbers."""
    content: Content = number if point.type.kind.value == "float" else round(number)
    if point.type.kind.value == "bool":
        content = bool(number)
    with contextlib.suppress(LocalError, TypeError, ValueError):
        return writer(point)(content)
    return None


def touches(pdu: bytes, point: Point) -> bool:
    """Whether a write request (05, 06, 0F, 10, 16 hex) touches a point."""
    function = pdu[0]
    if function not in (0x05, 0x06, 0x0F, 0x10, 0x16) or len(pdu) < 5:
        return False
    table = Table.COIL if function in (0x05, 0x0F) else Table.HOLDING
    start = int.from_bytes(pdu[1:3], "big")
    count = int.from_bytes(pdu[3:5], "big") if function in (0x0F, 0x10) else 1
    return point.table is table and start < point.address + point.count and point.address < start + count


Lie = Callable[[Victim, Registers, Point, bytes], None]
"""Called after a write was carried out and answered, with what the point held before."""


def _after_writes(victim: Victim, lies: Sequence[tuple[Point, Lie]]) -> None:
    usual, registers = victim.simulated.respond, Registers(victim)

    def respond(unit: int, pdu: bytes) -> bytes | None:
        hit = [(point, lie, registers.read(point)) for point, lie in lies if touches(pdu, point)]
        answer = usual(unit, pdu)
        if answer is not None and not answer[0] & 0x80:
            for point, lie, before in hit:
                lie(victim, registers, point, before)
        return answer

    victim.simulated.respond = respond


def _ignores(_victim: Victim, registers: Registers, point: Point, before: bytes) -> None:
    registers.put(point, before)


def _clamps(_victim: Victim, registers: Registers, point: Point, _before: bytes) -> None:
    with contextlib.suppress(LocalError):
        held = reader(point)(registers.read(point))
        if isinstance(held, int | float) and held > CLAMP and (data := number_data(point, CLAMP)) is not None:
            registers.put(point, data)


def _applies_late(victim: Victim, registers: Registers, point: Point, before: bytes) -> None:
    given = registers.read(point)
    registers.put(point, before)
    victim.simulated.call_in(LATE_NS, lambda: registers.put(point, given))


def _reverts(victim: Victim, registers: Registers, point: Point, before: bytes) -> None:
    given = registers.read(point)
    if given == before:
        return

    def revert() -> None:
        if registers.read(point) == given:
            registers.put(point, before)

    victim.simulated.call_in(REVERT_NS, revert)


def _second_writer(victim: Victim, point: Point) -> None:
    registers = Registers(victim)

    def again() -> None:
        victim.simulated.call_in(SECOND_WRITER_NS, write)

    def write() -> None:
        if (data := number_data(point, FOREIGN)) is not None:
            registers.put(point, data)
        again()

    victim.simulated.on_started.append(again)


_LIES: Final[dict[str, Lie]] = {"ignores": _ignores, "clamps": _clamps, "late": _applies_late, "reverts": _reverts}
LIARS: Final = (*_LIES, "second writer")


def _lies_by(choice: Callable[[int], str]) -> Attach:
    def attach(victim: Victim) -> None:
        lies: list[tuple[Point, Lie]] = []
        for index, value in enumerate(victim.given):
            name = choice(index)
            if name in _LIES:
                lies.append((value.put, _LIES[name]))
            else:
                _second_writer(victim, value.put)
        _after_writes(victim, lies)

    return attach


_SETPOINTS: Final = "\n".join(
    f'  {{ at = "holding {index} uint16", shape = "step", low = {900 + 10 * index}, high = {1100 + 10 * index}, '
    f'period = "400 s" }},'
    for index in range(len(LIARS))
)


def _setpoint_values(more: str = "") -> str:
    return "\n".join(
        f'  {{ name = "setpoint {index + 1}", take = "holding {index} uint16", put = "holding {100 + index} uint16", '
        f'verify = "2 s" }},'
        for index in range(len(LIARS))
    )


S9: Final = Device(
    "S9",
    "writes that do not stay",
    "Every write is answered as it should be, and then: the first value is ignored; the second is clamped at 1000; the "
    "third is applied five seconds later; the fourth falls back after a minute to what it was before; and the fifth is "
    "set to 777 by somebody else every 30 s. With more values it begins again with the first; one kind alone does the "
    "same with all values.",
    "With `verify` each of the five has an outcome of its own: accepted and ignored; accepted, but held at a bound; "
    "verified late; reverted; overwritten. After the last two nothing is put there any more: nobody fights.",
    {
        "all five": _lies_by(lambda index: LIARS[index % len(LIARS)]),
        **{name: _lies_by(lambda _index, name=name: name) for name in LIARS},  # type: ignore[misc]
    },
    f"""\
title = "Hatchery setpoints"

[controller.skid]
connect = "tcp://10.20.0.11"
simulate.signals = [
{_SETPOINTS}
]

[controller.hall]
connect = "tcp://10.20.0.12"
storage = "volatile"

[transfer.setpoints]
from = "skid"
to = "hall"
every = "1 s"
max_age = "5 s"
on_loss = "hold"
status = "holding 90"
values = [
{_setpoint_values()}
]
""",
    {"hall": "S9:all five"},
)

# Wear.


def _wears_out(victim: Victim) -> None:
    registers, usual = Registers(victim), victim.simulated.respond
    points = [each.put for each in victim.given]
    writes: Counter[Point] = Counter()
    endurance = victim.simulated.controller.endurance

    def respond(unit: int, pdu: bytes) -> bytes | None:
        hit = [(point, registers.read(point)) for point in points if touches(pdu, point)]
        answer = usual(unit, pdu)
        if answer is not None and not answer[0] & 0x80:
            for point, before in hit:
                writes[point] += 1
                if writes[point] > endurance:
                    registers.put(point, before)
        return answer

    victim.simulated.respond = respond


S10: Final = Device(
    "S10",
    "memory that wears out",
    "Everything that is written goes into memory that stands as many writes of a place as the plan's `endurance` says "
    "(10,000 here); after that the place keeps "
    "what it has, and every write is still answered as if it had been carried out. The source is noisy: its value "
    "never stands still, and swings by 0.1 to both sides.",
    "With a deadband wider than the noise, more than ten years are forecast and nothing is written for noise. "
    "Without one `wherry check` refuses the plan. The ledger of writes is never below the truth.",
    {"memory": _wears_out},
    """\
title = "Hatchery temperature setpoint"

[controller.skid]
connect = "tcp://10.20.0.11"
simulate.signals = [{ at = "holding 0 float32", shape = "walk", low = 8.9, high = 9.1, period = "2 s" }]

[controller.hall]
connect = "tcp://10.20.0.12"
storage = "non-volatile"
endurance = 10000
life = "10 y"

[transfer.setpoint]
from = "skid"
to = "hall"
every = "1 s"
on_loss = "hold"
values = [
  { name = "temperature", take = "holding 0 float32", put = "holding 100 float32", deadband = 0.5 },
]
""",
    {"hall": "S10"},
)

# A lease.

LEASE_NS: Final = 30 * NS_PER_S
LIMIT: Final = 32767
LOOK_NS: Final = NS_PER_S


def _runs_on(*, is_timer_active: bool) -> Attach:
    def attach(victim: Victim) -> None:
        simulated, registers, usual = victim.simulated, Registers(victim), victim.simulated.respond
        values: list[Value] = victim.given
        last_ns = 0
        timer_works = is_timer_active

        def respond(unit: int, pdu: bytes) -> bytes | None:
            nonlocal last_ns
            if any(touches(pdu, each.put) for each in values):
                last_ns = simulated.station.clock.now_ns()
            return usual(unit, pdu)

        def look() -> None:
            nonlocal timer_works
            if simulated.is_killed:
                # Switched off and on, it does what it was set to do.
                timer_works = True
            elif timer_works and simulated.station.clock.now_ns() - last_ns >= LEASE_NS:
                for each in values:
                    if (data := number_data(each.put, LIMIT)) is not None:
                        registers.put(each.put, data)
            simulated.call_in(LOOK_NS, look)

        def begin() -> None:
            nonlocal last_ns
            last_ns = simulated.station.clock.now_ns()
            simulated.call_in(LOOK_NS, look)

        simulated.respond = respond
        simulated.on_started.append(begin)

    return attach


S11: Final = Device(
    "S11",
    "a lease that must be kept",
    "What it is given counts for 30 s. Not written again in that time, it runs on to its upper limit (32767). In "
    "the kind `timer off` the timer was set but only works after the device has been switched off and on: until "
    "then it keeps its last value for ever, although its manual says otherwise.",
    "With `lease` the value is written again in time, whether it changed or not; the plan's report says what "
    "happens when the writes stop; after our stop the device does it when the lease is over.",
    {"lease": _runs_on(is_timer_active=True), "timer off": _runs_on(is_timer_active=False)},
    """\
title = "Hatchery pump speed"

[controller.skid]
connect = "tcp://10.20.0.11"
simulate.signals = [{ at = "holding 0 uint16", shape = "step", low = 400, high = 600, period = "600 s" }]

[controller.hall]
connect = "tcp://10.20.0.12"
storage = "volatile"
lease = "30 s"
when_silent = "runs on"

[transfer.speed]
from = "skid"
to = "hall"
every = "1 s"
on_loss = "hold"
values = [{ name = "pump speed", take = "holding 0 uint16", put = "holding 100 uint16", refresh = "10 s" }]
""",
    {"hall": "S11:lease"},
)
