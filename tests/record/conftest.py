"""Records to try things on, and the independent script."""

from __future__ import annotations

import importlib.util
from collections.abc import Callable
from pathlib import Path

import pytest

from wherry.record.entries import Entry, Kind
from wherry.record.file import RecordFile

SCRIPT = Path(__file__).resolve().parents[2] / "docs" / "recheck_record.py"


Make = Callable[[int], Entry]


def make_event(number: int) -> Entry:
    """An event that can be told from others."""
    data = {"event": "line up", "subject": "skid", "message": f"event {number}", "details": {"number": number}}
    return Entry(Kind.EVENT, number * 1_000_000, "2026-01-02T03:04:05.678Z", data)


@pytest.fixture(scope="session")
def event() -> Make:
    """Makes the event of a number."""
    return make_event


@pytest.fixture(scope="session")
def script() -> Callable[[list[str]], int]:
    """The script that shares no code with the package: gives its exit code for some arguments."""
    spec = importlib.util.spec_from_file_location("recheck_record", SCRIPT)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return lambda arguments: int(module.main(arguments))


@pytest.fixture(scope="session")
def recheck(script: Callable[[list[str]], int]) -> Callable[[Path], int]:
    """Its exit code for a file."""
    return lambda path: script([str(path)])


@pytest.fixture(scope="session")
def recheck_head(script: Callable[[list[str]], int]) -> Callable[[Path, str], int]:
    """Its exit code for a file and a head that it must have."""
    return lambda path, head: script([str(path), "--head", head])


@pytest.fixture
def closed(tmp_path: Path) -> Path:
    """A record of 60 events in several appends, closed."""
    path = tmp_path / "oxygen.record"
    file = RecordFile(path)
    for number in range(0, 60, 4):
        file.append([make_event(each) for each in range(number, number + 4)])
    assert file.close()
    return path
