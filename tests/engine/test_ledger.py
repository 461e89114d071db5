"""The ledger of writes: never below the truth, whenever the run is killed and wherever the file is cut."""

from __future__ import annotations

import asyncio
import io
import json
import random
import signal
import subprocess
import sys
import zlib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, BinaryIO, cast

import pytest

from wherry.engine.file_lock import lock
from wherry.engine.ledger import (
    Ledger,
    LineLedger,
    line_ledger,
    most_writes,
    read_counts,
    storages_of,
    wait_for_disk,
    worn_places,
)
from wherry.errors import LocalError
from wherry.plan.model import Controller, Plan, Point, Span, Storage, Table, Transfer, Value
from wherry.protocol.pdu import WriteMultipleRegisters, WriteSingleRegister
from wherry.protocol.session import prepare
from wherry.simulate.virtual_loop import run_virtual
from wherry.values.types import UINT16

S = 1_000_000_000


def soon(file: BinaryIO) -> None:
    """As good as on the disk, for tests that count something else."""
    file.flush()


def lost(message: str) -> None:
    raise AssertionError(message)


def plan_of(*storages: Storage, controller: Storage = Storage.UNKNOWN, status: bool = False) -> Plan:
    """One value for each storage, from holding 100 on."""
    values = tuple(
        Value(
            f"set point {index}",
            Point(Table.HOLDING, index, UINT16),
            Point(Table.HOLDING, 100 + index, UINT16),
            storage=storage,
        )
        for index, storage in enumerate(storages)
    )
    span = Span(Table.HOLDING, 90, 4) if status else None
    return Plan(
        "Hatchery feed",
        (Controller("skid", "10.20.0.11"), Controller("feeder", "10.20.0.14", storage=controller)),
        (Transfer("feed", "skid", "feeder", S, 5 * S, values, status=span),),
    )


def write(address: int, count: int = 1) -> Any:
    return prepare(1, WriteMultipleRegisters(address, bytes(2 * count)))


def line_of(ledger: Ledger, plan: Plan) -> LineLedger:
    found = line_ledger(ledger, plan, "feeder")
    assert found is not None
    return found


def counted(path: Path, address: int) -> int:
    """What the next run begins with."""
    ledger = Ledger(path, lost)
    writes, _ = ledger.writes_at("feeder", Table.HOLDING, address)
    ledger.close()
    return writes


def test_what_is_declared_as_volatile_needs_no_ledger(tmp_path: Path) -> None:
    ledger = Ledger(tmp_path / "plan.ledger", lost)
    assert line_ledger(ledger, plan_of(Storage.VOLATILE, Storage.VOLATILE), "feeder") is None
    line = line_of(ledger, plan_of(Storage.VOLATILE, Storage.NON_VOLATILE))
    assert line.allows(write(100))
    assert ledger.writes_at("feeder", Table.HOLDING, 100) == (0, 0)
    assert line.allows(write(101))
    assert line.allows(prepare(1, WriteSingleRegister(101, 7)))
    assert line.allows(prepare(1, WriteSingleRegister(101, 8)))
    assert ledger.writes_at("feeder", Table.HOLDING, 101) == (3, 3)
    ledger.close()


def test_storage_comes_from_the_value_then_the_controller() -> None:
    plan = plan_of(Storage.UNKNOWN, Storage.VOLATILE, controller=Storage.NON_VOLATILE, status=True)
    storages = storages_of(plan, "feeder")
    assert storages[Table.HOLDING, 100] is Storage.NON_VOLATILE
    assert storages[Table.HOLDING, 101] is Storage.VOLATILE
    assert storages[Table.HOLDING, 93] is Storage.NON_VOLATILE


def test_counts_outlive_the_run_and_add_up_over_shapes(tmp_path: Path) -> None:
    path = tmp_path / "plan.ledger"
    plan = plan_of(*[Storage.NON_VOLATILE] * 3)
    for _ in range(3):
        ledger = Ledger(path, lost)
        line = line_of(ledger, plan)
        assert line.allows(write(100, 3))
        assert line.allows(write(101, 1))
        ledger.close()
    assert [counted(path, address) for address in (100, 101, 102, 103)] == [3, 6, 3, 0]


def test_the_file_is_as_documented(tmp_path: Path) -> None:
    path = tmp_path / "plan.ledger"
    ledger = Ledger(path, lost)
    assert line_of(ledger, plan_of(Storage.NON_VOLATILE)).allows(write(100))
    ledger.close()
    (line,) = path.read_bytes().splitlines()
    assert json.loads(line[9:]) == ["feeder", "holding", 100, 1, 1]
    # The check value of CRC-32/ISO-HDLC (IEEE 802.3) for "123456789" is cbf43926 (from memory).
    assert zlib.crc32(b"123456789") == 0xCBF43926
    assert int(line[:8], 16) == zlib.crc32(line[9:])


def test_a_write_of_a_non_volatile_place_is_on_disk_before_it_may_leave(tmp_path: Path) -> None:
    path = tmp_path / "plan.ledger"
    synced: list[int] = []

    def sync(file: BinaryIO) -> None:
        wait_for_disk(file)
        synced.append(path.stat().st_size if path.exists() else 0)

    ledger = Ledger(path, lost, sync=sync)
    line = line_of(ledger, plan_of(Storage.NON_VOLATILE))
    for _ in range(5):
        before = len(synced)
        assert line.allows(write(100))
        assert len(synced) == before + 1
        assert synced[-1] == path.stat().st_size > 0
    ledger.close()


def test_places_of_unknown_storage_are_counted_in_blocks_that_grow(tmp_path: Path) -> None:
    path = tmp_path / "plan.ledger"
    ledger = Ledger(path, lost, block_writes_max=64, sync=soon)
    line = line_of(ledger, plan_of(Storage.UNKNOWN))
    ends = []
    for _ in range(200):
        assert line.allows(write(100))
        ends.append(json.loads(path.read_bytes().splitlines()[-1][9:])[-1])
    assert sorted(set(ends)) == [1, 3, 7, 15, 31, 63, 127, 191, 255]
    assert ledger.writes_at("feeder", Table.HOLDING, 100) == (200, 200)
    # As a kill leaves it: the end of the last block.
    (tmp_path / "killed.ledger").write_bytes(path.read_bytes())
    assert counted(tmp_path / "killed.ledger", 100) == 255
    ledger.close()
    assert counted(path, 100) == 200


@pytest.mark.parametrize("seed", range(20))
@pytest.mark.parametrize("storage", [Storage.NON_VOLATILE, Storage.UNKNOWN])
def test_a_kill_at_any_byte_leaves_no_count_below_the_truth(tmp_path: Path, seed: int, storage: Storage) -> None:
    # What a kill leaves is a part of what was written, up to some byte: at least all that was synced, for the write
    # that waited for it may have left, and at most all that was handed over.
    rng = random.Random(seed)
    path = tmp_path / "plan.ledger"
    plan = plan_of(*[storage] * 4)
    left = [0, 0, 0, 0]
    for kills in range(20):
        ledger = Ledger(path, lost, block_writes_max=7, bytes_max=rng.choice((200, 1 << 20)), sync=soon)
        line = line_of(ledger, plan)
        known = [ledger.writes_at("feeder", Table.HOLDING, 100 + index)[0] for index in range(4)]
        assert all(count >= truth for count, truth in zip(known, left, strict=True))
        if storage is Storage.NON_VOLATILE:
            # A kill between writing down and leaving counts one write that never left.
            assert sum(known) - sum(left) <= kills
        synced = path.read_bytes()
        for _ in range(rng.randrange(12)):
            start, count = rng.choice([(100, 4), (100, 2), (102, 1), (103, 1)])
            assert line.allows(write(start, count))
            synced = path.read_bytes()
            for address in range(start, start + count):
                left[address - 100] += 1
        # The next write was being written down when the run was killed: it has not left.
        assert line.allows(write(rng.choice((100, 102, 103))))
        handed_over = path.read_bytes()
        ledger.close()
        is_appended = handed_over.startswith(synced)
        kept = rng.randint(len(synced), len(handed_over)) if is_appended else len(handed_over)
        path.write_bytes(handed_over[:kept])


def test_a_line_that_is_cut_short_is_passed_over_and_other_damage_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "plan.ledger"
    ledger = Ledger(path, lost)
    line = line_of(ledger, plan_of(Storage.NON_VOLATILE))
    assert line.allows(write(100))
    ledger.close()
    good = path.read_bytes()
    path.write_bytes(good + b'1234abcd ["feeder","hold')
    assert counted(path, 100) == 1
    for damage in (b'00000000 ["feeder","holding",100,1,9]\n', b"nonsense\n", b"\xff\xfe\n", b"\n"):
        path.write_bytes(damage + good)
        with pytest.raises(LocalError, match=r"line 1 of the ledger of writes .* is damaged"):
            Ledger(path, lost)
        # It was left as it is, and not held.
        assert path.read_bytes() == damage + good
    path.write_bytes(good)
    assert counted(path, 100) == 1


class FullDisk(io.BytesIO):
    """A file on a disk that is full."""

    def write(self, data: Any) -> int:
        raise OSError(28, "No space left on device")

    def fileno(self) -> int:
        raise OSError(28, "No space left on device")


def test_a_full_disk_stops_what_wears_out_and_nothing_else(tmp_path: Path) -> None:
    said: list[str] = []
    opener = cast("Callable[[Path], BinaryIO]", lambda _: FullDisk())
    ledger = Ledger(tmp_path / "plan.ledger", said.append, opener=opener)
    line = line_of(ledger, plan_of(Storage.NON_VOLATILE, Storage.UNKNOWN, Storage.VOLATILE))
    assert [line.allows(write(address)) for address in (100, 101, 102)] == [False, True, True]
    assert not line.allows(write(100, 3))
    assert len(said) == 1
    assert "No space left on device" in said[0]
    assert ledger.writes_at("feeder", Table.HOLDING, 100) == (0, 0)
    assert ledger.writes_at("feeder", Table.HOLDING, 101) == (1, 1)
    ledger.close()
    # There was room for it when the run ended.
    assert counted(tmp_path / "plan.ledger", 101) == 1


def test_two_runs_of_one_plan_cannot_count_at_the_same_time(tmp_path: Path) -> None:
    path = tmp_path / "plan.ledger"
    ledger = Ledger(path, lost)
    with pytest.raises(LocalError, match="held by another run"):
        Ledger(path, lost)
    ledger.close()
    Ledger(path, lost).close()
    held = lock(tmp_path / "x")
    assert held is not None
    assert lock(tmp_path / "x") is None
    held.close()


def test_a_day_of_many_shapes_stays_bounded(tmp_path: Path) -> None:
    path = tmp_path / "plan.ledger"
    ledger = Ledger(path, lost, bytes_max=2048, sync=soon)
    line = line_of(ledger, plan_of(Storage.NON_VOLATILE))
    for _ in range(120):
        assert line.allows(write(100))
    assert path.stat().st_size <= 2048
    ledger.close()
    assert counted(path, 100) == 120


def test_the_date_of_wearing_out(tmp_path: Path) -> None:
    ledger = Ledger(tmp_path / "plan.ledger", lost)
    plan = plan_of(Storage.NON_VOLATILE)
    line = line_of(ledger, plan)
    for _ in range(2):
        assert line.allows(write(100))
    (place,) = worn_places(ledger, plan)
    assert place.days_left(3600 * S) is None
    for _ in range(23):
        assert line.allows(write(100))
    (place,) = worn_places(ledger, plan)
    assert (place.writes, place.endurance) == (25, 100_000)
    # 24 in an hour after the first are 576 a day.
    assert place.days_left(3600 * S) == pytest.approx((100_000 - 25) / 576)
    assert place.days_left(0) is None
    ledger.close()


def test_the_engine_counts_what_the_receiver_was_asked_and_writes_nothing_uncounted(kit: Any, tmp_path: Path) -> None:
    def plans() -> Iterator[tuple[Transfer, Ledger, bool]]:
        (transfer,) = plan_of(Storage.NON_VOLATILE).transfers
        from dataclasses import replace

        transfer = replace(transfer, destination="hall", status=Span(Table.HOLDING, 90, 4), storage=Storage.VOLATILE)
        yield transfer, Ledger(tmp_path / "kept.ledger", lost), True
        opener = cast("Callable[[Path], BinaryIO]", lambda _: FullDisk())
        yield transfer, Ledger(tmp_path / "full.ledger", lambda _: None, opener=opener), False

    async def run(transfer: Transfer, ledger: Ledger, is_kept: bool) -> None:
        plant = await kit.plant(transfers=[transfer], ledger=ledger)
        await asyncio.sleep(20.5)
        await plant.engine.stop()
        ledger.close()
        asked = [each for each in plant.receiver.writes if each.pdu[1:3] == (100).to_bytes(2, "big")]
        if is_kept:
            assert len(asked) == 21
            assert ledger.writes_at("hall", Table.HOLDING, 100) == (21, 21)
        else:
            assert asked == []
            assert plant.carry.failures == {
                "write: not written: the ledger of writes cannot be kept, and the place wears out": 21
            }
            # The status is volatile and goes on telling.
            assert plant.receiver.registers(91, 1) == [0]
            assert plant.receiver.registers(90, 1)[0] >= 20
        assert plant.counts_are_exact()

    for transfer, ledger, is_kept in plans():
        run_virtual(lambda t=transfer, each=ledger, k=is_kept: run(t, each, k))  # type: ignore[misc]


KILLED = """
import sys
from pathlib import Path
from wherry.engine.ledger import Ledger, line_ledger
from wherry.plan.model import *
from wherry.protocol.pdu import WriteMultipleRegisters
from wherry.protocol.session import prepare
from wherry.values.types import UINT16

value = Value("feed", Point(Table.HOLDING, 0, UINT16), Point(Table.HOLDING, 100, UINT16), storage=Storage.NON_VOLATILE)
transfer = Transfer("feed", "skid", "feeder", 1, 1, (value,))
plan = Plan("", (Controller("skid", "a"), Controller("feeder", "b")), (transfer,))
line = line_ledger(Ledger(Path(sys.argv[1]), print), plan, "feeder")
request = prepare(1, WriteMultipleRegisters(100, bytes(2)))
while line.allows(request):
    sys.stdout.write("x")
    sys.stdout.flush()
"""


@pytest.mark.skipif(sys.platform == "win32", reason="SKIPPED LOUDLY: this kill needs SIGKILL")
def test_a_killed_process_has_counted_everything_that_left(tmp_path: Path) -> None:
    path = tmp_path / "plan.ledger"
    left = 0
    for kill in range(5):
        with subprocess.Popen([sys.executable, "-c", KILLED, str(path)], stdout=subprocess.PIPE) as process:
            assert process.stdout is not None
            left += len(process.stdout.read(7 + 5 * kill))
            process.send_signal(signal.SIGKILL)
            left += len(process.stdout.read())
        # One more may have been counted than left: it was killed in between.
        assert left <= counted(path, 100) <= left + kill + 1


def test_others_may_read_it_while_a_run_holds_it_and_change_nothing(tmp_path: Path) -> None:
    path = tmp_path / "plan.ledger"
    assert read_counts(path) == {}
    assert list(tmp_path.iterdir()) == []
    ledger = Ledger(path, lost, sync=soon)
    for shape, times in ((("feeder", "holding", 100, 1), 3), (("feeder", "holding", 99, 3), 2)):
        entry = ledger.entry(shape, is_exact=True)
        assert all(ledger.count(entry) for _ in range(times))
    before = path.read_bytes()
    counts = read_counts(path)
    assert counts == {("feeder", "holding", 100, 1): 3, ("feeder", "holding", 99, 3): 2}
    assert path.read_bytes() == before
    assert most_writes(counts, "feeder", Span(Table.HOLDING, 100, 2)) == 5
    assert most_writes(counts, "feeder", Span(Table.HOLDING, 101, 1)) == 2
    assert most_writes(counts, "feeder", Span(Table.COIL, 100, 1)) == 0
    ledger.close()
