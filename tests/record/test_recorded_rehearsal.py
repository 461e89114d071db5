"""What a rehearsal leaves in a record: the same twice, and the same figures as the engine itself has."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from wherry.plan import load
from wherry.record.entries import Kind
from wherry.record.figures import sessions
from wherry.record.plans import open_record
from wherry.record.reading import Record
from wherry.record.writer import DirectRecorder
from wherry.rehearse.result import Rehearsal
from wherry.rehearse.scenario import rehearse

ROOT = Path(__file__).resolve().parents[2]
HATCHERY = ROOT / "examples" / "hatchery.toml"


def record_rehearsal(path: Path, seed: int) -> Rehearsal:
    loaded = load(HATCHERY)
    recorder = DirectRecorder(open_record(path, "rehearse", loaded, is_simulated=True), pytest.fail)
    seen = rehearse(loaded.plan, hours=0.04, seed=seed, faults="usual", recorder=recorder)
    assert recorder.close(seen.duration_ns, {"summary": seen.summary})
    return seen


def head(path: Path) -> tuple[int, bytes]:
    with Record(path) as record:
        return record.head


@pytest.mark.slow
def test_the_entries_come_to_what_the_engine_counted(tmp_path: Path, recheck: Callable[[Path], int]) -> None:
    path = tmp_path / "a.record"
    seen = record_rehearsal(path, 5)
    with Record(path) as record:
        verdict = record.verify()
        (session,) = sessions(record.entries())
        events = [each.data for each in record.entries(Kind.EVENT)]
    assert verdict.is_whole
    assert session.contradictions(verdict.gaps) == []
    assert recheck(path) == 0
    figures = session.figures()
    assert figures["is_simulated"] is True
    for transfer in seen.transfers:
        have, said = figures["transfers"][transfer.name], seen.summary["transfers"][transfer.name]
        for key in ("scheduled", "delivered", "failed", "skipped_overrun"):
            assert have[key] == said[key], key
        assert have["age_ms"]["p50"] == said["age_ms"]["p50"]
        assert have["good_s"] + have["uncertain_s"] + have["bad_s"] == pytest.approx(figures["duration_s"], abs=0.01)
        # The receiver's own registers said Good for about as long; they are told a little later.
        if transfer.has_status:
            assert have["good_s"] == pytest.approx(transfer.good_ns / 1e9, abs=10)
    assert len(events) == len(seen.journal)
    assert all(line.endswith(event["message"]) for line, event in zip(seen.journal, events, strict=True))


@pytest.mark.slow
def test_a_record_changes_nothing_and_one_seed_gives_one_head(tmp_path: Path) -> None:
    first, second, third = (tmp_path / f"{name}.record" for name in "abc")
    seen = record_rehearsal(first, 5)
    assert record_rehearsal(second, 5).journal == seen.journal
    bare = rehearse(load(HATCHERY).plan, hours=0.04, seed=5, faults="usual")
    assert (bare.journal, bare.transactions, bare.transfers) == (seen.journal, seen.transactions, seen.transfers)
    record_rehearsal(third, 6)
    assert head(first) == head(second)
    assert head(first) != head(third)
    assert first.read_bytes() == second.read_bytes()


@pytest.mark.slow
def test_a_figure_that_was_changed_in_every_digest_is_contradicted(
    tmp_path: Path, recheck: Callable[[Path], int]
) -> None:
    """Whoever computes the whole chain anew must also make all figures fit one another."""
    path, forged = tmp_path / "a.record", tmp_path / "b.record"
    record_rehearsal(path, 5)
    copy_with(path, forged, lambda data: None)
    assert recheck(forged) == 0
    copy_with(path, forged.with_name("c.record"), one_more)
    assert recheck(forged.with_name("c.record")) == 1
    with Record(forged.with_name("c.record")) as record:
        verdict = record.verify()
        assert verdict.is_whole
        (session,) = sessions(record.entries())
    (said,) = session.contradictions(verdict.gaps)
    assert re.fullmatch(r"water: delivered is \d+ by the entries, \d+ by the summary", said)


def one_more(data: dict[str, Any]) -> None:
    if data.get("from_ns") == 0:
        data["transfers"]["water"]["delivered"] += 1


def copy_with(path: Path, to: Path, change: Callable[[dict[str, Any]], None]) -> None:
    """A record made from another, with another content and right digests."""
    from wherry.record.entries import Entry
    from wherry.record.file import RecordFile

    file = RecordFile(to)
    with Record(path) as record:
        for each in record.entries():
            change(each.data)
            file.append([Entry(Kind(each.kind), each.at_ns, each.utc, each.data)])
    assert file.close()


def test_every_key_of_the_entries_is_documented(tmp_path: Path) -> None:
    path = tmp_path / "a.record"
    loaded = load(HATCHERY)
    recorder = DirectRecorder(open_record(path, "rehearse", loaded, is_simulated=True), pytest.fail)
    seen = rehearse(loaded.plan, hours=0.02, seed=1, faults="none", recorder=recorder)
    recorder.close(seen.duration_ns, {"summary": seen.summary})
    page = (ROOT / "docs" / "record.md").read_text(encoding="utf-8")
    told = page[page.index("## The format") :]
    with Record(path) as record:
        for entry in record.entries():
            keys = set(entry.data)
            if entry.kind == Kind.MINUTE:
                keys |= {*entry.data["transfers"]["water"], *entry.data["controllers"]["hall"]}
            elif entry.kind == Kind.PLAN:
                keys |= {*entry.data["transfers"]["water"], *entry.data["transfers"]["water"]["values"][0]}
            assert [
                key
                for key in sorted(keys)
                if f"`{key}`" not in told and f"`{key}[" not in told and f"`{key}." not in told
            ] == [], entry.kind
        (session,) = sessions(record.entries())
    answers = page[page.index("## The JSON answer") :]
    figures = session.figures()
    for group in (figures, figures["transfers"]["water"], figures["controllers"]["hall"]):
        assert [key for key in group if not re.search(rf"[`.]{key}[`.]", answers)] == []
