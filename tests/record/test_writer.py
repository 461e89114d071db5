"""A record beside a working event loop: events are shown when they are on the disk, and nothing that happens to the
disk holds the loop up or keeps anything from being shown."""

from __future__ import annotations

import asyncio
import sqlite3
from collections.abc import Callable
from pathlib import Path

import pytest

from wherry.engine.events import Event, EventKind
from wherry.record import writer
from wherry.record.entries import Kind
from wherry.record.file import BYTES_MAX_LEAST, RecordFile
from wherry.record.reading import Record
from wherry.record.writer import Recorder

Recheck = Callable[[Path], int]


def up(number: int) -> Event:
    return Event(number, EventKind.LINE_UP, "skid", f"event {number}", {"number": number})


def there(path: Path) -> list[int]:
    """The numbers of the events that are on the disk now."""
    with Record(path) as record:
        return [each.data["details"]["number"] for each in record.entries(Kind.EVENT)]


async def turns_until(is_over: Callable[[], bool]) -> int:
    """How many turns of the loop there are until then."""
    count = 0
    while not is_over():
        await _turn()
        count += 1
    return count


async def _turn() -> None:
    future: asyncio.Future[None] = asyncio.get_running_loop().create_future()
    asyncio.get_running_loop().call_soon(future.set_result, None)
    await future


def test_an_event_is_on_the_disk_before_it_is_shown(tmp_path: Path, recheck: Recheck) -> None:
    path = tmp_path / "a.record"
    shown: list[int] = []

    def show(event: Event) -> None:
        number = int(event.details["number"] or 0)
        assert number in there(path)
        shown.append(number)

    async def main() -> None:
        recorder = Recorder(RecordFile(path), pytest.fail)
        heard = recorder.listener([show])
        for number in range(40):
            heard(up(number))
            if number % 3 == 0:
                assert shown != list(range(number + 1))
                await recorder.settled()
                assert shown == list(range(number + 1))
        assert recorder.close(40, {"summary": None})
        assert shown == list(range(40))

    asyncio.run(main())
    assert there(path) == list(range(40))
    assert recheck(path) == 0


def test_samples_wait_for_others_but_not_for_ever(tmp_path: Path) -> None:
    path = tmp_path / "a.record"

    async def main() -> None:
        recorder = Recorder(RecordFile(path), pytest.fail, flush_ns=50_000_000)
        recorder.add(Kind.SAMPLES, 1, {"transfer": "water", "values": [[0, 7.5, 2]]})
        with Record(path) as record:
            assert record.head[0] == 0
        await turns_until(lambda: recorder.file.number == 1)
        with Record(path) as record:
            assert [each.data["values"] for each in record.entries()] == [[[0, 7.5, 2]]]
        recorder.close(2, {})

    asyncio.run(main())


def test_a_locked_file_ends_the_record_and_nothing_else(tmp_path: Path, recheck: Recheck) -> None:
    path = tmp_path / "a.record"
    shown: list[int] = []
    lost: list[str] = []

    async def main() -> int:
        recorder = Recorder(RecordFile(path, busy_s=0.2), lost.append)
        heard = recorder.listener([lambda event: shown.append(event.at_ns)])
        heard(up(0))
        await recorder.settled()
        other = sqlite3.connect(path, isolation_level=None)
        other.execute("BEGIN IMMEDIATE")
        for number in range(1, 6):
            heard(up(number))
        assert shown == [0]
        turns = await turns_until(lambda: bool(lost))
        await turns_until(lambda: len(shown) == 6)
        heard(up(6))
        assert shown == list(range(7))
        await recorder.settled()
        other.execute("ROLLBACK")
        other.close()
        assert not recorder.close(7, {})
        return turns

    assert asyncio.run(main()) > 100
    (said,) = lost
    assert said.startswith(f"the record {path} cannot be written any more (database is locked): the exchange goes on")
    assert there(path) == [0]
    assert recheck(path) == 3


def test_a_full_file_ends_the_record_and_nothing_else(tmp_path: Path, recheck: Recheck) -> None:
    path = tmp_path / "a.record"
    lost: list[str] = []

    async def main() -> None:
        recorder = Recorder(RecordFile(path, bytes_max=BYTES_MAX_LEAST), lost.append)
        for number in range(400):
            recorder.add(Kind.PROOF, number, {"step": "x" * 1000}, is_urgent=True)
        await recorder.settled()
        await turns_until(lambda: bool(lost))
        assert not recorder.is_recording
        assert not recorder.close(400, {})

    asyncio.run(main())
    assert len(lost) == 1
    assert "it has reached its 262,144 bytes with what must be kept" in lost[0]
    assert recheck(path) == 3


def test_a_disk_that_does_not_follow_ends_the_record(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(writer, "WAITING_MAX", 50)
    path = tmp_path / "a.record"
    lost: list[str] = []
    shown: list[int] = []

    async def main() -> None:
        recorder = Recorder(RecordFile(path, busy_s=0.5), lost.append)
        other = sqlite3.connect(path, isolation_level=None)
        other.execute("BEGIN IMMEDIATE")
        heard = recorder.listener([lambda event: shown.append(event.at_ns)])
        heard(up(0))
        for number in range(1, 100):
            heard(up(number))
        assert len(lost) == 1
        await recorder.settled()
        other.execute("ROLLBACK")
        other.close()
        assert not recorder.close(100, {})
        assert sorted(shown) == list(range(100))

    asyncio.run(main())
    assert "the disk does not follow" in lost[0]


def test_one_listener_that_fails_does_not_keep_it_from_others(tmp_path: Path) -> None:
    faults: list[object] = []
    shown: list[int] = []

    def fail(event: Event) -> None:
        if event.at_ns == 1:
            raise ValueError("cannot be shown")
        shown.append(event.at_ns)

    async def main() -> None:
        asyncio.get_running_loop().set_exception_handler(lambda _, context: faults.append(context["exception"]))
        recorder = Recorder(RecordFile(tmp_path / "a.record"), pytest.fail)
        heard = recorder.listener([fail])
        for number in range(3):
            heard(up(number))
        recorder.close(3, {})

    asyncio.run(main())
    assert shown == [0, 2]
    assert [str(each) for each in faults] == ["cannot be shown"]
