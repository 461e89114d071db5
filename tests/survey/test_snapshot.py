"""Snapshots: what was read comes back from the file as it was, and a damaged file names its line."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wherry.errors import LocalError
from wherry.plan.model import Table
from wherry.survey.snapshot import Reading, Snapshot, parse_snapshot, read_snapshot, snapshot_text


@st.composite
def readings(draw: st.DrawFn) -> Reading:
    table = draw(st.sampled_from(list(Table)))
    most = 1 if table.is_bits else 0xFFFF
    words = tuple(draw(st.lists(st.integers(0, most), min_size=1, max_size=6)))
    return Reading(draw(st.integers(0, 10**15)), table, draw(st.integers(0, 65536 - len(words))), words)


@given(st.lists(readings(), max_size=5))
def test_what_was_read_comes_back(those: list[Reading]) -> None:
    snapshot = Snapshot(tuple(those), {"host": "127.0.0.1", "unit": "1"})
    assert parse_snapshot(snapshot_text(snapshot)) == snapshot


def test_a_file(tmp_path: Path) -> None:
    file = tmp_path / "words.csv"
    file.write_text("# unit: 7\nat_s,table,start,words\n0.5,holding,10,0001 ffff\n1.5,holding,11,8000\n")
    snapshot = read_snapshot(file)
    assert snapshot.about == {"unit": "7"}
    assert snapshot.samples(Table.HOLDING, 11) == [(500_000_000, 0xFFFF), (1_500_000_000, 0x8000)]
    assert snapshot.latest(Table.HOLDING) == {10: 1, 11: 0x8000}
    assert snapshot.tables() == [Table.HOLDING]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "has the headings"),
        ("time,value\n", "words.csv:1: a snapshot has the headings"),
        ("at_s,table,start,words\n0,holding,1\n", "words.csv:2: 3 cells"),
        ("at_s,table,start,words\n0,holdings,1,0001\n", "words.csv:2: there is no table `holdings`"),
        ("at_s,table,start,words\nnow,holding,1,0001\n", "words.csv:2: a reading is an instant"),
        ("at_s,table,start,words\n0,holding,65535,0001 0002\n", "words.csv:2: 2 words from 65535"),
        ("at_s,table,start,words\n0,holding,0,10000\n", "words.csv:2: 1 words from 0"),
        ("at_s,table,start,words\n0,coil,0,2\n", "words.csv:2: a reading is"),
    ],
)
def test_a_damaged_file_names_its_line(text: str, said: str) -> None:
    with pytest.raises(LocalError, match=said.replace("`", ".")):
        parse_snapshot(text, "words.csv")
