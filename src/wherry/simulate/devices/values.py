"""S12 and S13: values that are caught in the middle of an update, and numbers that are not data."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

from wherry.clock import NS_PER_MS, NS_PER_S
from wherry.plan.model import Point, Table, Value
from wherry.simulate.controller import SCAN_NS
from wherry.simulate.devices.base import Attach, Device, Victim
from wherry.simulate.signals import Mover
from wherry.values.types import Kind

UPDATE_NS: Final = 200 * NS_PER_MS
TORN_NS: Final = 50 * NS_PER_MS


def updated_ns(now_ns: int) -> int:
    """The instant of the program's last complete update (of its own time)."""
    last_ns = now_ns - now_ns % UPDATE_NS
    return last_ns if now_ns - last_ns >= TORN_NS else max(0, last_ns - UPDATE_NS)


def _torn_mover(mover: Mover, odd: list[int]) -> Mover:
    """The same values, but taken over every 200 ms only, the registers at an odd place 50 ms after the others."""

    def bytes_at(now_ns: int) -> bytes:
        begun_ns = now_ns - now_ns % UPDATE_NS
        new = mover.bytes_at(begun_ns)
        if now_ns - begun_ns >= TORN_NS or begun_ns == 0 or mover.table.is_bits or mover.bit is not None:
            return new
        old = mover.bytes_at(begun_ns - UPDATE_NS)
        return b"".join(
            (old if mover.address + index in odd else new)[2 * index : 2 * index + 2] for index in range(mover.count)
        )

    return replace(mover, bytes_at=bytes_at, part=None)


def _guard_mover(point: Point) -> Mover:
    """Odd while an update is under way, even at rest."""

    def bytes_at(now_ns: int) -> bytes:
        updates = now_ns // UPDATE_NS
        is_under_way = now_ns - updates * UPDATE_NS < TORN_NS
        return (2 * updates + (1 if is_under_way else 2) & 0xFFFF).to_bytes(2, "big")

    return Mover(point.table, point.address, 1, None, bytes_at, f"{point}: moves when an update begins and ends")


def _torn(victim: Victim) -> None:
    moving = victim.simulated.moving
    # Updates come as often as they do here, whatever the plan believes of them.
    victim.simulated.scan_ns = SCAN_NS
    taken = sorted(
        {
            (each.take.table, address)
            for each in victim.taken
            for address in range(each.take.address, each.take.address + each.take.count)
        },
        key=lambda each: (list(Table).index(each[0]), each[1]),
    )
    odd = {table: [at for index, (of, at) in enumerate(taken) if of is table and index % 2] for table in Table}
    moving.change(lambda mover: _torn_mover(mover, odd[mover.table]))
    guards = [
        each.careful.guard
        for each in victim.plan.transfers
        if each.source == victim.name and each.careful is not None and each.careful.guard is not None
    ]
    for guard in guards:
        moving.pin(guard.table, guard.address, 1)
        moving.add(_guard_mover(guard))


def _torn_plan(careful: str) -> str:
    return f"""\
title = "Hatchery meters"

[controller.skid]
connect = "tcp://10.20.0.11"
simulate.signals = [
  {{ at = "holding 0 uint32", shape = "ramp", low = 0, high = 4294967295, period = "977 s" }},
  {{ at = "holding 2 uint32", shape = "counter", low = 65000, period = "2 ms" }},
  {{ at = "holding 4 int16", shape = "ramp", low = 0, high = 30000, period = "613 s" }},
  {{ at = "holding 5 int16", shape = "ramp", low = -3, high = 3, period = "31 s" }},
]

[controller.hall]
connect = "tcp://10.20.0.12"
storage = "volatile"

[transfer.meters]
from = "skid"
to = "hall"
every = "500 ms"
max_age = "2 s"
on_loss = "hold"
status = "holding 90"
{careful}
values = [
  {{ name = "water made good", take = "holding 0 uint32", put = "holding 100 uint32", group = "meters" }},
  {{ name = "water drained", take = "holding 2 uint32", put = "holding 102 uint32", group = "meters" }},
  {{ name = "mantissa", take = "holding 4 int16", put = "holding 104 int16", group = "meters" }},
  {{ name = "exponent", take = "holding 5 int16", put = "holding 105 int16", group = "meters" }},
]
"""


S12: Final = Device(
    "S12",
    "values caught in the middle of an update",
    "The program takes its values over every 200 ms, first every other register and 50 ms later the rest: a value "
    "of two registers can be half old and half new, and a mantissa can stand beside the exponent of the value "
    "before. A counter (the `guard` of the plan, where it has one) moves when an update begins and when it ends.",
    "With `guard`, or with `double_read` where there is no guard, no torn value and no value of the wrong decade "
    "arrives.",
    {"torn": _torn},
    _torn_plan('guard = "holding 8"'),
    {"skid": "S12"},
)
DOUBLE_READ_PLAN: Final = _torn_plan('double_read = "60 ms"')
CARELESS_PLAN: Final = _torn_plan("")

# Numbers that are not data.

EPISODE_NS: Final = 300 * NS_PER_MS
EPISODE_EVERY_NS: Final = 7 * NS_PER_S
STAGGER_NS: Final = 1100 * NS_PER_MS


def bad_data(value: Value, episode: int) -> bytes:
    """What stands in the registers of a value while it is no data: by its type, and by what the plan knows of it."""
    take = value.take
    size = 2 * take.count
    kind = take.type.kind
    if kind is Kind.FLOAT:
        quiet, infinite = (b"\x7f\xc0", b"\x7f\x80") if size == 4 else (b"\x7f\xf8", b"\x7f\xf0")
        words = (quiet if episode % 2 else infinite).ljust(size, b"\x00")
    elif kind is Kind.BCD:
        words = b"\xaa" * size
    elif value.not_available:
        words = (value.not_available[episode % len(value.not_available)] % (1 << 8 * size)).to_bytes(size, "big")
    elif value.counter is not None or (value.range is not None and value.range[0] > 0):
        words = bytes(size)
    elif kind is Kind.INT:
        words = b"\x80".ljust(size, b"\x00")
    else:
        words = b"\xff" * size
    return _as_held(words, value)


def _as_held(words: bytes, value: Value) -> bytes:
    """Bytes with the high word first, in the order in which this value holds them."""
    registers = [words[at : at + 2] for at in range(0, len(words), 2)]
    order = str(value.take.order)
    if order in ("CDAB", "DCBA"):
        registers.reverse()
    if order in ("BADC", "DCBA"):
        registers = [each[::-1] for each in registers]
    return b"".join(registers)


def is_episode(index: int, now_ns: int) -> bool:
    """Whether the value of this place in the list is no data at an instant of the program's time."""
    return (now_ns - index * STAGGER_NS) % EPISODE_EVERY_NS < EPISODE_NS and now_ns >= EPISODE_EVERY_NS


def _not_data(victim: Victim) -> None:
    values = [each for each in victim.taken if not each.take.table.is_bits and each.take.bit is None]

    def changed(mover: Mover) -> Mover:
        own = [
            (index, each)
            for index, each in enumerate(values)
            if each.take.table is mover.table
            and mover.address <= each.take.address
            and each.take.address + each.take.count <= mover.address + mover.count
        ]
        if mover.bit is not None or not own:
            return mover

        def bytes_at(now_ns: int) -> bytes:
            data = mover.bytes_at(now_ns)
            for index, value in own:
                if is_episode(index, now_ns):
                    at = 2 * (value.take.address - mover.address)
                    bad = bad_data(value, now_ns // EPISODE_EVERY_NS)
                    data = data[:at] + bad + data[at + len(bad) :]
            return data

        return replace(mover, bytes_at=bytes_at, part=None)

    victim.simulated.moving.change(changed)


_NOT_DATA: Final[dict[str, Attach]] = {"not data": _not_data}

S13: Final = Device(
    "S13",
    "numbers that are not data",
    "Each value is no data for a moment every seven seconds, each at another time: a code of its own for `not "
    "available`, a single 0 of a counter, not-a-number and infinity, a BCD digit beyond 9, the least number of its "
    "type. The temperature goes below zero, and two floats of one device have their words in different orders.",
    "All of them are told by the quality of the value, and none arrives; no counter steps back; what is below zero "
    "and in the other order arrives as what it is.",
    _NOT_DATA,
    """\
title = "Hatchery sensors"

[controller.skid]
connect = "tcp://10.20.0.11"
simulate.signals = [
  { at = "holding 0 int16", shape = "ramp", low = -300, high = 300, period = "900 s" },
  { at = "holding 1 uint16", shape = "ramp", low = 100, high = 900, period = "61 s" },
  { at = "holding 2 uint32", shape = "counter", low = 70000, period = "1 s" },
  { at = "holding 4 float32", shape = "sine", low = 6, high = 11, period = "71 s" },
  { at = "holding 6 float32 CDAB", shape = "sine", low = 6, high = 11, period = "83 s" },
  { at = "holding 8 bcd16", shape = "ramp", low = 0, high = 9999, period = "97 s" },
]

[controller.hall]
connect = "tcp://10.20.0.12"
storage = "volatile"

[transfer.sensors]
from = "skid"
to = "hall"
every = "200 ms"
max_age = "1 s"
on_loss = "hold"
status = "holding 90"
values = [
  { name = "water temperature", take = "holding 0 int16", put = "holding 100 int16", not_available = ["0x8000"] },
  { name = "tank level", take = "holding 1 uint16", put = "holding 101 uint16", not_available = ["0xFFFF", "0x7FFF"] },
  { name = "water made good", take = "holding 2 uint32", put = "holding 102 uint32", counter = "up" },
  { name = "tank 1 oxygen", take = "holding 4 float32", put = "holding 104 float32", range = [0, 20] },
  { name = "tank 2 oxygen", take = "holding 6 float32 CDAB", put = "holding 106 float32", range = [0, 20] },
  { name = "feed", take = "holding 8 bcd16", put = "holding 108 bcd16", range = [0, 9999] },
]
""",
    {"skid": "S13"},
)
