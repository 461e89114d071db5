"""A source that can be caught in the middle of an update: nothing torn is ever put."""

from __future__ import annotations

import asyncio
import os
import random
import struct
from dataclasses import dataclass
from typing import Any

import pytest

from wherry.engine.line import NotSent
from wherry.engine.status import summary
from wherry.engine.torn import Ask, Care, Sight, Step, Whole
from wherry.plan.model import Careful, Point, Span, Table, Transfer, Value
from wherry.simulate.virtual_loop import run_virtual
from wherry.values.types import UINT16, UINT32

MS = 1_000_000
S = 1000 * MS
PERIOD_NS = 500 * MS
TEAR_NS = 50 * MS
"""How long the device's low word comes after its high word."""
CYCLES = int(os.environ.get("WHERRY_TORN_CYCLES", "2000"))
ROUND = 2**32 // 40_000
"""After so many updates the counter begins anew, so that it is a multiple of 40,000 always."""
GUARD = Point(Table.HOLDING, 8, UINT16)


@dataclass
class Tearing:
    """The device: a 32-bit counter that carries into its high word with most updates, and a mantissa with an exponent.

    One update writes high word and mantissa, and low word and exponent 50 ms later. Its guard counter (8) moves at the
    beginning and at the end, its program's counter (9) with each request, the number of its updates (10) at the end.
    """

    rng: random.Random
    rest_ns: tuple[int, int] = (70 * MS, 600 * MS)
    updates: int = 0
    begins_ns: int = 30 * MS
    moves: int = 0
    torn_reads: int = 0

    def __call__(self, device: Any, seen: Any) -> None:
        if seen.is_write:
            return
        while seen.at_ns >= self.begins_ns + TEAR_NS:
            self.updates += 1
            self.begins_ns += TEAR_NS + self.rng.randrange(*self.rest_ns)
        is_moving = seen.at_ns >= self.begins_ns
        high, low = (each % ROUND * 40_000 for each in (self.updates + is_moving, self.updates))
        mantissa, exponent = pair_of(self.updates + is_moving)[0], pair_of(self.updates)[1]
        self.moves += 1
        device.set_registers(0, [high >> 16 & 0xFFFF, low & 0xFFFF, mantissa, exponent])
        device.set_registers(8, [(2 * self.updates + is_moving) & 0xFFFF, self.moves & 0xFFFF, self.updates & 0xFFFF])
        self.torn_reads += is_moving and seen.pdu[1:3] == b"\0\0"


def pair_of(update: int) -> tuple[int, int]:
    """Mantissa and exponent of one update: in each pair the exponent can be told from the mantissa."""
    return 1000 + update % 7919, (1000 + update % 7919) % 5


def is_whole(words: tuple[int, ...]) -> bool:
    high, low, mantissa, exponent = words
    return (high << 16 | low) % 40_000 == 0 and mantissa % 5 == exponent


VALUES = (
    Value("feed counter", Point(Table.HOLDING, 0, UINT32), Point(Table.HOLDING, 100, UINT32)),
    Value("dose mantissa", Point(Table.HOLDING, 2, UINT16), Point(Table.HOLDING, 102, UINT16), group="dose"),
    Value("dose exponent", Point(Table.HOLDING, 3, UINT16), Point(Table.HOLDING, 103, UINT16), group="dose"),
)
ALIVE = Point(Table.HOLDING, 9, UINT16)


def transfer(careful: Careful | None, *, max_age_ns: int = 3 * S) -> Transfer:
    return Transfer(
        "feed",
        "skid",
        "hall",
        PERIOD_NS,
        max_age_ns,
        VALUES,
        alive=ALIVE,
        status=Span(Table.HOLDING, 90, 4),
        careful=careful,
    )


def carried(
    kit: Any, careful: Careful | None, cycles: int, *, seed: int = 1, **more: Any
) -> tuple[Any, list[Any], Tearing]:
    """Runs so many cycles. Returns the plant, every set of values that was put, and the device."""
    rng = random.Random(seed)
    source = Tearing(rng, **more)
    put: list[tuple[int, ...]] = []

    def note(device: Any, seen: Any) -> None:
        if seen.is_write and seen.pdu[1:3] == (100).to_bytes(2, "big"):
            put.append(struct.unpack(">4H", seen.pdu[6:14]))

    async def main() -> Any:
        def answer(device: Any, seen: Any, adu: bytes | None) -> tuple[int, bytes | None]:
            return rng.randrange(1 * MS, 9 * MS), adu

        plant = await kit.plant(
            source=kit.device(before=source, answer=answer),
            receiver=kit.device(before=note),
            transfers=[transfer(careful)],
            seed=seed,
        )
        while plant.carry.scheduled < cycles:
            await asyncio.sleep(PERIOD_NS / 1e9)
            plant.source.seen.clear()
            plant.receiver.seen.clear()
        await plant.engine.stop()
        assert plant.counts_are_exact()
        return plant

    return run_virtual(main), put, source


WAYS = {
    "guard": Careful(GUARD),
    "double read": Careful(None, 60 * MS),
    "guard that moves only at the end, and double read": Careful(Point(Table.HOLDING, 10, UINT16), 60 * MS),
}


def test_the_device_does_tear(kit: Any) -> None:
    _, put, source = carried(kit, None, 300)
    assert source.torn_reads > 20
    assert sum(not is_whole(each) for each in put) > 20


@pytest.mark.slow
@pytest.mark.parametrize("way", list(WAYS))
def test_nothing_torn_is_ever_put(kit: Any, way: str) -> None:
    plant, put, source = carried(kit, WAYS[way], CYCLES)
    assert source.torn_reads > CYCLES // 100, "the device tears while it is read"
    assert [each for each in put if not is_whole(each)] == []
    assert plant.carry.torn_readings > CYCLES // 20
    assert len(put) > CYCLES * 9 // 10, "most cycles find the source at rest in one of their attempts"


def test_a_guard_that_is_never_at_rest_is_a_failure_of_its_own(kit: Any) -> None:
    plant, put, _ = carried(kit, Careful(GUARD, tries=2), 60, rest_ns=(1, 2))
    failure = f"read: {NotSent.TORN.value}"
    carry = plant.carry
    assert carry.failures[failure] > 40
    assert carry.delivered + carry.skipped + sum(carry.failures.values()) == carry.scheduled
    assert all(is_whole(each) for each in put)
    told = summary(plant.engine, plant.engine.now_ns())["transfers"]["feed"]
    assert told["torn_readings"] == carry.torn_readings > 80
    assert told["quality"] == "Bad"
    assert NotSent.TORN.value in told["quality_reason"]


@pytest.mark.parametrize("careful", [Careful(GUARD), Careful(None, 60 * MS)])
def test_the_age_counts_from_the_first_read(kit: Any, careful: Careful) -> None:
    async def main() -> tuple[float, float]:
        first_ns: list[int] = []

        def note(device: Any, seen: Any) -> None:
            device.set_registers(9, [seen.index])
            if seen.at_ns - (device.seen[seen.index - 1].at_ns if seen.index else 0) > PERIOD_NS // 2:
                first_ns.append(seen.at_ns)

        plant = await kit.plant(source=kit.device(delay_ns=7 * MS, before=note), transfers=[transfer(careful)])
        await asyncio.sleep(10)
        assert plant.carry.delivered > 15
        (written_ns,) = [
            each.at_ns for each in plant.receiver.writes if first_ns[-1] < each.at_ns and each.pdu[2] == 100
        ]
        return plant.carry.age.summary_ms()["max"], (written_ns - first_ns[-1]) / MS

    age_ms, since_first_read_ms = run_virtual(main)
    assert age_ms >= since_first_read_ms >= (7 * 3 if careful.gap_ns is None else 60)


def test_what_was_not_looked_at_twice_is_not_put_when_the_source_fails_in_between(kit: Any) -> None:
    """The values came, the guard after them did not: they may be torn."""

    async def main() -> Any:
        def answer(device: Any, seen: Any, adu: bytes | None) -> tuple[int, bytes | None]:
            device.set_registers(9, [seen.index])
            is_guard_after = seen.index > 0 and seen.pdu[1:3] == b"\0\x08" != device.seen[seen.index - 1].pdu[1:3]
            return 5 * MS, None if is_guard_after else adu

        plant = await kit.plant(source=kit.device(answer=answer), transfers=[transfer(Careful(GUARD))])
        await asyncio.sleep(20)
        await plant.engine.stop()
        return plant

    plant = run_virtual(main)
    assert plant.carry.failures["read: no reply in time"] >= 8
    assert not [each for each in plant.receiver.writes if each.pdu[1:3] == (100).to_bytes(2, "big")]


def test_a_counter_last_seen_to_move_in_a_torn_reading_is_old_by_then(kit: Any) -> None:
    """The readings that were thrown away count for the source's own counter: it stands still since it stood still."""
    stopped_ns = 10 * S

    async def main() -> list[int]:
        def note(device: Any, seen: Any) -> None:
            if seen.at_ns < stopped_ns:
                device.set_registers(9, [seen.index])
            if stopped_ns - 2 * S < seen.at_ns < stopped_ns + S:
                device.set_registers(0, [0, seen.index])

        plant = await kit.plant(source=kit.device(before=note), transfers=[transfer(Careful(None, 60 * MS))])
        await asyncio.sleep(20)
        put = [each.at_ns for each in plant.receiver.writes if each.pdu[1:3] == (100).to_bytes(2, "big")]
        assert any(each < stopped_ns - 2 * S for each in put), "values were carried before"
        assert plant.carry.torn_readings >= 4
        return put

    put = run_virtual(main)
    assert max(put) > stopped_ns + S, "what was read whole after the torn readings is still carried"
    assert max(put) <= stopped_ns + 3 * S + PERIOD_NS, (
        "but not for longer than max_age after the counter's last movement"
    )


# The decisions alone.


def sights(care: Care, *seen: int | tuple[int, ...], gap_ns: int = 0) -> tuple[list[Step], Whole | None]:
    """Give the looks of one cycle these sights, 10 ms each."""
    looks = care.looks(0)
    steps = [next(looks)]
    now_ns = 0
    for content in seen:
        now_ns = max(now_ns, steps[-1].not_before_ns)
        try:
            steps.append(looks.send(Sight(content, now_ns, now_ns + 10 * MS)))
        except StopIteration as end:
            whole: Whole | None = end.value
            return steps, whole
        now_ns += 10 * MS
    raise AssertionError(f"more is asked for: {steps[-1]}")


def test_the_guard_is_read_before_and_after() -> None:
    steps, whole = sights(Care(Careful(GUARD), PERIOD_NS), 4, (1, 2), 4)
    assert [each.ask for each in steps] == [Ask.GUARD, Ask.VALUES, Ask.GUARD]
    assert whole == Whole((), 0)


def test_a_guard_at_an_odd_number_says_that_an_update_is_under_way() -> None:
    care = Care(Careful(GUARD), PERIOD_NS)
    steps, whole = sights(care, 5, 6, (1, 2), 6)
    assert [each.ask for each in steps] == [Ask.GUARD, Ask.GUARD, Ask.VALUES, Ask.GUARD]
    assert care.torn == 1
    assert whole == Whole((), steps[1].not_before_ns), "the age counts from the attempt that was whole"


def test_a_guard_that_moved_makes_the_reading_worthless() -> None:
    care = Care(Careful(GUARD, tries=2), PERIOD_NS)
    assert sights(care, 4, (1, 2), 6, 6, (1, 3), 7)[1] is None
    assert care.torn == 2


def test_double_reading_compares_neighbours_and_ages_from_the_first_of_the_two() -> None:
    care = Care(Careful(None, 60 * MS, tries=5), PERIOD_NS)
    steps, whole = sights(care, (1, 2), (2, 2), (2, 2))
    assert [each.not_before_ns // MS for each in steps] == [0, 70, 140]
    assert whole == Whole((), 70 * MS)
    assert care.torn == 1


def test_double_reading_ends_with_the_period() -> None:
    steps, whole = sights(Care(Careful(None, 200 * MS, tries=9), PERIOD_NS), (1,), (2,), (3,), (4,))
    assert whole is None
    assert len(steps) == 3


def test_with_both_a_guard_at_an_odd_number_counts_if_it_stands_still() -> None:
    care = Care(Careful(GUARD, 60 * MS), PERIOD_NS)
    assert sights(care, 5, (1, 2), (1, 2), 5)[1] == Whole((), 0)
    assert sights(care, 5, (1, 2), (1, 3), 6, (1, 3), (1, 3), 7, 7, (4,), (4,), 7)[1] is not None
    assert care.torn == 2
