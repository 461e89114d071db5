"""S5 and S6: registers that do not exist, and requests that ask for too many."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from wherry.plan.model import Point, Table
from wherry.protocol.functions import EXCEPTION_BIT, ExceptionCode
from wherry.simulate.devices.base import Attach, Device, Victim

_READS: Final = {3: Table.HOLDING, 4: Table.INPUT}
QUANTITY_MAX: Final = 16

Read = Callable[[Table, int, int], bytes | int]
"""What a read of registers gives: their bytes, or an exception code."""


def _reading(victim: Victim, read: Read) -> None:
    """Let reads of registers be answered by ``read``; everything else is answered as ever."""
    usual = victim.simulated.respond

    def respond(unit: int, pdu: bytes) -> bytes | None:
        table = _READS.get(pdu[0])
        if table is None or len(pdu) != 5:
            return usual(unit, pdu)
        start, count = int.from_bytes(pdu[1:3], "big"), int.from_bytes(pdu[3:5], "big")
        if not 1 <= count <= victim.simulated.controller.limits.read_registers or start + count > 1 << 16:
            return usual(unit, pdu)
        data = read(table, start, count)
        if isinstance(data, int):
            return bytes((pdu[0] | EXCEPTION_BIT, data))
        return bytes((pdu[0], len(data))) + data

    victim.simulated.respond = respond


def _existing(victim: Victim, table: Table, start: int, count: int) -> list[int]:
    """The addresses of a run that exist."""
    holes = [each for each in victim.simulated.controller.simulation.holes if each.table is table]
    return [at for at in range(start, start + count) if not any(each.start <= at < each.stop for each in holes)]


def _register(victim: Victim, table: Table, address: int) -> bytes:
    return victim.simulated.moving.read_registers(table, address, 1)


def _filled(victim: Victim, table: Table, start: int, count: int) -> bytes:
    """The run with zeros where nothing exists."""
    existing = set(_existing(victim, table, start, count))
    return b"".join(
        _register(victim, table, at) if at in existing else b"\x00\x00" for at in range(start, start + count)
    )


def _refuses_any(victim: Victim) -> None:
    def read(table: Table, start: int, count: int) -> bytes | int:
        if len(_existing(victim, table, start, count)) < count:
            return ExceptionCode.ILLEGAL_DATA_ADDRESS
        return _filled(victim, table, start, count)

    _reading(victim, read)


def _refuses_all(victim: Victim) -> None:
    def read(table: Table, start: int, count: int) -> bytes | int:
        if not _existing(victim, table, start, count):
            return ExceptionCode.ILLEGAL_DATA_ADDRESS
        return _filled(victim, table, start, count)

    _reading(victim, read)


def _fills_with_zero(victim: Victim) -> None:
    _reading(victim, lambda table, start, count: _filled(victim, table, start, count))


def _points(victim: Victim) -> list[Point]:
    alive = [each.alive for each in victim.plan.transfers if each.source == victim.name and each.alive is not None]
    return [*(each.take for each in victim.taken), *(each.put for each in victim.given), *alive]


def _start_only(victim: Victim) -> None:
    points = _points(victim)

    def read(table: Table, start: int, count: int) -> bytes | int:
        if not any(each.table is table and each.address == start for each in points):
            return ExceptionCode.ILLEGAL_DATA_ADDRESS
        return _filled(victim, table, start, count)

    _reading(victim, read)


def _unsplittable(victim: Victim) -> None:
    wide = [each for each in _points(victim) if not each.table.is_bits and each.count > 1]

    def read(table: Table, start: int, count: int) -> bytes | int:
        is_split = any(
            each.table is table and (each.address < edge < each.address + each.count)
            for each in wide
            for edge in (start, start + count)
        )
        if is_split or len(_existing(victim, table, start, count)) < count:
            return ExceptionCode.ILLEGAL_DATA_ADDRESS
        return _filled(victim, table, start, count)

    _reading(victim, read)


def _shifts(victim: Victim) -> None:
    def read(table: Table, start: int, count: int) -> bytes | int:
        data = b"".join(_register(victim, table, at) for at in _existing(victim, table, start, count))
        return data.ljust(2 * count, b"\x00")

    _reading(victim, read)


HOLES: Final[dict[str, Attach]] = {
    "any": _refuses_any,
    "all": _refuses_all,
    "zero-fill": _fills_with_zero,
    "start-only": _start_only,
    "unsplittable": _unsplittable,
    "shift": _shifts,
}


PLACES: Final = (0, 2, 6, 10, 14, 18)
"""Where values of two registers are: with holes between some of them, and more than sixteen registers in all."""


def _source(number: int, name: str, limits: str, holes: str) -> str:
    low = 100_000_000 * number
    counters = "\n".join(
        f'  {{ at = "holding {at} uint32", shape = "counter", low = {low + 1_000_000 * at}, period = "20 ms" }},'
        for at in PLACES
    )
    return f"""
[controller.{name}]
connect = "tcp://10.20.0.{20 + number}"
{limits}{holes}simulate.signals = [
{counters}
]
"""


def _transfer(number: int, name: str) -> str:
    values = "\n".join(
        f'  {{ name = "{name} {at}", take = "holding {at} uint32", put = "holding {100 * number + at} uint32" }},'
        for at in PLACES
    )
    return f"""
[transfer.{name}]
from = "{name}"
to = "hall"
every = "500 ms"
max_age = "1500 ms"
on_loss = "hold"
status = "holding {100 * number + 90}"
values = [
{values}
]
"""


def _plan(title: str, names: tuple[str, ...], limits: str, holes: str) -> str:
    sources = "".join(_source(number, name, limits, holes) for number, name in enumerate(names, 1))
    transfers = "".join(_transfer(number, name) for number, name in enumerate(names, 1))
    hall = '[controller.hall]\nconnect = "tcp://10.20.0.12"\nstorage = "volatile"\n'
    return f'title = "{title}"\n{sources}\n{hall}{transfers}'


_SIX: Final = ("skid", "intake", "oxygen", "feeder", "drum", "heater")

S5: Final = Device(
    "S5",
    "holes in the registers",
    "Registers that do not exist between registers that do, in each of the six ways in which devices treat them: a "
    "read over a hole is refused; it is refused only when nothing of it exists; holes read as zero; a read may only"
    " begin at certain addresses; a value of two registers may not be read in halves; or, worst of all, everything "
    "behind the hole moves up, and nothing says so. The holes are those of `simulate.holes`.",
    "No request touches a register that the plan does not name, unless `readable` says that it may; so nothing is "
    "refused and no value comes from another place.",
    HOLES,
    _plan(
        "Hatchery, six devices with holes",
        _SIX,
        "",
        'simulate.holes = ["holding 4..5", "holding 8..9", "holding 12..13", "holding 20..60"]\n',
    ),
    dict(zip(_SIX, (f"S5:{kind}" for kind in HOLES), strict=True)),
)


# Too many at once.


def _limited(answer: Callable[[Victim, bytes], bytes | None]) -> Attach:
    def attach(victim: Victim) -> None:
        usual = victim.simulated.respond

        def respond(unit: int, pdu: bytes) -> bytes | None:
            is_read = pdu[0] in _READS and len(pdu) == 5
            if is_read and int.from_bytes(pdu[3:5], "big") > QUANTITY_MAX:
                return answer(victim, pdu)
            return usual(unit, pdu)

        victim.simulated.respond = respond

    return attach


def _refused_with(code: int) -> Attach:
    return _limited(lambda _victim, pdu: bytes((pdu[0] | EXCEPTION_BIT, code)))


def _first_sixteen(victim: Victim, pdu: bytes) -> bytes:
    data = victim.simulated.moving.read_registers(_READS[pdu[0]], int.from_bytes(pdu[1:3], "big"), QUANTITY_MAX)
    return bytes((pdu[0], len(data))) + data


LIMITS: Final[dict[str, Attach]] = {
    "exception 2": _refused_with(2),
    "exception 3": _refused_with(3),
    "exception 4": _refused_with(4),
    "silence": _limited(lambda _victim, _pdu: None),
    "truncated": _limited(_first_sixteen),
}
_FIVE: Final = _SIX[:5]

S6: Final = Device(
    "S6",
    "at most sixteen registers at once",
    "A request for more than 16 registers is refused with exception 2, 3 or 4 (all three have been seen), not "
    "answered at all, or answered with the first sixteen.",
    "With `limits = { read = 16 }` never more are asked for. Without it the transfer is Bad, with the refusal (or that "
    "nobody answered, or that the reply does not fit) as the reason, and no value is made of what came.",
    LIMITS,
    _plan("Hatchery, five devices with a limit", _FIVE, 'limits = { read = 16 }\nreadable = ["holding 0..19"]\n', ""),
    dict(zip(_FIVE, (f"S6:{kind}" for kind in LIMITS), strict=True)),
)
