"""A plan rewritten: what it says is what was proposed, and all that people wrote besides is still there."""

from __future__ import annotations

import difflib
import re
from collections.abc import Callable
from pathlib import Path
from random import Random

import pytest

from wherry.budget.block_files import must_mean
from wherry.budget.exchange_block import changed, propose
from wherry.budget.rewrite import rewritten
from wherry.budget.rows import reordered
from wherry.checks.check import check
from wherry.errors import LocalError
from wherry.findings import Level, Span
from wherry.plan import load
from wherry.rehearse.chance_plan import plan_text

HEAD = """\
# The plant.
[controller.skid]
connect = "tcp://10.20.0.1"  # beside the pumps
[controller.hall]
connect = "tcp://10.20.0.2"
storage = "volatile"
when_silent = "holds"

[transfer.up]
from    = "skid"   # where it is measured
to      = "hall"
every   = "1 s"
on_loss = "hold"
"""

WAYS = {
    "an array over several lines": """\
values = [
  # the level, in mm
  { name = "level", take = "holding 3", put = "holding 11" },  # from the float
  { name = "open", take = "holding 40.1", put = "coil 3" },    # the valve
  # what flows
  { name = "flow", take = "holding 9 float32 CDAB", put = "holding 30 float32" }
] # all of it
""",
    "an array in one line": (
        'values = [{ name = "level", take = "holding 3", put = "holding 11" }, '
        '{ name = "open", take = "holding 40.1", put = "coil 3" }, '
        '{ name = "flow", take = "holding 9 float32 CDAB", put = "holding 30 float32" }]  # all of it\n'
    ),
    "tables of their own": """\
[[transfer.up.values]]  # from the float
name = "level"
take = "holding 3"
put = "holding 11"

# the valve
[[transfer.up.values]]
name = "open"
take = "holding 40.1"
put = "coil 3"  # closed when 0

[[transfer.up.values]]
name = "flow"
take = "holding 9 float32 CDAB"
put = "holding 30 float32"
""",
}
TAIL = "\n# The end.\n"

CSV = (
    "name,take,put,unit\r\n# the tank\r\nlevel,holding 3,holding 11,mm\r\n\r\n"
    '"open; or shut","holding 40.1",coil 3,\r\nflow,holding 9 float32 CDAB,holding 30 float32,"L/h"\r\n'
)


def all_but_places(text: str) -> list[str]:
    """Every line, sorted, without the places in it and without what was added."""
    lines = [re.sub(r'(holding|coil|input) [^",]*', "PLACE", line).rstrip().rstrip(",") for line in text.splitlines()]
    return sorted(line for line in lines if not re.match(r"(alive|status) *= ", line) and line)


def carried_out(path: Path, starts: dict[str, int | None], to: Path) -> dict[str, bytes]:
    """The rewritten files, written down in a folder, after they were read again and found to mean what they must."""
    loaded = load(path)
    assert loaded.findings == ()
    proposal = propose(loaded.plan, starts)
    files = rewritten(loaded.document, loaded.plan, proposal)
    to.mkdir()
    for name, data in files.items():
        (to / name).parent.mkdir(parents=True, exist_ok=True)
        (to / name).write_bytes(data)
    must_mean(changed(loaded.plan, proposal), to / path.name, frozenset())
    return files


@pytest.mark.parametrize("way", WAYS)
def test_rows_and_comments_are_kept_however_they_are_written(tmp_path: Path, way: str) -> None:
    path = tmp_path / "plan.toml"
    path.write_text(HEAD + WAYS[way] + TAIL)
    files = carried_out(path, {"hall": None, "skid": None}, tmp_path / "new")
    new = files["plan.toml"].decode()
    if way != "an array in one line":
        assert all_but_places(new) == all_but_places(HEAD + WAYS[way] + TAIL)
    for comment in re.findall(r"# .*", HEAD + WAYS[way] + TAIL):
        assert comment in new
    # The bit goes first, and took its comment along.
    assert new.index('"open"') < new.index('"level"')
    assert re.search(r'\non_loss = "hold"\nalive   = "holding \d+"\nstatus  = "holding \d+"\n', new)
    if way == "an array over several lines":
        assert re.search(r'name = "open", .*# the valve\n  # the level, in mm\n.*"level".*# from the float\n', new)
    if way == "tables of their own":
        assert re.search(r'# the valve\n\[\[transfer.up.values]]\nname = "open"', new)
        assert re.search(r'\[\[transfer.up.values]]  # from the float\nname = "level"', new)


def test_what_needs_no_change_keeps_every_byte(tmp_path: Path) -> None:
    path = tmp_path / "plan.toml"
    path.write_bytes(("\ufeff" + HEAD + WAYS["an array over several lines"]).replace("\n", "\r\n").encode())
    files = carried_out(path, {"skid": None}, tmp_path / "new")
    old, new = path.read_bytes().decode().split("\r\n"), files["plan.toml"].decode().split("\r\n")
    differing = [line[2:] for line in difflib.ndiff(old, new) if line[0] == "-"]
    assert len(differing) == 3
    assert all("take =" in line for line in differing)
    assert new[0] == old[0]


def test_a_list_in_csv_is_rewritten_too(tmp_path: Path) -> None:
    path = tmp_path / "plan.toml"
    path.write_text(HEAD + 'values = "lists/tanks.csv"\n')
    (tmp_path / "lists").mkdir()
    (tmp_path / "lists" / "tanks.csv").write_bytes(CSV.encode())
    files = carried_out(path, {"hall": None, "skid": None}, tmp_path / "new")
    assert list(files) == ["plan.toml", "lists/tanks.csv"]
    new = files["lists/tanks.csv"].decode()
    assert new == (
        'name,take,put,unit\r\n"open; or shut",holding 104.0,coil 100,\r\n\r\n# the tank\r\n'
        'level,holding 101,holding 100,mm\r\nflow,holding 102 float32 CDAB,holding 101 float32,"L/h"\r\n'
    )


def test_two_transfers_with_one_list_must_agree(tmp_path: Path) -> None:
    path = tmp_path / "plan.toml"
    other = HEAD[HEAD.index("[transfer.up]") :].replace("up", "again").replace('"hall"', '"other"')
    path.write_text(
        HEAD + 'values = "a.csv"\n' + other + 'values = "a.csv"\n[controller.other]\nconnect = "tcp://10.20.0.3"\n'
    )
    (tmp_path / "a.csv").write_text("name,take,put\nlevel,holding 3,holding 11\nflow,holding 9,holding 12\n")
    # In the source they move alike.
    files = carried_out(path, {"skid": None}, tmp_path / "new")
    assert files["a.csv"].decode() == "name,take,put\nlevel,holding 101,holding 11\nflow,holding 102,holding 12\n"
    loaded = load(path)
    with pytest.raises(LocalError, match="give again a list of its own"):
        rewritten(loaded.document, loaded.plan, propose(loaded.plan, {"hall": 500}))


@pytest.mark.parametrize("name", ["../a.csv", "plans/../../a.csv"])
def test_a_list_from_elsewhere_is_refused(tmp_path: Path, name: str) -> None:
    folder = tmp_path / "plans"
    (folder / "plans").mkdir(parents=True)
    (folder / "plan.toml").write_text(HEAD + f'values = "{name}"\n')
    (tmp_path / "a.csv").write_text("name,take,put\nlevel,holding 3,holding 11\n")
    loaded = load(folder / "plan.toml")
    with pytest.raises(LocalError, match="lies outside of the plan's folder"):
        rewritten(loaded.document, loaded.plan, propose(loaded.plan, {"hall": None}))


def test_a_spreadsheet_is_refused_with_a_way_out(tmp_path: Path) -> None:
    openpyxl = pytest.importorskip("openpyxl")
    book = openpyxl.Workbook()
    for row in (("name", "take", "put"), ("level", "holding 3", "holding 11"), ("flow", "holding 9", "holding 12")):
        book.active.append(row)
    book.save(tmp_path / "tanks.xlsx")
    path = tmp_path / "plan.toml"
    path.write_text(HEAD + 'values = "tanks.xlsx"\n')
    loaded = load(path)
    with pytest.raises(LocalError, match="save it as CSV, name that file in the plan, then call this again"):
        rewritten(loaded.document, loaded.plan, propose(loaded.plan, {"hall": None}))


def test_copies_counters_and_signals_are_rewritten(tmp_path: Path) -> None:
    path = tmp_path / "plan.toml"
    path.write_text(
        HEAD.replace('"tcp://10.20.0.1"', '"tcp://10.20.0.1"\nsimulate.signals = [{ at = "input 7", shape = "sine" }]')
        + 'alive = "holding 60 uint32"\nalive_put = "holding 70"\nguard = "holding 80"\n'
        'values = [{ name = "level", take = "input 7", put = "holding 4" }]\n'
        'copy = [{ take = "holding 200..399", put = "holding 200..399" }, { take = "holding 5", put = "holding 6" }]\n'
    )
    new = carried_out(path, {"hall": None, "skid": None}, tmp_path / "new")["plan.toml"].decode()
    assert re.search(r'alive = "holding \d+ uint32"', new)
    assert re.search(r'alive_put = "holding \d+ uint32"', new)
    assert re.search(r'guard = "holding \d+"', new)
    # In the source the wide one comes first: the rest fits into what it leaves of its last request.
    assert 'take = "holding 400..599", put = "holding 401..600"' in new
    level = re.search(r'take = "(holding \d+)", put = "holding 400"', new)
    assert level is not None
    assert f'signals = [{{ at = "{level[1]}", shape = "sine" }}]' in new


@pytest.mark.parametrize("seed", range(4))
def test_scattered_plans_mean_what_was_proposed_and_pass_their_check(
    scattered: Callable[..., str], tmp_path: Path, seed: int
) -> None:
    path = tmp_path / "plan.toml"
    text = scattered(300, seed)
    path.write_text(text)
    new = carried_out(path, {"hall": None, "skid": None}, tmp_path / "new")["plan.toml"].decode()
    # Each comment still stands behind the value that it stood behind.
    for name, number in re.findall(r'name = "value (\d+)".*# number (\d+) of', new):
        assert name == number
    assert all_but_places(new) == all_but_places(text)


def test_an_address_that_looks_like_a_reference_number_is_said_to_be_one(tmp_path: Path) -> None:
    path = tmp_path / "plan.toml"
    path.write_text(
        HEAD + 'alive = "holding 60"\nalive_put = "holding 70"\n'
        'values = [{ name = "level", take = "input 7", put = "holding 4" }]\n'
        'copy = { take = "holding 20..29", put = "holding 30..39" }\n'
    )
    new = carried_out(path, {"hall": 42000, "skid": 42000}, tmp_path / "new")["plan.toml"].decode()
    assert len(re.findall(r'"holding address 420\d\d', new)) == 7
    assert '"holding 42' not in new


@pytest.mark.slow
def test_plans_by_chance_mean_what_was_proposed(tmp_path: Path) -> None:
    written = 0
    for seed in range(60):
        path = tmp_path / f"plan-{seed}.toml"
        path.write_text(plan_text(Random(seed)))
        loaded = load(path)
        if any(each.level is Level.ERROR for each in check(loaded)):
            continue
        used = {name: None for each in loaded.plan.transfers for name in (each.source, each.destination)}
        proposal = propose(loaded.plan, used, with_signs=bool(seed % 2))
        files = rewritten(loaded.document, loaded.plan, proposal)
        (tmp_path / "new.toml").write_bytes(files[path.name])
        must_mean(changed(loaded.plan, proposal), tmp_path / "new.toml", frozenset())
        written += 1
    assert written > 30


def test_rows_that_cannot_be_parted_are_told() -> None:
    text = "a = [{x}, # one\n{y}]"
    rows = (Span("", 1, 6, 1, 9), Span("", 2, 1, 2, 4))
    assert reordered(text, rows, (1, 0)) is None
    assert reordered("a = [{x}, {y}]", (rows[0], Span("", 1, 11, 1, 14)), (1, 0)) == "a = [{y}, {x}]"
