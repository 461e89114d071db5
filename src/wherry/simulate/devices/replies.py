"""S1 to S4: replies that come late, under another name, in pieces, or broken."""

from __future__ import annotations

from random import Random
from typing import Final

from wherry.clock import NS_PER_MS
from wherry.limits import MBAP_BYTES
from wherry.simulate.device import Fault
from wherry.simulate.devices.base import Attach, Device, Victim, one_of

LATE_SHARE: Final = 0.01
OFTEN_SHARE: Final = 0.1
_BYTE_COUNT_AT: Final = MBAP_BYTES + 1
_LENGTH_AT: Final = 4


def _late(share: float) -> Attach:
    def attach(victim: Victim) -> None:
        rng, timeout_ns = victim.rng, victim.timeout_ns

        def hook(_number: int, _unit: int, _pdu: bytes) -> Fault | None:
            if rng.random() >= share:
                return None
            return Fault(delay_ns=timeout_ns + rng.randrange(2 * timeout_ns))

        victim.simulated.fault = hook

    return attach


_SOURCES: Final = """
simulate.signals = [
  { at = "holding 0 uint32", shape = "counter", low = 100000000, period = "20 ms" },
  { at = "holding 2 uint32", shape = "counter", low = 200000000, period = "20 ms" },
  { at = "holding 40 uint32", shape = "counter", low = 300000000, period = "20 ms" },
  { at = "holding 42 uint32", shape = "counter", low = 400000000, period = "20 ms" },
  { at = "holding 80 uint32", shape = "counter", low = 500000000, period = "20 ms" },
  { at = "holding 82 uint32", shape = "counter", low = 600000000, period = "20 ms" },
]
"""
_VALUES: Final = """
values = [
  { name = "water made good", take = "holding 0 uint32", put = "holding 100 uint32" },
  { name = "water drained", take = "holding 2 uint32", put = "holding 102 uint32" },
  { name = "oxygen given", take = "holding 40 uint32", put = "holding 104 uint32" },
  { name = "oxygen lost", take = "holding 42 uint32", put = "holding 106 uint32" },
  { name = "feed given", take = "holding 80 uint32", put = "holding 108 uint32" },
  { name = "feed left", take = "holding 82 uint32", put = "holding 110 uint32" },
]
"""


def counters_plan(connect: str, more: str = "", *, every: str = "200 ms", max_age: str = "1 s") -> str:
    """Three blocks of equal length, far from each other, whose numbers are unlike at every instant."""
    return f"""\
title = "Hatchery water exchange"

[controller.skid]
connect = "{connect}"
{more}{_SOURCES}
[controller.hall]
connect = "tcp://10.20.0.12"
storage = "volatile"

[transfer.water]
from = "skid"
to = "hall"
every = "{every}"
max_age = "{max_age}"
on_loss = "hold"
status = "holding 90"
{_VALUES}"""


S1: Final = Device(
    "S1",
    "late replies",
    "One reply in a hundred (`often`: one in ten) leaves after its time-out plus a random while, with the right "
    "transaction id: a gateway that was busy, or a program that had something else to do. Whoever takes the next "
    "bytes as the next answer gives the values of one block to another from then on.",
    "A late reply is dropped by its transaction id and counted; the next answer is right, and the connection stays.",
    {"late": _late(LATE_SHARE), "often": _late(OFTEN_SHARE)},
    counters_plan("tcp://10.20.0.11", 'limits = { timeout = "300 ms", in_flight = 3 }'),
    {"skid": "S1"},
)

S2: Final = Device(
    "S2",
    "late replies without transaction ids",
    "Serial frames in a TCP connection, one reply in a hundred late, and blocks of equal length: nothing in a late "
    "reply says which request it answers.",
    "After a time-out the connection is given up and made anew, so that a late reply ends with the old one; none is "
    "taken as the answer to another request.",
    {"late": _late(LATE_SHARE), "often": _late(OFTEN_SHARE)},
    counters_plan("rtu+tcp://10.20.0.11:4001", 'limits = { timeout = "300 ms" }', every="500 ms"),
    {"skid": "S2"},
)


# Transaction ids and unit ids that do not come back.


def _transaction(number: int) -> Attach:
    def attach(victim: Victim) -> None:
        victim.simulated.fault = lambda _number, _unit, _pdu: Fault(
            alter=lambda adu: number.to_bytes(2, "big") + adu[2:]
        )

    return attach


def _swapped(victim: Victim) -> None:
    victim.simulated.fault = lambda _number, _unit, _pdu: Fault(alter=lambda adu: adu[1::-1] + adu[2:])


def _plus_one(victim: Victim) -> None:
    victim.simulated.fault = lambda _number, _unit, _pdu: Fault(transaction_shift=1)


def _only_zero(victim: Victim) -> None:
    """Whether a request is answered hangs on its transaction id, which only the reply's frame shows here."""
    victim.simulated.fault = lambda _number, _unit, _pdu: Fault(
        alter=lambda adu: adu if adu[:2] == b"\x00\x00" else b""
    )


def _other_unit(victim: Victim) -> None:
    victim.simulated.fault = lambda _number, unit, _pdu: Fault(unit=255 if unit != 255 else 1)


S3: Final = Device(
    "S3",
    "ids that do not come back",
    "Replies that do not carry the id of their request: the transaction id is always 0, has its two bytes swapped, "
    "or is one too many; only requests with id 0 are answered at all; or the unit id in the reply is another one. "
    "Each has been seen in devices that otherwise answer rightly.",
    "Refused, with what is wrong about the replies as the reason. With the tolerance named in the plan it works "
    "with one request at a time, and every value is Uncertain.",
    {"zero": _transaction(0), "swapped": _swapped, "plus one": _plus_one, "only zero": _only_zero, "unit": _other_unit},
    counters_plan("tcp://10.20.0.11", 'limits = { timeout = "300 ms" }'),
    {"skid": "S3:zero"},
)


# Replies in pieces, together, and broken.

_PIECES: Final = ((0.1, "split"), (0.1, "joined"))
_BROKEN: Final = ((0.01, "truncated"), (0.01, "odd"), (0.01, "longer"))
SPLIT_NS: Final = NS_PER_MS
JOINED_NS: Final = 30 * NS_PER_MS


def _in_pieces(victim: Victim) -> None:
    rng = victim.rng

    def hook(_number: int, _unit: int, _pdu: bytes) -> Fault | None:
        what = one_of(rng, _PIECES)
        if what == "split":
            return Fault(split_ns=SPLIT_NS)
        return Fault(joins_ns=JOINED_NS) if what else None

    victim.simulated.fault = hook


def _broken(victim: Victim) -> None:
    rng = victim.rng

    def hook(_number: int, _unit: int, _pdu: bytes) -> Fault | None:
        pieces, broken = one_of(rng, _PIECES), one_of(rng, _BROKEN)
        if broken == "truncated":
            return Fault(alter=lambda adu: _truncated(adu, rng))
        if broken:
            return Fault(alter=_odd if broken == "odd" else _longer)
        return Fault(split_ns=SPLIT_NS) if pieces == "split" else None

    victim.simulated.fault = hook


def _truncated(adu: bytes, rng: Random) -> bytes:
    return adu[: rng.randrange(1, len(adu))]


def _odd(adu: bytes) -> bytes:
    """One byte of data is missing, and byte count and length say so."""
    return _resized(adu[:-1], -1)


def _longer(adu: bytes) -> bytes:
    """Two registers more than were asked for, and byte count and length say so."""
    return _resized(adu + adu[-4:], 4)


def _resized(adu: bytes, by: int) -> bytes:
    altered = bytearray(adu)
    length = int.from_bytes(adu[_LENGTH_AT : _LENGTH_AT + 2], "big") + by
    altered[_LENGTH_AT : _LENGTH_AT + 2] = length.to_bytes(2, "big")
    if len(adu) > _BYTE_COUNT_AT:
        altered[_BYTE_COUNT_AT] = (altered[_BYTE_COUNT_AT] + by) & 0xFF
    return bytes(altered)


S4: Final = Device(
    "S4",
    "replies in pieces, and broken ones",
    "Replies that come byte by byte; two replies in one piece; and now and then one that stops in the middle, one "
    "with an odd number of data bytes, and one with two registers more than were asked for. A reply that stops in "
    "the middle may only be met with one request at a time: with several, the next reply would complete it, and "
    "nothing in plain Modbus TCP tells.",
    "Pieces and pairs are read as what they are. A broken reply is dropped whole, and the next exchange is in step "
    "again.",
    {"pieces": _in_pieces, "broken": _broken},
    counters_plan("tcp://10.20.0.11", 'limits = { timeout = "300 ms", in_flight = 3 }')
    + """
[controller.oxygen]
connect = "tcp://10.20.0.13"
storage = "volatile"
limits = { timeout = "300 ms" }
simulate.signals = [
  { at = "holding 0 uint32", shape = "counter", low = 700000000, period = "20 ms" },
  { at = "holding 2 uint32", shape = "counter", low = 800000000, period = "20 ms" },
]

[transfer.oxygen]
from = "oxygen"
to = "hall"
every = "200 ms"
max_age = "1 s"
on_loss = "hold"
status = "holding 190"
values = [
  { name = "oxygen made", take = "holding 0 uint32", put = "holding 200 uint32" },
  { name = "oxygen stored", take = "holding 2 uint32", put = "holding 202 uint32" },
]
""",
    {"skid": "S4:pieces", "oxygen": "S4:broken"},
)
