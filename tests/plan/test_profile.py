"""Device profiles: read back as written, mistakes named with their place, and used where the plan says nothing."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wherry.checks.check import check
from wherry.checks.defaults import defaults
from wherry.checks.rule import Judged
from wherry.errors import PlanError
from wherry.packing.layout import layout
from wherry.plan import load
from wherry.plan.model import Controller, Span, Table
from wherry.plan.profile import (
    SPAN_KEYS,
    Fact,
    Holes,
    How,
    Profile,
    TableFacts,
    parse_profile,
    profile_text,
    read_profile,
)
from wherry.simulate.controller import SimulatedController

MS = 1_000_000
H = Table.HOLDING

words = st.text(st.characters(codec="utf-8", exclude_categories=["Cs"]), max_size=12)
hows = st.sampled_from(list(How))


def facts(values: st.SearchStrategy[object]) -> st.SearchStrategy[Fact]:
    return st.builds(Fact, values, hows, words, words, words)


def spans(table: Table) -> st.SearchStrategy[tuple[Span, ...]]:
    one = st.builds(lambda start, count: Span(table, start, count), st.integers(0, 60000), st.integers(1, 5536))
    return st.lists(one, max_size=4).map(tuple)


@st.composite
def tables(draw: st.DrawFn) -> dict[Table, TableFacts]:
    result = {}
    for table in draw(st.lists(st.sampled_from(list(Table)), unique=True)):
        holes = draw(st.none() | facts(st.sampled_from([str(each) for each in Holes])))
        result[table] = TableFacts(table, holes, refusal=draw(words), **{key: draw(spans(table)) for key in SPAN_KEYS})
    return result


durations = st.sampled_from(["0 s", "5 ms", "6.35 ms", "123 ns", "1.5 s"])
profiles = st.builds(
    Profile,
    words,
    words,
    words,
    words,
    device=st.dictionaries(st.sampled_from(["vendor", "product", "server_id"]), facts(words)),
    limits=st.fixed_dictionaries({}, optional={"read": facts(st.integers(1, 125)), "gap": facts(durations)}),
    response=st.dictionaries(st.sampled_from(["fixed", "per_register"]), facts(durations)),
    tables=tables(),
)


@settings(max_examples=30)
@given(profiles)
def test_what_is_written_is_read_back(profile: Profile) -> None:
    assert parse_profile(profile_text(profile)) == profile


def test_a_bare_value_is_declared() -> None:
    profile = parse_profile('profile = 1\n[limits]\nread = 16\ngap = "40 ms"\n')
    assert profile.limits["read"] == Fact(16, How.DECLARED)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "p.toml:1:1: `profile = 1` says"),
        ("profile = 2\n", "p.toml:1:11: `profile = 1` says"),
        ("profile = 1\n[limit]\n", "p.toml:2:2: `limit` is no key here; did you mean `limits`?"),
        ("profile = 1\n[limits]\nreads = 5\n", "p.toml:3:1: `reads` is no key here; did you mean `read`?"),
        ("profile = 1\n[limits]\nread = 126\n", "p.toml:3:8: `read` is 126, where a whole number from 1 to 125"),
        ("profile = 1\n[limits]\nread = true\n", "p.toml:3:8: `read` is true, where"),
        ("profile = 1\n[limits]\nread = { how = 'proved' }\n", "p.toml:3:8: `read` has no `value`"),
        ("profile = 1\n[limits]\nread = { value = 5, how = 'seen' }\n", "p.toml:3:27: `how` is"),
        ("profile = 1\n[limits]\ngap = 5\n", "p.toml:3:7: `gap` is 5, where a duration"),
        ("profile = 1\n[table.holdings]\n", "did you mean `holding`?"),
        ("profile = 1\n[table.holding]\nreadable = ['input 5']\n", "is no place in the holding table"),
        ("profile = 1\n[table.holding]\nabsent = ['holding x']\n", 'p.toml:3:11: "holding x" is no place'),
        ("profile = 1\n[table.holding]\nholes = 'none'\n", "p.toml:3:9: `holes` is"),
        ("profile = 1\ntable = 5\n", "`table` is a table"),
        ("profile = ", "p.toml: the profile is no TOML"),
    ],
)
def test_mistakes_have_a_place(text: str, said: str) -> None:
    with pytest.raises(PlanError) as wrong:
        parse_profile(text, "p.toml")
    assert said in str(wrong.value)


def test_a_profile_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(PlanError, match="does not exist"):
        read_profile(tmp_path / "no.toml")


PROFILE = """\
profile = 1
[device]
unit = 7
[limits]
read = { value = 16, how = "proved" }
gap = { value = "40 ms", how = "proved" }
idle = "10 s"
in_flight = 4
[response]
fixed = { value = "12 ms", how = "observed" }
per_register = { value = "100 us", how = "observed" }
[table.holding]
holes = { value = "any", how = "proved" }
looked = ["holding 0..99"]
readable = ["holding 0..9", "holding 12..99"]
absent = ["holding 10..11"]
"""
PLAN = """\
[controller.skid]
connect = "tcp://10.20.0.11"
profile = "skid.profile.toml"
{more}
[controller.hall]
connect = "tcp://10.20.0.12"
storage = "volatile"
[transfer.water]
from = "skid"
to = "hall"
every = "500 ms"
on_loss = "hold"
status = "holding 90"
values = [
  {{ name = "level", take = "holding 2", put = "holding 100" }},
  {{ name = "flow", take = "holding 7", put = "holding 101" }},
  {{ name = "speed", take = "holding 14", put = "holding 102" }},
]
"""


def loaded(folder: Path, more: str = "", profile: str = PROFILE) -> Controller:
    (folder / "skid.profile.toml").write_text(profile)
    file = folder / "plan.toml"
    file.write_text(PLAN.format(more=more))
    result = load(file)
    assert result.findings == ()
    return result.plan.controller("skid")


def test_a_plan_takes_from_it_what_it_does_not_say(tmp_path: Path) -> None:
    skid = loaded(tmp_path)
    assert (skid.unit, skid.profile) == (7, "skid.profile.toml")
    assert (skid.limits.read_registers, skid.limits.gap_ns, skid.limits.in_flight) == (16, 40 * MS, 4)
    assert skid.limits.idle_ns == 10_000 * MS
    assert (skid.response.fixed_ns, skid.response.per_register_ns) == (12 * MS, 100_000)
    assert skid.response.is_declared
    assert skid.readable == (Span(H, 0, 10), Span(H, 12, 88))
    assert skid.simulation.holes == skid.absent == (Span(H, 10, 2),)


def test_what_the_plan_says_counts_more(tmp_path: Path) -> None:
    more = (
        'unit = 3\nlimits = { read = 20, timeout = "300 ms" }\nresponse = { fixed = "1 ms" }\nreadable = []\n'
        'simulate = { holes = ["holding 50"] }\n'
    )
    skid = loaded(tmp_path, more)
    assert (skid.unit, skid.limits.read_registers, skid.limits.timeout_ns) == (3, 20, 300 * MS)
    assert skid.limits.gap_ns == 40 * MS
    assert skid.response.fixed_ns == 1 * MS
    assert skid.readable == ()
    assert skid.simulation.holes == (Span(H, 50, 1),)
    assert skid.absent == (Span(H, 10, 2),)


def test_packing_reads_over_what_is_readable_and_never_over_a_hole(tmp_path: Path) -> None:
    loaded(tmp_path)
    (sweep,) = layout(load(tmp_path / "plan.toml").plan)
    reads = [read.span for read in sweep.reads]
    assert reads == [Span(H, 2, 6), Span(H, 14, 1)]


def test_a_simulated_controller_has_the_holes(tmp_path: Path) -> None:
    skid = SimulatedController(loaded(tmp_path))
    assert skid.respond(7, b"\x03\x00\x0a\x00\x01") == b"\x83\x02"
    assert skid.respond(7, b"\x03\x00\x00\x00\x11") == b"\x83\x03"
    assert skid.service_ns(b"\x03\x00\x00\x00\x0a") == 13 * MS


@pytest.mark.parametrize("profile", ["", "profile = 1\n[limits]\nread = 126\n"])
def test_a_broken_profile_is_a_finding(tmp_path: Path, profile: str) -> None:
    (tmp_path / "skid.profile.toml").write_text(profile)
    file = tmp_path / "plan.toml"
    file.write_text(PLAN.format(more=""))
    (finding,) = load(file).findings
    assert finding.name == "missing-file"
    assert finding.span is not None
    assert finding.span.line == 3
    assert "the profile of skid cannot be used" in finding.message


def test_a_profile_that_is_missing_is_a_finding(tmp_path: Path) -> None:
    file = tmp_path / "plan.toml"
    file.write_text(PLAN.format(more=""))
    (finding,) = load(file).findings
    assert "does not exist" in finding.message


def test_the_defaults_say_where_they_come_from(tmp_path: Path) -> None:
    loaded(tmp_path)
    result = load(tmp_path / "plan.toml")
    told = {each.key: each.text for each in defaults(Judged.of(result)) if each.where == "controller.skid"}
    assert told["limits.read"] == "16 registers in one request (as in skid.profile.toml)"
    assert told["response.fixed"] == "12 ms (as in skid.profile.toml)"
    assert told["readable"] == "what skid.profile.toml found to be readable"
    assert "limits.write" in told
    assert [each.name for each in check(result) if each.level == "error"] == []


@pytest.mark.parametrize(
    ("old", "new", "line"),
    [
        ("holding 14", "holding 10", 17),
        ("holding 2", "holding 9 float32", 15),
        ('on_loss = "hold"', 'on_loss = "hold"\nalive = "holding 11"', 13),
        ('on_loss = "hold"', 'on_loss = "hold"\nguard = "holding 11"', 13),
        ("profile = ", 'readable = ["holding 0..40"]\nprofile = ', 3),
    ],
)
def test_a_place_that_is_not_there_is_an_error(tmp_path: Path, old: str, new: str, line: int) -> None:
    (tmp_path / "skid.profile.toml").write_text(PROFILE)
    file = tmp_path / "plan.toml"
    file.write_text(PLAN.format(more="").replace(old, new, 1))
    (finding,) = [each for each in check(load(file)) if each.name == "not-there"]
    assert finding.level == "error"
    assert finding.span is not None
    assert finding.span.line == line


def test_a_receiver_without_the_place_is_an_error(tmp_path: Path) -> None:
    (tmp_path / "skid.profile.toml").write_text(PROFILE)
    text = PLAN.format(more="").replace('profile = "skid.profile.toml"\n', "", 1)
    text = text.replace('storage = "volatile"', 'storage = "volatile"\nprofile = "skid.profile.toml"')
    file = tmp_path / "plan.toml"
    file.write_text(text.replace("holding 101", "holding 11").replace('status = "holding 90"', 'status = "holding 8"'))
    found = [each.message for each in check(load(file)) if each.name == "not-there"]
    assert len(found) == 2
    assert found[0].startswith("the status of `water` is put into a place that hall does not have")
    assert found[1].startswith("`flow` is put into a place that hall does not have")


@pytest.mark.parametrize(
    ("facts", "begun"),
    [
        ('wholes = ["holding 14..15"]', "the request for `speed` ends where skid takes none to end"),
        ('wholes = ["holding 13..14"]', "the request for `speed` begins where skid takes none to begin"),
        ('wholes = ["holding 7..8"]', "the request for `flow` ends where skid takes none to end"),
        ('starts = ["holding 2", "holding 6"]', ""),
        ('starts = ["holding 2", "holding 16"]', "the request for `speed` begins where skid takes none to begin"),
        ('wholes = ["holding 3..4", "holding 8..9"]', ""),
        ('starts = ["holding 2", "holding 14"]', ""),
        ('starts = ["holding 2..20"]', ""),
    ],
)
def test_a_read_that_would_be_refused_is_an_error(tmp_path: Path, facts: str, begun: str) -> None:
    (tmp_path / "skid.profile.toml").write_text(PROFILE + facts + "\n")
    file = tmp_path / "plan.toml"
    file.write_text(PLAN.format(more=""))
    found = [each for each in check(load(file)) if each.name == "read-would-be-refused"]
    assert [each.message.partition(",")[0] for each in found] == ([begun] if begun else [])


def test_true_is_no_version() -> None:
    with pytest.raises(PlanError, match="says that this is a profile"):
        parse_profile("profile = true\n")
