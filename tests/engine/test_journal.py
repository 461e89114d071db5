"""The record: on disk at once, bounded, and never in the way of the exchange."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from wherry.engine.events import Event, EventKind
from wherry.engine.journal import Journal


def event(number: int) -> Event:
    return Event(number * 1_000_000, EventKind.LINE_DOWN, "hall", f"event {number}", {"number": number})


def test_an_event_is_in_the_file_when_the_call_returns(tmp_path: Path) -> None:
    lost: list[str] = []
    journal = Journal(tmp_path / "a.journal", lost.append)
    journal(event(1))
    (line,) = (tmp_path / "a.journal").read_text().splitlines()
    assert json.loads(line)["message"] == "event 1"
    assert json.loads(line)["details"] == {"number": 1}
    journal.close()
    assert lost == []


def test_an_older_record_is_continued_not_overwritten(tmp_path: Path) -> None:
    for number in range(3):
        journal = Journal(tmp_path / "a.journal", pytest.fail)
        journal(event(number))
        journal.close()
    assert len((tmp_path / "a.journal").read_text().splitlines()) == 3


def test_two_files_of_the_bound_at_most(tmp_path: Path) -> None:
    journal = Journal(tmp_path / "a.journal", pytest.fail, bytes_max=2_000)
    for number in range(200):
        journal(event(number))
    journal.close()
    files = sorted(tmp_path.iterdir())
    assert [each.name for each in files] == ["a.journal", "a.journal.1"]
    assert all(each.stat().st_size <= 2_000 for each in files)
    assert json.loads((tmp_path / "a.journal").read_text().splitlines()[-1])["message"] == "event 199"


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="this system has no /dev/full to stand for a full disk")
def test_a_full_disk_stops_the_record_loudly_once_and_nothing_else() -> None:
    lost: list[str] = []
    journal = Journal(Path("/dev/full"), lost.append)
    for number in range(5):
        journal(event(number))
    journal.close()
    assert len(lost) == 1
    assert "WITHOUT a record" in lost[0]
    assert not journal.is_recording
