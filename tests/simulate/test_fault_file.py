"""Files of faults: what they say is what comes, and what is wrong with them is said with its line."""

from __future__ import annotations

import re
from pathlib import Path
from random import Random

import pytest

from wherry.errors import LocalError
from wherry.plan import loads
from wherry.plan.model import Plan
from wherry.simulate.fault_file import FaultFileError, menu_of, read_menu
from wherry.simulate.faults import MENUS, FaultKind, FaultParameters, PlannedFault, draw

S = 1_000_000_000
HOUR = 3600 * S
DOCUMENT = Path(__file__).resolve().parents[2] / "docs" / "rehearse-faults.md"

PLAN = """
[controller.skid]
connect = "tcp://10.20.0.11"
[controller.hall]
connect = "rtu+tcp://10.20.0.12:4001"
[transfer.water]
from   = "skid"
to     = "hall"
every  = "200 ms"
copy   = { take = "holding 0..9", put = "holding 100..109" }
"""
ONE = '[[fault]]\nkind = "loss"\ncontroller = "skid"\nat = "1 min"\nfor = "5 s"\n'


@pytest.fixture(scope="module")
def plan() -> Plan:
    return loads(PLAN).plan


def test_the_file_in_the_document_says_what_the_document_says(plan: Plan) -> None:
    text = re.findall(r"```toml\n(.*?)```", DOCUMENT.read_text(encoding="utf-8"), re.DOTALL)[0]
    menu = read_menu(text, "faults.toml", plan)
    assert menu.doses == MENUS["usual"].doses
    drawn = draw(Random(1), plan, 24 * HOUR, menu)
    killed = [
        PlannedFault(at * HOUR, at * HOUR + 300 * S, FaultKind.SOURCE_KILLED, "skid", FaultParameters())
        for at in (1, 7, 13, 19)
    ]
    late = PlannedFault(
        5400 * S, 6000 * S, FaultKind.DELAY, "hall", FaultParameters(share=0.05, delay_ns=2 * S)
    )  # fmt: skip
    assert {*killed, late} <= set(drawn)
    assert len(drawn) > 20, "and those that are drawn besides"


def test_the_table_in_the_document_names_each_kind(plan: Plan) -> None:
    rows = re.findall(r"^\| `([a-z -]+)` \| ([^|]+) \|", DOCUMENT.read_text(encoding="utf-8"), re.MULTILINE)
    assert dict(rows[1:]) == {kind: kind.explanation for kind in FaultKind}


def test_a_fault_in_the_phase_without_faults_is_left_out_or_cut_short(plan: Plan) -> None:
    text = ONE + ONE.replace("1 min", "9 min").replace("5 s", "1 h") + ONE.replace("1 min", "10 min")
    drawn = draw(Random(1), plan, 10 * 60 * S, read_menu(text, "faults.toml", plan))
    assert [(each.start_ns // S, each.end_ns // S) for each in drawn] == [(60, 65)]
    drawn = draw(Random(1), plan, 11 * 60 * S, read_menu(text, "faults.toml", plan))
    assert [(each.start_ns // S, each.end_ns // S) for each in drawn] == [(60, 65), (540, 600)]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[[fault]", "f.toml:1:8: the file cannot be read as TOML"),
        ("menus = 1", "f.toml:1:1: there is no key `menus` in a file of faults: there are menu and fault"),
        ('menu = "cruel"', 'f.toml:1:8: there is no menu of faults "cruel": there are none, usual or harsh'),
        ("fault = 3", "f.toml:1:9: each fault is a table of its own: write `[[fault]]` over it"),
        (ONE + "kinds = 3", "f.toml:6:1: a fault has no key `kinds`: did you mean `kind`?"),
        (ONE.replace('"loss"', '"los"'), 'f.toml:2:8: there is no kind of fault "los": did you mean `loss`?'),
        (ONE.replace('"loss"', "7"), "f.toml:2:8: there is no kind of fault 7: there are corruption,"),
        (ONE.replace('"skid"', '"skidd"'), 'the plan has no controller "skidd": there are skid and hall'),
        (
            ONE.replace("loss", "receiver killed"),
            "f.toml:3:14: `receiver killed` (a controller that values are put into",
        ),
        (ONE.replace("loss", "insertion").replace("skid", "hall"), '"hall": it can be at skid'),
        (ONE.replace('at = "1 min"\n', ""), "f.toml:1:3: this fault has no `at`, which it needs"),
        (ONE.replace('"1 min"', "60"), 'f.toml:4:6: `at` is a duration in quotes, such as "5 min", not 60'),
        (ONE.replace("1 min", "1 minutes"), "f.toml:4:6: there is no unit of time `minutes`"),
        (ONE.replace("5 s", "0 s"), "f.toml:5:7: `for` is to be longer than nothing"),
        (ONE + 'every = "5 s"', "f.toml:6:9: a fault cannot come again before it is over"),
        (ONE + "share = 0", "f.toml:6:9: `share` is a number above 0 and at most 1, not 0"),
        (ONE + "share = true", "f.toml:6:9: `share` is a number above 0"),
        (ONE.replace("loss", "clogged") + "share = 0.5", "f.toml:6:1: `clogged` hits everything: take `share` away"),
        (ONE + 'delay = "1 s"', "f.toml:6:1: `loss` has no delay: take it away"),
        (ONE.replace("loss", "slow device"), "f.toml:1:3: `slow device` needs a `delay`, for example"),
    ],
)
def test_what_is_wrong_is_said_with_its_line(plan: Plan, text: str, said: str) -> None:
    with pytest.raises(FaultFileError) as caught:
        read_menu(text, "f.toml", plan)
    assert said in str(caught.value)
    span = caught.value.span
    assert str(caught.value) == f"f.toml:{span.line}:{span.column}: {caught.value.reason}"
    assert caught.value.source == text.split("\n")[span.line - 1]


def test_menus_go_by_name_or_by_file(plan: Plan, tmp_path: Path) -> None:
    assert menu_of("harsh", plan) is MENUS["harsh"]
    (tmp_path / "mine.toml").write_bytes(ONE.replace("\n", "\r\n").encode())
    assert [fault.kind for fault, _ in menu_of(str(tmp_path / "mine.toml"), plan).fixed] == [FaultKind.LOSS]
    with pytest.raises(LocalError, match=r"no menu of faults `hars`: there are .* did you mean `harsh`"):
        menu_of("hars", plan)
    with pytest.raises(LocalError, match="cannot be read: No such file"):
        menu_of("not-there.toml", plan)
    (tmp_path / "bytes.toml").write_bytes(b"\xff")
    with pytest.raises(LocalError, match="is not text in UTF-8"):
        menu_of(str(tmp_path / "bytes.toml"), plan)
